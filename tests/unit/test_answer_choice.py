"""The first page beside a choice, without one, with the original in front, of the machine alone."""

from dataclasses import replace
from pathlib import Path

import pytest

from fixtures.fabricated_run import THREE, FabricatedEncoding, Fabrication, Spread, fabricate_run
from fixtures.fabricated_throughput import delivery_trial, grid_trial, ingest_trial
from fixtures.snapshot import assert_matches_snapshot
from mezzmark.decide.choose.choice import Choice
from mezzmark.decide.estimate.over_clips import best_cells
from mezzmark.decide.estimate.ranking import surely_faster
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.request import ChooseSettings
from mezzmark.report.prose.answer import NEXT_STEP, Answer, run_answer
from mezzmark.report.prose.choice import faster_sentences
from mezzmark.report.prose.figures import leader_label
from mezzmark.report.prose.latency import encode_time_text
from mezzmark.report.prose.terms import encodings_about
from mezzmark.report.tables.choice import checklist
from mezzmark.report.view import RunView
from mezzmark.store.run_store import read_run

EXAMPLES = Path(__file__).parents[2] / "results"

CALM = Spread(sample=0.1, trial=0.005, round=0.02)
"""VC-3 SQ (14 ms) before RDD 36 standard (19 ms), the original (310 ms) far behind."""


def _view(choose: ChooseSettings | None, made: Fabrication | None = None) -> RunView:
    """A fabricated run under needs and wishes; RDD 36 has 10 bit, VC-3 8."""
    manifest, trials = fabricate_run(made or Fabrication(spread=CALM, rounds=8))
    encodings = tuple(
        e.model_copy(update={"bit_depth": 10}) if e.codec == "RDD" else e
        for e in manifest.encodings
    )
    scenario = manifest.scenario.model_copy(update={"choose": choose})
    manifest = manifest.model_copy(update={"scenario": scenario, "encodings": encodings})
    return RunView(manifest, trials)


def _asked(needs: tuple[str, ...], wishes: tuple[str, ...] = ()) -> ChooseSettings:
    return ChooseSettings.model_validate({"needs": needs, "wishes": wishes})


FAST_FIRST = ("less scrub.jump.p50_ms",)
TEN_BIT = _asked(("bit_depth >= 10",), FAST_FIRST)


def _chosen(view: RunView) -> Choice:
    assert view.choice is not None
    return view.choice


def _surely_faster(view: RunView) -> set[str]:
    """Who of those before the chosen one in the leading ranking is faster beyond doubt."""
    names = [entry.encoding for entry in view.rankings[0].entries]
    chosen = _chosen(view).chosen[0]
    ahead = names[: names.index(chosen)]
    return surely_faster(ahead, chosen, view.rankings[0], view.observations)


def _told_of_faster(view: RunView) -> str:
    """What the answer says of them."""
    (told,) = faster_sentences(view.rankings[0], _chosen(view), view.observations)
    assert told in run_answer(view).findings
    return told


def test_the_chosen_one_is_described_first_and_the_faster_one_with_its_need() -> None:
    """The fastest has 8 bit where 10 are needed: the chosen one's speed and price come first, then
    why the faster one was not taken."""
    view = _view(TEN_BIT)
    assert _chosen(view).chosen == ("RDD 36 standard",)
    assert _surely_faster(view) == {"VC-3 SQ"}
    [missed] = _chosen(view).find("VC-3 SQ").outcomes("misses")
    assert (missed.need.subject, missed.facts) == ("bit_depth", ("8",))
    places = [
        next(
            place for place, text in enumerate(run_answer(view).findings) if text.startswith(start)
        )
        for start in ("Encoding to RDD 36 standard", _told_of_faster(view))
    ]
    assert 0 < places[0] < places[1]


def test_the_chosen_one_is_marked_and_no_other() -> None:
    """Under a choice blue means chosen; without one, that it may be the fastest."""
    chosen, free = _view(TEN_BIT), _view(None)
    names = ("original", "VC-3 SQ", "RDD 36 standard")
    assert [chosen.role(name) for name in names] == ["original", "other", "leader"]
    assert [free.role(name) for name in names] == ["original", "leader", "other"]
    assert (leader_label(chosen.choice), leader_label(free.choice)) == (
        "chosen",
        "may be the fastest",
    )


def test_nobody_is_marked_where_nobody_meets_the_needs() -> None:
    """A need of 16 bit that none has leaves no encoding in blue."""
    view = _view(_asked(("bit_depth >= 16",)))
    assert {view.role(e.name) for e in THREE} == {"original", "other"}


def test_a_faster_one_may_be_put_behind_by_the_wishes() -> None:
    """Encode speed is wished for: the fast one meets all needs and comes behind all the same."""
    view = _view(
        _asked(("intra = true",), ("more encode.throughput_fps",)),
        _slow_but_quick_to_encode(),
    )
    assert _chosen(view).chosen == ("RDD 36 standard",)
    assert _surely_faster(view) == {"VC-3 SQ"}
    assert _chosen(view).find("VC-3 SQ").status == "meets"


def _only_looks_faster() -> RunView:
    near = replace(THREE[1], jump_ms=18.9)
    encodings = (THREE[0], near, THREE[2])
    made = Fabrication(encodings=encodings, spread=Spread(trial=0.1), rounds=8, seed=7)
    return _view(TEN_BIT, made)


def test_one_that_only_looked_faster_is_not_called_faster() -> None:
    """Truths 0.5 % apart under a spread of 10 %: one is ahead by its points, but the rounds
    disagree which one was."""
    view = _only_looks_faster()
    medians = {e.encoding: e.estimates["p50_ms"] for e in view.rankings[0].entries}
    ahead, chosen = medians["VC-3 SQ"], medians["RDD 36 standard"]
    assert ahead.point < chosen.point < ahead.high
    assert _surely_faster(view) == set()


def test_who_is_faster_reads_well() -> None:
    """Faster beyond doubt, faster and put behind by the wishes, and faster by its points only."""
    behind = _asked(("intra = true",), ("more encode.throughput_fps",))
    views = (_view(TEN_BIT), _view(behind, _slow_but_quick_to_encode()), _only_looks_faster())
    assert_matches_snapshot("\n".join(map(_told_of_faster, views)), "choice_faster")


def test_the_published_choice_still_names_who_is_faster() -> None:
    """In the example of 2160p originals one encoding of 8 bit is well ahead of the chosen one in
    every round."""
    run = read_run(EXAMPLES / "example-uhd-ingest")
    view = RunView(run.manifest, run.trials)
    assert _surely_faster(view) == {"vc3-lb"}
    missed = _chosen(view).find("vc3-lb").outcomes("misses")
    assert [result.need.subject for result in missed] == ["bit_depth"]


def test_the_second_of_two_tied_says_only_its_own_figures() -> None:
    """Two equal truths are both chosen: the fastest to encode is told once, each of the two with
    its own time, ratio and encode speed."""
    base = replace(THREE[2], jump_ms=1000 / 24 * 1.25)  # on the edge of a step
    twin, slow = replace(base, name="twin", encode_fps=55.0), replace(THREE[1], jump_ms=140.0)
    made = Fabrication(encodings=(THREE[0], slow, base, twin), spread=Spread(trial=0.05), rounds=8)
    view = _view(_asked(("intra = true",), FAST_FIRST), made)
    choice = view.choice
    assert choice is not None
    assert {choice.recommendation, choice.tied} == {"RDD 36 standard", "twin"}
    told = " ".join(run_answer(view).findings)
    assert told.count("encodes fastest") == 1
    assert told.count(" at the median and ") == 2
    assert told.count("faster than the original.") == 2
    assert told.count("Encoding to ") == 2


def _slow_but_quick_to_encode() -> Fabrication:
    swift = replace(THREE[2], encode_fps=900.0)
    return Fabrication(encodings=(*THREE[:2], swift), spread=CALM, rounds=8)


def _answer(made: Fabrication) -> Answer:
    return run_answer(RunView(*fabricate_run(made)))


def test_every_number_says_whose_it_is() -> None:
    """Three numbers of the encoding that leads, each named, with or without a choice."""
    for found, name in (
        (run_answer(_view(TEN_BIT)), "RDD 36 standard"),
        (run_answer(_view(None)), "VC-3 SQ"),
    ):
        assert [number.label.partition(": ")[0] for number in found.key_numbers] == [name] * 3


def test_encode_speed_is_told_as_hours_for_an_hour() -> None:
    """24 fps footage at 2.65 fps takes 24 / 2.65 = 9.06 h; at 140 fps 10 min; and the numbers
    beside the headline say so."""
    manifest, _ = fabricate_run()
    assert encode_time_text(Estimate.exact(2.65, "fps"), manifest) == "9.1 h"
    assert encode_time_text(Estimate.exact(140, "fps"), manifest) == "10 min"
    assert encode_time_text(Estimate.exact(1e5, "fps"), manifest) == "less than a minute"
    view = _view(None)
    (_, speed) = next(iter(best_cells(view, "encode").values()))
    assert encode_time_text(speed, manifest) in {n.value for n in run_answer(view).key_numbers}


def test_the_next_step_ends_an_answer_without_needs() -> None:
    """Where nothing was asked for the last finding is how to ask; where it was, it is not said."""
    assert run_answer(_view(None)).findings[-1] == NEXT_STEP
    assert NEXT_STEP not in run_answer(_view(TEN_BIT)).findings


def test_originals_that_answer_at_once_are_told_with_the_price_of_leaving_them() -> None:
    """An original of 30 ms and 50 Mbit/s against an encoding of 14 ms and 425 Mbit/s: it already
    answers within 0.1 s, and 8.5 times the disk buys little. One of 310 ms does not."""
    quick = replace(THREE[0], jump_ms=30)
    large = replace(THREE[1], bitrate_bps=425e6)
    found = _answer(Fabrication(encodings=(quick, large), spread=CALM, rounds=8))
    (told,) = [text for text in found.findings if text.startswith("The originals already answer")]
    assert "within 0.1 s" in told
    assert "8.50 times the disk" in told
    slow = _answer(Fabrication(encodings=(THREE[0], large), spread=CALM, rounds=8))
    assert not [text for text in slow.findings if "already answer" in text]


def test_originals_whose_slow_moves_wait_are_not_said_to_answer_at_once() -> None:
    """Moves with a median of 30 ms and a log sd of 1: 5 in 100 take over 30 e^1.645 = 155 ms, so
    that leaving the originals would gain something."""
    quick = replace(THREE[0], jump_ms=30)
    stalling = replace(CALM, sample=1.0)
    found = _answer(Fabrication(encodings=(quick, THREE[1]), spread=stalling, rounds=8))
    assert not [text for text in found.findings if "already answer" in text]


def test_an_original_that_may_be_fastest_is_not_said_to_be_beaten() -> None:
    """Two equal truths, one of them the original: nothing is faster as far as can be told, and the
    ratio comes with an interval that holds 1."""
    equal = FabricatedEncoding(name="equal", jump_ms=300, bitrate_bps=1e8)
    made = Fabrication(
        encodings=(replace(THREE[0], jump_ms=300), equal),
        spread=Spread(sample=0.4, trial=0.05, round=0.02),
        rounds=6,
    )
    headline = _answer(made).headline
    assert headline.startswith("No encoding is measurably faster than the original")
    low, high = headline.partition("[")[2].partition("]")[0].split(", ")
    assert float(low) < 1 < float(high)


def test_a_run_of_the_grid_alone_answers_with_the_best_split() -> None:
    """2 jobs do 57 fps, 1 job 30: the headline names the split and its speed; ingest and delivery
    follow, each once."""
    manifest, _ = fabricate_run()
    bare = manifest.model_copy(
        update={"scenario": manifest.scenario.model_copy(update={"scrub": None, "encode": None})}
    )
    trials = [
        *(
            grid_trial("VC-3 SQ", j, r, fps + r / 10)
            for j, fps in ((1, 30), (2, 57))
            for r in range(4)
        ),
        *(ingest_trial("VC-3 SQ", r) for r in range(4)),
        *(delivery_trial("VC-3 SQ", 1, r) for r in range(4)),
    ]
    found = run_answer(RunView(bare, trials))
    assert found.headline.startswith(
        "Encoding ran fastest with 2 jobs of 1 thread each: VC-3 SQ at 57."
    )
    assert found.findings[0].startswith("Against one job of one thread that is 1.89")
    assert found.findings[1].startswith("All clips as a folder took 3.1")
    assert found.findings[2].startswith("The export for delivery ran at ")
    assert len(found.findings) == 3


def test_splits_that_are_alike_are_said_to_be() -> None:
    """Two splits of one truth: which is better cannot be told, and the answer says for whom."""
    manifest, _ = fabricate_run()
    speeds = {1: (30.0, 30.6, 29.8, 30.2), 2: (30.1, 30.3, 30.0, 30.2)}
    trials = [
        grid_trial("VC-3 SQ", j, r, f) for j, found in speeds.items() for r, f in enumerate(found)
    ]
    assert "Another split may be as fast for VC-3 SQ." in (
        run_answer(RunView(manifest, trials)).findings
    )


@pytest.mark.parametrize("needs", [("bit_depth >= 10",), ()])
def test_too_few_rounds_still_name_an_owner(needs: tuple[str, ...]) -> None:
    """Two rounds: the numbers have an owner all the same."""
    view = _view(_asked(needs), Fabrication(rounds=2))
    assert all(": " in number.label for number in run_answer(view).key_numbers)


def test_the_checklist_sets_each_need_of_the_original_beside_the_recommended_ones() -> None:
    """10 bit are asked for: the originals' own depth misses or meets that, the recommended one
    meets it, and both heads say what the encodings are."""
    view = _view(TEN_BIT)
    choice = _chosen(view)
    about = encodings_about(view.manifest)
    table = checklist(choice, about, table_id="needs")
    names = [ORIGINAL, "RDD 36 standard"]
    assert [column.head for column in table.columns[2:]] == [f"{n}: {about[n]}" for n in names]
    assert about["RDD 36 standard"] == "10 bit, 4:2:2, all intra"
    signs = {"meets": "met", "misses": "wrong", "open": "", "not shown": ""}
    for need, row in zip(choice.needs, table.rows, strict=True):
        results = [next(r for r in choice.find(n).needs if r.need == need) for n in names]
        assert [entry.sign for entry in row[2:]] == [signs[r.outcome] for r in results]


@pytest.mark.parametrize(("rounds", "is_ranked"), [(4, False), (5, True)])
def test_fewer_than_five_rounds_rank_nothing(rounds: int, is_ranked: bool) -> None:
    """With four rounds encodings stand as the run lists them and nobody leads; five rank them."""
    view = _view(None, Fabrication(rounds=rounds, requests=6, patterns=("jump",)))
    (ranking,) = view.rankings
    shown = [entry.encoding for entry in ranking.entries]
    listed = [ORIGINAL, *(e.name for e in view.manifest.encodings if e.name != ORIGINAL)]
    medians = [entry.estimates["p50_ms"].point for entry in ranking.entries]
    assert (ranking.fastest is not None) == is_ranked
    assert shown == (
        [n for _, n in sorted(zip(medians, shown, strict=True))] if is_ranked else listed
    )
    assert any(entry.cost_ratio for entry in ranking.entries) == is_ranked


@pytest.mark.parametrize(("counts", "is_thin"), [((5, 4), True), ((5, 5), False)])
def test_one_encodings_fifth_round_ranks_nobody(counts: tuple[int, ...], is_thin: bool) -> None:
    """The rounds of half of the encodings count, not those of the one that has the most."""
    ranking = _view(None, Fabrication(rounds=5, requests=6, patterns=("jump",))).rankings[0]
    entries = []
    for entry, count in zip(ranking.entries[: len(counts)], counts, strict=True):
        median = entry.estimates["p50_ms"].model_copy(update={"round_count": count})
        estimates = {**entry.estimates, "p50_ms": median}
        entries.append(entry.model_copy(update={"estimates": estimates}))
    assert ranking.model_copy(update={"entries": tuple(entries)}).is_thin == is_thin

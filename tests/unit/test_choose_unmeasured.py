"""A need that was not measured: nobody is recommended, and the reader is told what to do."""

import numpy as np
import pytest
from test_choose import TWO, choose, made, without

from fixtures.fabricated_run import THREE, FabricatedEncoding, Fabrication, fabricate_run
from mezzmark.cli.views import print_choice
from mezzmark.decide.choose.question import choosing_warnings, list_unmeasured
from mezzmark.decide.estimate.observations import observe
from mezzmark.decide.estimate.pooling import pool_clips
from mezzmark.model.encoding import CustomEncoding
from mezzmark.model.request import ChooseSettings
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.encode import EncodeSettings
from mezzmark.model.tasks.fidelity import FidelitySettings
from mezzmark.model.tasks.grid import GridSettings
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.report.prose.choice import findings, headline, rounds_text
from mezzmark.report.view import view_run

COLOUR = "fidelity.delta_e_max <= 1"


def test_nobody_is_recommended_under_a_need_that_was_not_measured() -> None:
    """The headline cannot say, names the need, what to add, and who is best by the rest."""
    choice = choose(made(TWO), needs=(COLOUR, "scrub.jump.p95_ms <= 1000"))
    assert (choice.verdict, choice.recommendation) == ("cannot say", None)
    assert choice.by_other_needs == choice.leader == "nimble"
    assert choice.needs_not_shown == (COLOUR,)
    assert choice.needs_not_shown_remedies == ("add a [fidelity] table",)
    for said in (COLOUR, "add a [fidelity] table", "choose nimble"):
        assert said in headline(choice)
    assert str(choice) == f"cannot say: not measured: {COLOUR}; by the rest: nimble"
    assert any("nobody is known to meet it" in text for text in findings(choice))


def test_nobody_is_said_to_meet_all() -> None:
    """Whether an encoding meets all is not known, and its status claims nothing; the chance by the
    measured needs is kept under its own name, and a miss of one of those still rules out."""
    choice = choose(made(TWO), needs=(COLOUR, "scrub.jump.p50_ms <= 30"))
    nimble, small = choice.find("nimble"), choice.find("small")
    assert (nimble.status, nimble.chance_all, nimble.chance_measured) == ("open", None, 1.0)
    assert (small.status, small.chance_all) == ("ruled out", None)


def test_a_need_alone_leaves_the_wishes(capsys: pytest.CaptureFixture[str]) -> None:
    """Without another need the wishes alone speak, and the table says `not known`."""
    choice = choose(made(TWO), needs=("scrub.step-forward.p95_ms <= 100",))
    assert "by your wishes alone, choose nimble" in headline(choice)
    assert 'add "step-forward" to the patterns of [scrub]' in headline(choice)
    print_choice(choice)
    told = capsys.readouterr().out
    assert "not known" in told
    assert "over 99 %  over 99 %" not in told


def test_a_measured_miss_needs_no_further_measuring() -> None:
    """Where every encoding misses a measured need, the answer stands whatever was not measured."""
    choice = choose(made(TWO), needs=(COLOUR, "scrub.jump.p50_ms <= 1"))
    assert (choice.verdict, choice.by_other_needs) == ("none meets", None)
    assert headline(choice).startswith("No encoding meets your needs.")


def test_what_was_asked_for_and_never_finished_is_measured_again() -> None:
    """A task of the scenario without a finished trial is not told to be added."""
    run = without(made(TWO), task="encode")
    choice = choose(run, needs=("encode.throughput_fps >= 10",), wishes=("less bitrate_bps",))
    assert "was not measured. Measure it again; by your wishes alone" in headline(choice)


def test_the_page_does_not_recommend_either() -> None:
    """The answer of a report whose scenario names a figure that it does not measure."""
    manifest, trials = fabricate_run(Fabrication(encodings=THREE, patterns=("jump",)))
    table = ChooseSettings(needs=(COLOUR,), wishes=("less scrub.jump.p50_ms",))
    scenario = manifest.scenario.model_copy(update={"choose": table})
    view = view_run(manifest.model_copy(update={"scenario": scenario}), trials)
    assert view.answer.headline.startswith(f'Cannot say: your need "{COLOUR}" was not measured.')


def test_wishes_decided_without_rounds_say_what_decided() -> None:
    """Of the usual wishes only the size was measured: that is said, with what could be asked."""
    run = without(made(TWO), task="scrub")
    choice = choose(without(run, task="encode"))
    assert headline(choice) == (
        "Of what was wished for, only bit rate was measured. By that alone, choose small."
    )
    exact = choose(made(TWO), wishes=("less bitrate_bps",))
    assert headline(exact) == (
        "Choose small: it comes first by bit rate, which is the same in every round."
    )
    encoded = choose(run, wishes=("less bitrate_bps", "less scrub.jump.p50_ms"))
    assert "can be wished for: more encode.throughput_fps" in " ".join(encoded.notes)


def test_a_partial_last_round_is_no_whole_one() -> None:
    """Six rounds begun, the last without one encoding: five whole rounds."""
    run = without(made(TWO), encoding="small", round_index=5)
    assert rounds_text(choose(run)) == "5 whole rounds"
    assert rounds_text(choose(made(TWO))) == "6 rounds"


def test_the_point_of_p95_is_that_of_all_moves() -> None:
    """Two clips of which one is ten times slower: the p95 over both is the slow clip's, as the
    report has it, and no mean of the two."""
    run = made(TWO, clips=("street", "forest"))
    slow = tuple(
        trial.model_copy(
            update={
                "measurement": trial.measurement.model_copy(
                    update={"decode_ns": tuple(10 * ns for ns in trial.measurement.decode_ns)}
                )
            }
        )
        if trial.cell.task == "scrub" and trial.cell.clip == "forest"
        else trial
        for trial in run.trials
    )
    choice = choose(type(run)(run.manifest, slow), needs=("scrub.jump.p95_ms <= 100",))
    mine = [
        o
        for o in observe(slow)
        if o.cell.encoding == "nimble" and o.cell.setting["pattern"] == "jump"
    ]
    moves = np.concatenate([o.work.latencies_ms for o in mine])
    told = choice.find("nimble").needs[0].value
    assert told is not None
    assert told.point == pytest.approx(np.quantile(moves, 0.95, method="median_unbiased"))
    [pooled] = pool_clips(mine).values()
    assert told == pooled["p95_ms"]
    assert choice.find("nimble").needs[0].margin_fraction == pytest.approx(1 - told.point / 100)


def test_a_round_that_only_one_has_is_its_own_noise() -> None:
    """A sixth round of one encoding moves its point, as in the report, and widens its spread."""
    run = made(TWO)
    partial = without(run, encoding="small", round_index=5)
    whole, part = choose(run), choose(partial)
    name = "scrub.jump.p50_ms"
    assert part.find("nimble").figures[name] == whole.find("nimble").figures[name]
    assert part.find("small").figures[name].round_count == 5


def plan(**changes: object) -> Scenario:
    base: dict[str, object] = {
        "name": "test",
        "seed": 1,
        "clips": [{"name": "c", "files": ["c.mov"]}],
        "scrub": ScrubSettings(patterns=("jump",)),
        "encode": EncodeSettings(threads=(1, 4)),
    }
    return Scenario.model_validate(base | changes)


@pytest.mark.parametrize(
    ("need", "changes", "remedy"),
    [
        (COLOUR, {}, "add a [fidelity] table"),
        (COLOUR, {"fidelity": FidelitySettings()}, None),
        (
            "fidelity.ssim >= 0.9",
            {"fidelity": FidelitySettings(metrics=("psnr",))},
            'add "ssim" to the metrics of [fidelity]',
        ),
        ("scrub.near.p95_ms <= 9", {}, 'add "near" to the patterns of [scrub]'),
        (
            "scrub.near.p95_ms <= 9",
            {"scrub": None},
            'add a [scrub] table with patterns = ["near"]',
        ),
        ("scrub.jump.p95_ms <= 9", {}, None),
        ("encode.2t.throughput_fps >= 9", {}, "add 2 to the threads of [encode]"),
        ("encode.4t.throughput_fps >= 9", {}, None),
        ("scrub.jump.2t.p95_ms <= 9", {}, None),
        ("ingest.makespan_s <= 9", {}, "add an [ingest] table"),
        (
            "grid.3j.throughput_fps >= 9",
            {"grid": GridSettings(jobs=(1, 2))},
            "add 3 to the jobs of [grid]",
        ),
        ("bitrate_bps <= 9e6", {}, None),
        ("bit_depth >= 10", {}, None),
    ],
)
def test_a_scenario_says_what_it_does_not_measure(
    need: str, changes: dict[str, object], remedy: str | None
) -> None:
    """Each need that no run could answer, with what to add; `all` may be any count."""
    found = list_unmeasured(plan(choose=ChooseSettings(needs=(need,)), **changes))
    assert [entry.remedy for entry in found] == ([] if remedy is None else [remedy])


def test_warnings_are_of_needs_wishes_and_names() -> None:
    """One line each: a need and a wish that are not measured, and a codec that nothing here has; a
    codec that the scenario itself brings is none."""
    custom = CustomEncoding(name="mine", encoder="libother", pixel_format="yuv420p")
    table = ChooseSettings(
        needs=(COLOUR, "codec = VC3X", "codec = libother"), wishes=("less scrub.near.p50_ms",)
    )
    told = choosing_warnings(plan(choose=table, custom_encodings=(custom,)))
    assert [text.startswith("warning: [choose] ") for text in told] == [True] * 3
    assert "fidelity.delta_e_max" in told[0]
    assert "scrub.near.p50_ms" in told[1]
    assert "Nearest: VC-3" in told[2]
    assert choosing_warnings(plan()) == ()


def test_a_name_without_rounds_is_told_as_it_is() -> None:
    """`str` of a choice holds the doubt: a tie, too few rounds, nobody."""
    alike = (
        FabricatedEncoding(name="one", jump_ms=20, bitrate_bps=1e8),
        FabricatedEncoding(name="two", jump_ms=20, bitrate_bps=1e8),
    )
    tied = choose(made(alike), wishes=("less scrub.jump.p50_ms",))
    assert str(tied) == f"{tied.recommendation} or {tied.runner_up}; cannot tell"
    assert str(choose(made(TWO), wishes=("less scrub.jump.p50_ms",))) == "nimble"
    assert str(choose(made(TWO, rounds=2))) == "nimble; too few rounds to tell"
    assert str(choose(made(TWO), needs=("alpha = true",))) == "none: no encoding meets the needs"

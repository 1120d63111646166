"""What choosing promises: who is ruled out, recommended, behind, and what would flip it."""

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from types import SimpleNamespace
from typing import get_args

import numpy as np
import pytest

from fixtures.fabricated_run import (
    EIGHT,
    THREE,
    FabricatedEncoding,
    Fabrication,
    Spread,
    fabricate_run,
)
from mezzmark.cli.options import OPTIONS
from mezzmark.decide.choose.choice import (
    Addition,
    Choice,
    ChoiceRequest,
    JudgedEncoding,
    Lack,
    TippingPoint,
)
from mezzmark.decide.choose.choose import choose_encoding, settings_for
from mezzmark.decide.choose.draws import FigureSamples, draw_figures
from mezzmark.decide.choose.judge import choose_among
from mezzmark.decide.choose.needs import _Part, _result
from mezzmark.decide.estimate.observed_run import ObservedRun
from mezzmark.decide.estimate.ranking import rank_encodings, scrub_settings
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import RunError, ScenarioError
from mezzmark.model.estimate import Estimate
from mezzmark.model.figures import parse_figure
from mezzmark.model.records import Trial
from mezzmark.model.request import ChooseSettings, Need, parse_wishes
from mezzmark.model.run import Manifest
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.spec import Figure
from mezzmark.report.prose.needs import need_text, outcome_text
from mezzmark.report.prose.table_notes import choice_note
from simulation.choice_rates import samples_of

QUIET = Spread(sample=0.05, trial=0.004, round=0.05)
"""Rounds that differ by 5 %, but hardly between encodings: what pairing is for."""


@dataclass(frozen=True)
class Run:
    manifest: Manifest
    trials: tuple[Trial, ...]

    def at(self, frame_rate: float) -> "Run":
        """The same run of footage of another frame rate."""
        clips = tuple(
            clip.model_copy(update={"duration_s": clip.frame_count / frame_rate})
            for clip in self.manifest.clips
        )
        return replace(self, manifest=self.manifest.model_copy(update={"clips": clips}))


def made(
    encodings: Sequence[FabricatedEncoding], *, spread: Spread = QUIET, **changes: object
) -> Run:
    """Of footage of 1,000 frames a second: no wait lies below the floor."""
    fabrication = replace(Fabrication(encodings=tuple(encodings), spread=spread), **changes)
    return Run(*fabricate_run(fabrication)).at(1000)


def encoding(name: str, jump_ms: float, mbps: float, fps: float = 60.0) -> FabricatedEncoding:
    return FabricatedEncoding(name=name, jump_ms=jump_ms, bitrate_bps=mbps * 1e6, encode_fps=fps)


def choose(run: Run, **settings: object) -> Choice:
    return choose_encoding([run], ChooseSettings.model_validate(settings))


def missed(entry: JudgedEncoding) -> list[str]:
    return [result.need.text for result in entry.outcomes("misses")]


def limits(choice: Choice) -> list[TippingPoint]:
    return [point for point in choice.tipping_points if point.need is not None]


SMALL = "less bitrate_bps"
TWO = (encoding("nimble", 20, 200, 40), encoding("small", 40, 100, 80))


def test_needs_rule_out_and_say_by_how_much() -> None:
    """FFV1 fails only by its size, by half as much again; long groups fail twice."""
    run = made(EIGHT, rounds=10, scrub_threads=(4,), encode_threads=(4,))
    choice = choose(run, needs=("scrub.jump.p95_ms <= 100", "bitrate_bps <= 400 Mbit/s"))
    ffv1, long_gop = choice.find("FFV1"), choice.find("HEVC long-GOP")
    assert missed(ffv1) == ["bitrate_bps <= 400 Mbit/s"]
    assert ffv1.needs[1].margin_fraction == pytest.approx((400 - 610) / 400, abs=1e-3)
    assert ffv1.needs[1].chance == 0
    assert long_gop.status == "ruled out"
    assert missed(long_gop) == ["scrub.jump.p95_ms <= 100"]
    assert choice.find(str(choice.recommendation)).status == "meets"


def test_a_proxy_is_used_in_place_of_footage_only_where_needs_say_so() -> None:
    """The better one in everything is passed over, and never called fastest, until a need or the
    lack of any other lets it in."""
    run = made((THREE[0], encoding("whole", 20, 200), encoding("proxy", 5, 20)))
    whole, proxy = run.manifest.encodings
    proxy = proxy.model_copy(update={"scale": (Fraction(1, 2), Fraction(1, 2))})
    mixed = replace(run, manifest=run.manifest.model_copy(update={"encodings": (whole, proxy)}))
    passed_over = choose(mixed)
    assert passed_over.recommendation == "whole"
    assert missed(passed_over.find("proxy")) == ["proxy = false"]
    assert choose(mixed, needs=("proxy = true",)).recommendation == "proxy"
    observed = ObservedRun(mixed.manifest, mixed.trials)
    setting = scrub_settings(observed.observations)[0]
    ranking = rank_encodings(observed, (), setting)
    assert ranking.fastest.encoding == "whole"
    assert ranking.entries[0].encoding == "proxy"


def test_ordered_wishes_decide_one_after_the_other() -> None:
    """The first wish decides alone unless the difference is within the margin."""
    run = made(TWO)
    assert choose(run, wishes=("less scrub.jump.p50_ms", "less bitrate_bps")).recommendation == (
        "nimble"
    )
    assert choose(run, wishes=("less bitrate_bps", "less scrub.jump.p50_ms")).recommendation == (
        "small"
    )
    near = made((encoding("a bit faster", 20, 200), encoding("much smaller", 20.5, 100)))
    assert choose(near, wishes=("less scrub.jump.p50_ms", "less bitrate_bps")).recommendation == (
        "much smaller"
    )
    strict = {"wishes": ("less scrub.jump.p50_ms", "less bitrate_bps")}
    assert choose(near, **strict, indifference_fraction=0.0).recommendation == "a bit faster"


def test_weights_count_ratios() -> None:
    """Twice as fast against half the size: equal weights tie, and the heavier one decides."""
    run = made(TWO)
    for heavier, winner in (("less scrub.jump.p50_ms", "nimble"), ("less bitrate_bps", "small")):
        weights = {"less scrub.jump.p50_ms": 1.0, "less bitrate_bps": 1.0, heavier: 1.5}
        assert choose(run, weights=weights).recommendation == winner


def test_the_measurement_that_tips_the_choice_is_found_and_tips_it() -> None:
    """Making the run again with the figure beyond the stated value gives the stated choice."""
    run = made(TWO)
    wishes = {"wishes": ("less scrub.jump.p50_ms", "less bitrate_bps")}
    flip = next(
        point
        for point in choose(run, **wishes).tipping_points
        if point.wish is not None and point.wish.figure.task == "scrub"
    )
    assert flip.old_value == pytest.approx(
        choose(run, **wishes).find(flip.encoding).figures["scrub.jump.p50_ms"].point
    )
    assert flip.new_value == pytest.approx(flip.old_value * flip.ratio)
    nimble, small = TWO
    factor = flip.ratio * (1.02 if flip.ratio > 1 else 0.98)
    moved = {
        "nimble": (replace(nimble, jump_ms=nimble.jump_ms * factor), small),
        "small": (nimble, replace(small, jump_ms=small.jump_ms * factor)),
    }[flip.encoding]
    assert choose(made(moved), **wishes).recommendation == flip.then == "small"


def test_the_limit_that_tips_the_choice_is_found_and_tips_it() -> None:
    """Asking again with a limit just beyond the stated one gives the stated choice."""
    run = made(TWO, rounds=10)
    wishes = {"wishes": ("less bitrate_bps",)}
    first = choose(run, needs=("scrub.jump.p95_ms <= 100",), **wishes)
    assert first.recommendation == "small"
    [flip] = limits(first)
    assert flip.then == "nimble"
    below = f"scrub.jump.p95_ms <= {flip.new_value * 0.98}"
    above = f"scrub.jump.p95_ms <= {flip.new_value * 1.02}"
    assert choose(run, needs=(below,), **wishes).recommendation == "nimble"
    assert choose(run, needs=(above,), **wishes).recommendation == "small"


def test_no_encoding_meets_and_the_nearest_is_named() -> None:
    """The nearest is the one whose worst miss is the smallest, with the miss."""
    run = made(TWO)
    choice = choose(run, needs=("scrub.jump.p50_ms <= 10", "bitrate_bps <= 50 Mbit/s"))
    assert (choice.verdict, choice.recommendation) == ("none meets", None)
    # nimble: 20 over 10 and 200 over 50 (300 % beyond); small: 40 over 10 (300 %) and 100 over 50.
    nearest = choice.nearest[0]
    worst = {
        miss.encoding: max(-(r.margin_fraction or 0) for r in miss.missed)
        for miss in choice.nearest
    }
    assert nearest.encoding == min(worst, key=lambda name: worst[name])


def test_a_missed_fact_is_further_than_any_number() -> None:
    """Alpha cannot be nearly there: those that miss only a number come first."""
    choice = choose(made(THREE, rounds=10), needs=("intra = true", "scrub.jump.p95_ms <= 1"))
    assert choice.verdict == "none meets"
    assert choice.nearest[-1].encoding == ORIGINAL
    assert missed(choice.find(ORIGINAL)) == ["intra = true", "scrub.jump.p95_ms <= 1"]


def test_what_was_not_measured_is_not_passed() -> None:
    """A need without a figure in the run is said to be not shown, for every encoding."""
    choice = choose(made(THREE), needs=("fidelity.delta_e_max <= 1", "scrub.jump.p95_ms <= 1000"))
    assert [need.text for need in choice.needs_not_shown] == ["fidelity.delta_e_max <= 1"]
    assert {entry.needs[0].outcome for entry in choice.encodings} == {"not shown"}


def test_wishes_that_were_not_measured_are_left_out_and_named() -> None:
    """What is wished for but unknown cannot decide; where nothing is known that is an error."""
    run = made(THREE)
    choice = choose(run, wishes=("less fidelity.delta_e_max", "less bitrate_bps"))
    assert [wish.goal for wish in choice.wishes] == ["less bitrate_bps"]
    assert [wish.goal for wish in choice.wishes_not_measured] == ["less fidelity.delta_e_max"]
    assert "less scrub.jump.p50_ms" in [wish.goal for wish in choice.alternatives]
    with pytest.raises(ScenarioError, match="none of the wishes was measured"):
        choose(run, wishes=("less fidelity.delta_e_max",))


def test_the_original_needs_no_encode() -> None:
    """It passes needs of encode speed, is first in the wish for it, and no weight can weigh it."""
    run = made(THREE)
    asked = choose(run, needs=("encode.throughput_fps >= 1000",), wishes=("less bitrate_bps",))
    assert asked.recommendation == ORIGINAL
    assert choose(run, wishes=("more encode.throughput_fps",)).recommendation == ORIGINAL
    weighed = choose(run, weights={"more encode.throughput_fps": 1.0})
    assert weighed.find(ORIGINAL).status == "not judged"
    assert [lack.kind for lack in weighed.find(ORIGINAL).lacks] == ["no weight"]
    assert weighed.recommendation == "VC-3 SQ"


def test_an_original_that_meets_the_needs_is_not_outclassed() -> None:
    """Where a need says how footage must play, the original that meets it comes first though
    another one beats it in every wish; only without such a need is it outclassed."""
    run, wish = made(THREE), ("less scrub.jump.p50_ms",)
    plain = choose(run, wishes=wish)
    assert (plain.recommendation == ORIGINAL, plain.find(ORIGINAL).front) == (False, "off it")
    spared = choose(run, wishes=wish, needs=("scrub.jump.p50_ms <= 100000",))
    assert (spared.recommendation, spared.find(ORIGINAL).front) == (ORIGINAL, "on it")
    assert "nothing has to be made" in choice_note(spared)
    assert "nothing has to be made" not in choice_note(plain)


def test_the_note_says_how_long_the_wait_is_below_which_none_counts_as_shorter() -> None:
    """At 50 frames a second a frame is 20 ms; without a wish for a wait nothing is said of it."""
    run = made(THREE).at(50)
    assert "less than a frame, 20.0 ms" in choice_note(
        choose(run, wishes=("less scrub.jump.p50_ms",))
    )
    assert "frame" not in choice_note(choose(run, wishes=("less bitrate_bps",)))


def test_a_codec_or_container_that_nothing_has_is_an_error() -> None:
    """A misspelt value of a fact is no need that nobody meets: the error names the nearest and the
    legal ones; those of the runs are legal too, whatever their capitals."""
    run = made(THREE)
    for need, nearest in (("codec = VC3", "VC-3"), ("container = mfx", "mxf")):
        with pytest.raises(ScenarioError, match="is not a co") as failure:
            choose(run, needs=(need,))
        assert failure.value.remedy.startswith(f"Nearest: {nearest}")
        assert "Legal: " in failure.value.remedy
    with pytest.raises(ScenarioError) as failure:
        choose(run, needs=("codec = zzzz",))
    assert failure.value.remedy.startswith("Legal: ")
    met = {encoding.codec for encoding in run.manifest.encodings}
    for codec in met:
        assert choose(run, needs=(f"codec = {codec.upper()}",)).verdict == "recommended"


def test_wrong_pictures_bar_an_encoding() -> None:
    """However fast: an encoding that showed wrong pictures is not judged, and says why."""
    liar = FabricatedEncoding(name="liar", jump_ms=1, bitrate_bps=1e6, wrong_fraction=0.2)
    run = made((*TWO, liar))
    choice = choose(run)
    assert choice.find("liar").status == "not judged"
    scrubs = [t for t in run.trials if t.cell.encoding == "liar" and t.cell.task == "scrub"]
    wrong = sum(trial.measurement.proof.count("wrong") for trial in scrubs)
    assert choice.find("liar").lacks == (Lack(kind="wrong pictures", have=wrong),)
    assert choice.recommendation == "nimble"


def test_two_alike_are_not_told_apart_and_share_the_chance() -> None:
    """Equal encodings: neither is surely ahead, and their chances add up to all."""
    choice = choose(
        made((encoding("one", 20, 100), encoding("two", 20, 100), encoding("slow", 80, 100))),
        wishes=("less scrub.jump.p50_ms",),
    )
    assert {choice.recommendation, choice.runner_up} == {"one", "two"}
    assert not choice.is_told_apart
    total = sum(choice.find(name).chance_best or 0 for name in ("one", "two"))
    assert total == pytest.approx(1)
    assert choice.tied == choice.runner_up


def test_who_is_equal_in_every_draw_is_as_likely_the_best() -> None:
    """Two encodings with the same figures in every round: half a chance each, nobody recommended,
    and no wish sets them apart."""
    still = Spread(sample=0, trial=0, round=0)
    choice = choose(
        made((encoding("one", 20, 100), encoding("two", 20, 100)), spread=still),
        wishes=("less scrub.jump.p50_ms",),
    )
    assert [choice.find(name).chance_best for name in ("one", "two")] == [0.5, 0.5]
    assert (choice.verdict, choice.chance_ahead, choice.decided_by) == ("ahead", 0.5, None)


def test_a_doubt_names_the_one_that_it_is_about() -> None:
    """`steady` is second in every round and so never the best; `erratic` is third on the whole and
    the best in some rounds: that one may be the better choice, and stands beside the chosen one."""
    speeds = {"leader": (20, 20, 20, 20), "steady": (22, 22, 22, 22), "erratic": (14, 30, 16, 40)}
    figure = parse_figure("scrub.jump.p50_ms", where="test")
    samples = {name: samples_of(np.log(values), "ms") for name, values in speeds.items()}
    request = ChoiceRequest(needs=(), wishes=parse_wishes([f"less {figure.name}"]))
    draws = draw_figures({figure: samples}, tuple(speeds), rng=np.random.default_rng(1))
    choice = choose_among(request, draws, dict.fromkeys(speeds, ()), {})
    assert (choice.leader, choice.runner_up, choice.tied) == ("leader", "erratic", "erratic")
    assert choice.find("steady").chance_best == 0


def test_a_met_need_is_told_of_the_clip_nearest_to_its_limit() -> None:
    """One that is open is told of the clip that is the least sure, however far from the limit."""
    need, one = (
        Need.parse("scrub.jump.p50_ms <= 100"),
        SimpleNamespace(estimate=None, no_number=None, sides=None),
    )
    for p_wide, told in ((0.01, ("meets", "near")), (0.2, ("open", "wide"))):
        clips = (("wide", -3.0, p_wide), ("near", -1.0, 0.0))
        parts = [
            _Part(clip=clip, one=one, excess=np.array([excess]), p_met=p_met, p_missed=1 - p_met)
            for clip, excess, p_met in clips
        ]
        found = _result(need, parts, 1.0, 1.0, 0.05)
        assert (found.outcome, found.clip) == told


def test_who_is_never_the_best_is_not_offered_beside_the_choice() -> None:
    """In 12 of 100 draws the leader is slow, and in each of these one of three erratic ones is the
    fastest: `steady` is before the leader as often, but never the one to choose; the runner-up is
    the second likeliest."""
    names = ("leader", "steady", "erratic 1", "erratic 2", "erratic 3")
    figure = parse_figure("scrub.jump.p50_ms", where="test")
    points_ms = np.array([20.0, 22.0, 30.0, 30.0, 30.0])
    draws_ms = np.tile(points_ms, (100, 1))
    draws_ms[:12, 0] = 40.0
    for place in range(12):
        draws_ms[place, 2 + place // 4] = 10.0
    samples = {
        name: samples_of(np.log([ms] * 4), "ms") for name, ms in zip(names, points_ms, strict=True)
    }
    draws = replace(
        draw_figures({figure: samples}, names, rng=np.random.default_rng(1)),
        draws=np.log(draws_ms)[:, :, np.newaxis],
    )
    request = ChoiceRequest(needs=(), wishes=parse_wishes([f"less {figure.name}"]))
    choice = choose_among(request, draws, dict.fromkeys(names, ()), {})
    assert (choice.leader, choice.runner_up) == ("leader", "erratic 1")
    assert (choice.chance_best, choice.chance_ahead) == (0.88, 0.88)
    assert choice.find("steady").chance_best == 0
    assert (choice.tied, choice.is_rivalled) == (None, False)


def test_pairing_by_round_finds_what_rounds_alone_would_hide() -> None:
    """Rounds differ by 10 %, encodings by 2 % within each: the better one is sure."""
    spread = Spread(sample=0.001, trial=0.001, round=0.1)
    run = made((encoding("a", 20, 100), encoding("b", 20.4, 100)), spread=spread)
    choice = choose(run, wishes=("less scrub.jump.p50_ms",))
    assert (choice.recommendation, choice.is_told_apart) == ("a", True)
    low, high = (choice.find(n).figures["scrub.jump.p50_ms"] for n in ("b", "a"))
    assert low.low is not None
    assert high.high is not None
    assert low.low < high.high


def test_two_rounds_state_no_chance_and_rule_nobody_out() -> None:
    """Too few rounds for an interval: the answer says so in place of a number."""
    choice = choose(made(TWO, rounds=2), needs=("scrub.jump.p95_ms <= 5",))
    assert choice.chance_best is None
    assert {entry.status for entry in choice.encodings} == {"open"}
    assert (choice.is_thin, choice.unit_count) == (True, 2)


def test_a_need_near_its_limit_is_open_and_a_sure_one_is_preferred() -> None:
    """A coin's toss on a need leads only where it is the likelier choice; its chance is stated."""
    run = made((encoding("edge", 20, 100), encoding("sure", 15, 200)), spread=Spread())
    limit = choose(run).find("edge").figures["scrub.jump.p50_ms"].point
    choice = choose(run, needs=(f"scrub.jump.p50_ms <= {limit}",), wishes=("less bitrate_bps",))
    edge = choice.find("edge")
    assert edge.status == "open"
    assert edge.needs[0].chance == pytest.approx(0.5, abs=0.02)
    assert edge.chance_best == edge.needs[0].chance
    assert (choice.recommendation, choice.verdict) == ("edge", "ahead")
    assert choice.find("sure").front == "may be on it"  # only where the smaller one meets the need
    tighter = choose(run, needs=(f"scrub.jump.p50_ms <= {limit * 0.99}",), wishes=(SMALL,))
    assert (tighter.recommendation, tighter.verdict) == ("sure", "ahead")
    assert tighter.chance_best + tighter.find("edge").chance_best == pytest.approx(1, abs=0.001)


def test_the_front_holds_all_trade_offs_and_no_loser() -> None:
    """Fast-and-large and slow-and-small are both on it; what is beaten in both is off it."""
    loser = encoding("loser", 50, 300, 30)
    choice = choose(made((*TWO, loser)), wishes=("less scrub.jump.p50_ms", "less bitrate_bps"))
    fronts = {entry.encoding: entry.front for entry in choice.encodings}
    assert fronts == {"nimble": "on it", "small": "on it", "loser": "off it"}


def test_several_runs_are_put_together_or_refused() -> None:
    """Three runs are three units; runs of two machines are no choice."""
    runs = [made(THREE, seed=seed) for seed in (1, 2, 3)]
    together = choose_encoding(runs, ChooseSettings())
    assert (together.unit, together.unit_count) == ("run", 3)
    assert choose_encoding(runs[:2], ChooseSettings()).unit_count == 12
    with pytest.raises(RunError, match="host label differs"):
        choose_encoding([runs[0], made(THREE, host_label="other")], ChooseSettings())


def test_crashes_cost_their_rounds_not_the_others() -> None:
    """An encoding that lost one round is judged by the rounds that all have."""
    frail = replace(TWO[0], name="frail", fails="killed")
    choice = choose(made((*TWO, frail)))
    assert choice.unit_count == 5
    assert choice.find("frail").status == "meets"


def without(run: Run, **lacking: object) -> Run:
    """The run as if trials with these attributes (of the trial or its cell) had never been."""
    return replace(
        run,
        trials=tuple(
            trial
            for trial in run.trials
            if any(
                getattr(trial, key, getattr(trial.cell, key, None)) != value
                for key, value in lacking.items()
            )
        ),
    )


def failing(run: Run, name: str, rounds: tuple[int, ...]) -> Run:
    """The run where every trial of an encoding failed in these rounds."""
    return replace(
        run,
        trials=tuple(
            trial.model_copy(update={"outcome": "failed", "measurement": None})
            if trial.cell.encoding == name and trial.round_index in rounds
            else trial
            for trial in run.trials
        ),
    )


@pytest.mark.parametrize(("rounds", "lost"), [(3, (2,)), (3, (0,)), (4, (1, 3))])
def test_one_with_too_few_rounds_does_not_take_the_chances_of_all(
    rounds: int, lost: tuple[int, ...]
) -> None:
    """Two rounds of one encoding carry no chance: it is left out and named, and the others are
    judged by all of theirs."""
    run = failing(made((*TWO, encoding("frail", 30, 150)), rounds=rounds), "frail", lost)
    choice = choose(run)
    assert choice.find("frail").status == "not judged"
    lack = choice.find("frail").lacks[0]
    assert (lack.kind, lack.have, lack.of, lack.unit) == ("few units", 2, rounds, "round")
    assert (choice.recommendation, choice.unit_count) == ("nimble", rounds)
    assert choice.chance_best is not None


def test_whose_turn_never_came_is_not_left_out() -> None:
    """Stopped in the third round before the turn of one encoding: two whole rounds tell nothing
    of anybody, and nobody is preferred for having been first."""
    run = without(made(TWO, rounds=3, stop_reason=""), encoding="small", round_index=2)
    choice = choose(run)
    assert choice.find("small").status == "meets"
    assert (choice.chance_best, choice.is_thin, choice.unit_count) == (None, True, 2)


def test_a_round_counts_only_with_all_its_clips() -> None:
    """A round that lacks a clip is easier or harder than others, and is left out for everybody."""
    run = made(TWO, clips=("street", "forest"))
    assert choose(run).unit_count == 6
    lacking = without(run, encoding="small", clip="forest", round_index=0)
    assert choose(lacking).unit_count == 5


def test_an_encoding_that_lacks_what_others_have_is_not_judged() -> None:
    """Not measured is not passed, even by one encoding only; the others stay judged."""
    run = without(made(TWO), encoding="nimble", task="encode")
    choice = choose(run, needs=("encode.throughput_fps >= 10",), wishes=("less bitrate_bps",))
    nimble = choice.find("nimble")
    assert (nimble.status, nimble.chance_all) == ("not judged", None)
    assert nimble.lacks == (Lack(kind="not measured", need=choice.needs[0]),)
    assert choice.needs_not_shown == ()
    assert choice.recommendation == "small"


def test_a_tie_in_the_last_wish_goes_back_to_the_first() -> None:
    """Equal sizes and a difference that may be waived: the faster one, not the first named."""
    pair = (encoding("a slower", 20.4, 100), encoding("b faster", 20, 100))
    choice = choose(made(pair), wishes=("less scrub.jump.p50_ms", "less bitrate_bps"))
    assert choice.recommendation == "b faster"


def test_one_setting_can_be_meant() -> None:
    """With a thread count the figure is of that setting, without it of the best."""
    run = made(THREE)
    best = choose(run, wishes=("more encode.throughput_fps",)).find("VC-3 SQ")
    single = choose(run, wishes=("more encode.1t.throughput_fps",)).find("VC-3 SQ")
    assert best.settings["encode.throughput_fps"]["threads"] == 4
    assert single.settings["encode.1t.throughput_fps"]["threads"] == 1
    assert single.figures["encode.1t.throughput_fps"].point == pytest.approx(140, rel=0.1)


@pytest.mark.parametrize("is_best_setting", [True, False])
def test_a_figure_of_any_task_can_be_asked_for(
    monkeypatch: pytest.MonkeyPatch, is_best_setting: bool
) -> None:
    """A task and a figure that exist only here are needed and wished for like all others, and what
    to add is told by the task's own table."""
    rate = Figure(
        name="rate_fpm",
        unit="frames/min",
        of=lambda seen: 60e9 * seen.measured.frame_count / seen.measured.wall_ns,
        better="more",
        meaning="rewrap speed",
    )
    row = replace(TASKS["encode"], name="rewrap", figures=(rate,), is_best_setting=is_best_setting)
    monkeypatch.setitem(TASKS, "rewrap", row)
    run = made(TWO)
    trials = [
        trial.model_copy(update={"cell": trial.cell.model_copy(update={"task": "rewrap"})})
        for trial in run.trials
        if trial.cell.task == "encode"
    ]
    rewrapped = replace(run, trials=(*run.trials, *trials))
    choice = choose(
        rewrapped, needs=("rewrap.1t.rate_fpm >= 3600",), wishes=("more rewrap.rate_fpm",)
    )
    assert choice.recommendation == "small"
    assert missed(choice.find("nimble")) == ["rewrap.1t.rate_fpm >= 3600"]
    assert "more rewrap.rate_fpm" in [w.goal for w in choose(rewrapped).alternatives]
    unmeasured = choose(run, needs=("rewrap.9t.rate_fpm >= 3000",))
    assert list(unmeasured.how_to_measure.values()) == [Addition(task="rewrap", is_new_table=True)]


def test_the_command_line_goes_before_the_scenario() -> None:
    """Needs given replace the table's needs and leave its wishes, and the other way round."""
    table = ChooseSettings.model_validate(
        {"needs": ["alpha = true"], "weights": {"less bitrate_bps": 2.0}}
    )
    scenario = made(TWO).manifest.scenario.model_copy(update={"choose": table})
    by_need = settings_for([scenario], needs=["intra = true"])
    assert ([need.text for need in by_need.needs], by_need.goals) == (["intra = true"], table.goals)
    by_wish = settings_for([scenario], wishes=["less gb_per_hour"])
    assert (by_wish.needs, by_wish.goals) == (table.needs, parse_wishes(["less gb_per_hour"]))
    assert settings_for([scenario]) == table


def test_levels_that_the_command_takes_are_legal_and_others_told() -> None:
    """The least and the greatest `--level` are chosen at; a level beyond is refused by its name."""
    level = get_args(OPTIONS["level"])[1]
    for edge in (level.min, level.max):
        settings = settings_for([], confidence_level=edge)
        assert choose_encoding([made(TWO)], settings).confidence_level == edge
    for beyond in (0.49, 1.0):
        with pytest.raises(ScenarioError, match=f"choose, confidence_level: {beyond} is not legal"):
            settings_for([], confidence_level=beyond)


def test_the_answer_is_data_and_the_same_every_time() -> None:
    """JSON out and in gives the same choice; asking twice gives the same bytes."""
    texts = {
        choose(made(EIGHT), needs=("scrub.jump.p95_ms <= 100",)).model_dump_json() for _ in range(2)
    }
    assert len(texts) == 1
    [text] = texts
    assert Choice.model_validate_json(text).model_dump_json() == text
    assert not [key for key in json.loads(text) if "score" in key]


@pytest.mark.parametrize(("rounds", "verdict", "short"), [(4, "ahead", 1), (5, "recommended", 0)])
def test_fewer_than_five_rounds_recommend_nobody(rounds: int, verdict: str, short: int) -> None:
    """However sure: four rounds name who is ahead and how many are missing."""
    choice = choose(made(TWO, rounds=rounds, spread=QUIET), wishes=("less scrub.jump.p50_ms",))
    assert choice.chance_best >= 0.95
    assert (choice.verdict, choice.rounds_short, choice.rounds_missing or 0) == (
        verdict,
        short,
        short,
    )


MIDDLE_MS, LOG_STEP = 210.0, 0.2283
"""Three rounds at MIDDLE / e^LOG_STEP, MIDDLE and MIDDLE · e^LOG_STEP: 210 ms [119, 370]."""


def of_clips(orders: Sequence[tuple[int, int, int]], *exact: str) -> JudgedEncoding:
    """An encoding with these rounds on each clip, by a need of 100 ms and further exact ones that
    it meets on every clip."""
    wait, *further = (Need.parse(text) for text in ("scrub.jump.p50_ms <= 100", *exact))
    logs = [[math.log(MIDDLE_MS) + LOG_STEP * place for place in order] for order in orders]
    clips = {f"clip {n}": samples_of(of_clip, "ms") for n, of_clip in enumerate(logs)}
    samples = {wait.figure: {"e": replace(samples_of(logs[0], "ms"), clips=clips)}}
    for need in further:
        point = FigureSamples(point=0.0, estimate=Estimate.exact(1.0, need.figure.unit))
        samples[need.figure] = {"e": replace(point, clips=dict.fromkeys(clips, point))}
    request = ChoiceRequest(needs=(wait, *further), wishes=parse_wishes(["less scrub.jump.p50_ms"]))
    draws = draw_figures(samples, ("e",), rng=np.random.default_rng(1))
    return choose_among(request, draws, {"e": ()}, {}).find("e")


def p_value_of_each() -> float:
    """That of 100 ms on one clip: Student's t with 2 degrees of freedom in closed form."""
    t = math.log(MIDDLE_MS / 100) / (LOG_STEP / math.sqrt(3))
    return 0.5 - t / (2 * math.sqrt(2 + t**2))


FOUR_ORDERS = ((-1, 0, 1), (1, 0, -1), (0, -1, 1), (0, 1, -1))


def test_a_need_that_is_open_though_hardly_met_says_why() -> None:
    """Each of four clips lies beyond the limit with 98.5 %, all of them never below it together;
    Holm's correction over the four leaves 4 × 1.5 %, which is more than 5 %: open, with that share
    beside the chance. With one clip alone it is missed."""
    entry = of_clips(FOUR_ORDERS)
    [found] = entry.needs
    assert (entry.status, found.outcome, found.chance) == ("open", "open", 0.0)
    assert found.noise_fraction == pytest.approx(4 * p_value_of_each())
    assert need_text(found) == (
        f"scrub.jump.p50_ms <= 100: 210 ms [119, 370], 2.1× the limit on {found.clip} (open: < 1 % "
        "likely to meet it on every clip, but one that meets every need looks so by noise in up to "
        "6.1 % of runs)"
    )
    assert outcome_text(found) == "? open, likely missed"
    [alone] = of_clips(FOUR_ORDERS[:1]).needs
    assert (alone.outcome, alone.noise_fraction) == ("misses", None)
    assert outcome_text(alone) == "✕ missed"


def test_needs_that_are_known_exactly_take_no_share_of_the_error() -> None:
    """On two clips a miss at 1.5 % each is sure at 2 × 1.5 %, however many exact needs beside it
    are met."""
    exact = ("fidelity.delta_e_max <= 2", "bitrate_bps <= 400 Mbit/s")
    entry = of_clips(FOUR_ORDERS[:2], *exact)
    assert [found.outcome for found in entry.needs] == ["misses", "meets", "meets"]


def test_a_tail_that_is_open_though_likely_met_says_why() -> None:
    """A claim reckons with bad trials that a chance does not: 98 % of moves within the limit in ten
    trials of 24 are likely the 95 % that is asked for, and not surely."""
    need = Need.parse("scrub.jump.p95_ms <= 100")
    one = SimpleNamespace(estimate=None, no_number=None, sides=None)
    part = _Part(clip="c", one=one, excess=np.array([-1.0]), p_met=0.08, p_missed=0.92, share=0.98)
    found = _result(need, [part], 0.97, 0.92, 0.05)
    assert (found.outcome, found.noise_fraction) == ("open", 0.08)
    value = Estimate.exact(80.0, "ms").model_copy(update={"round_count": 10})
    assert need_text(found.model_copy(update={"value": value})).endswith(
        "(open: 97 % likely to meet it, but one that misses it looks so by noise in up to 8.0 % of "
        "runs)"
    )
    assert outcome_text(found) == "? open, likely met"

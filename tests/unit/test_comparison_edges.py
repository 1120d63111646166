"""Where a comparison of runs turns: limits, pairs of cells, what runs differ by, loads."""

import math
from collections.abc import Sequence

import numpy as np
import pytest
from scipy import stats

from fixtures.fabricated_run import Fabrication, fabricate_clip, fabricate_manifest
from fixtures.two_sides import CLIP, ENCODE, ENCODE_WIDE, QUIET, SCRUB, Run, build_run
from mezzmark.decide.compare.evidence import (
    Sides,
    findable_fraction,
    gather_all,
    gather_evidence,
    kernel_change,
    machine_moved,
    read_run_spreads,
)
from mezzmark.decide.compare.matching import find_absences, match_cells, no_common_clip
from mezzmark.decide.compare.regress import compare_runs
from mezzmark.decide.compare.verdicts import Reason, RunSpread, judge_evidence, verdict_of
from mezzmark.decide.estimate.observed_run import RunCosts
from mezzmark.model.cell import Cell, Setting
from mezzmark.model.records import HostMoment
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.grid import GridSettings
from mezzmark.statistics.intervals import Interval
from mezzmark.statistics.paired import Change

T = 0.25
"""A tolerance whose limits, 1.25 and 0.8, are exact."""

SAME = (0.9, 1.1)


def interval(limits: tuple[float, float]) -> Interval:
    low, high = limits
    return Interval(
        point=math.sqrt(low * high), low=low, high=high, confidence_level=0.95, count=8, method=""
    )


@pytest.mark.parametrize(
    ("limits", "typical", "verdict"),
    [
        ((1.2500001, 1.5), SAME, "regressed"),
        ((1.25, 1.5), SAME, "slower"),
        ((1.0000001, 1.3), SAME, "slower"),
        ((1.0, 1.3), SAME, "inconclusive"),
        ((0.8, 1.25), SAME, "equivalent"),
        ((0.8, 1.25), (1.25, 1.3), "equivalent"),
        ((0.7999999, 1.2), SAME, "inconclusive"),
        ((0.9, 1.2500001), SAME, "inconclusive"),
        ((0.5, 0.7999999), SAME, "improved"),
        ((0.5, 0.8), SAME, "inconclusive"),
        ((1.0, 1.1), (1.2500001, 1.3), "inconclusive"),
        ((1.0000001, 1.1), (1.2500001, 1.3), "slower"),
        ((0.5, 0.6), (1.2500001, 1.3), "inconclusive"),
    ],
)
def test_each_verdict_turns_at_its_limit(
    limits: tuple[float, float], typical: tuple[float, float], verdict: str
) -> None:
    """At the tolerance of 25 % nothing is beyond it and everything within; just past it, the next
    verdict; a typical trial surely slower leaves "equivalent" and "improved" open."""
    assert verdict_of(interval(limits), interval(typical), tolerance_fraction=T) == verdict


def side(*runs: Sequence[float], cell: Cell = ENCODE) -> list[RunCosts]:
    return [
        RunCosts(by_cell={cell: {(k, 0): math.exp(log) for k, log in enumerate(logs)}}, kernel={})
        for logs in runs
    ]


def test_intervals_carry_the_level_that_all_cells_hold_together() -> None:
    """Two cells at 90 % together: each interval is made at 95 % and is called one of 90 %."""
    found = gather_evidence(ENCODE, Sides(side(QUIET), side(QUIET[::-1]), "interleaved"))
    judged = judge_evidence([found] * 2, tolerance_fraction=T, confidence_level=0.9)[0]
    assert (judged.interval.confidence_level, judged.typical.confidence_level) == (0.9, 0.9)
    alone = found.typical.interval(confidence_level=0.95)
    assert (judged.typical.low, judged.typical.high) == pytest.approx((alone.low, alone.high))


def test_the_spread_of_runs_enters_single_runs_and_no_others() -> None:
    """One run a side: √2 times the task's spread with its degrees, at both levels; in turn: none;
    of a task that nobody knows: 1 %, as if known for sure."""
    sides = side(QUIET), side(QUIET[::-1])
    known = {"encode": RunSpread(task="encode", sd_fraction=0.03, degrees=4, run_count=5)}
    (found,) = gather_all([ENCODE], Sides(*sides, "separate", known)).values()
    for change in (found.undisturbed, found.typical):
        assert (change.run_error, change.run_degrees) == pytest.approx((0.03 * math.sqrt(2), 4))
    other = gather_evidence(ENCODE, Sides(*sides, "separate", {"scrub": known["encode"]})).typical
    assert (other.run_error, other.run_degrees) == pytest.approx((0.01 * math.sqrt(2), math.inf))
    for design in ("interleaved", "several runs"):
        runs = [part * 2 for part in sides]
        in_turn = gather_evidence(ENCODE, Sides(*runs, design, known))
        assert in_turn.undisturbed.run_error == 0


def test_runs_as_units_have_both_levels() -> None:
    """Two runs a side, a third of the rounds of each candidate 30 % slower, not the same ones: the
    undisturbed level did not change, the mean round did by a tenth in the log."""
    slow = [0.3 * (np.arange(9) % 3 == k) for k in range(2)]
    sides = side(np.zeros(9), np.zeros(9)), side(*slow)
    (found,) = gather_all([ENCODE], Sides(*sides, "several runs")).values()
    assert found.undisturbed.log_ratio == pytest.approx(0, abs=1e-9)
    assert found.typical.log_ratio == pytest.approx(0.1, abs=1e-9)


def test_a_side_whose_runs_are_all_too_short_gives_no_evidence() -> None:
    """Four runs of which both of one side have two rounds."""
    short, long = side([0, 0], [0, 0]), side([0] * 4, [0] * 4)
    assert gather_evidence(ENCODE, Sides(short, long, "several runs")) is None
    assert gather_evidence(ENCODE, Sides(long, short, "several runs")) is None


def past(levels: Sequence[float], noise: float = 0.0, rounds: int = 3) -> list[Run]:
    rng = np.random.default_rng(3)
    return [
        build_run(
            {ENCODE: level + noise * rng.standard_normal(rounds)}, run_id=f"p{k}", start_minute=k
        )
        for k, level in enumerate(levels)
    ]


def test_the_spread_of_runs_is_what_their_rounds_do_not_explain() -> None:
    """Six runs of three rounds, 10 % apart: so much, less their rounds' 2 %; equal runs of rounds
    that spread by 10 %: little is left; a run that lacks the cell is passed over."""
    levels = 0.1 * stats.zscore(np.arange(6.0), ddof=1)
    like = build_run({ENCODE: QUIET}, run_id="like")
    lacking = build_run({SCRUB: QUIET}, run_id="lacking")
    spread = read_run_spreads([*past(levels, 0.02), lacking], like, ())["encode"]
    assert spread.sd_fraction == pytest.approx(0.1, rel=0.15)
    assert (spread.degrees, spread.run_count) == (5, 6)
    noisy = read_run_spreads(past([0.0] * 6, 0.1, rounds=24), like, ())["encode"]
    assert noisy.sd_fraction < 0.015
    assert read_run_spreads(past(levels), like, ["p0", "p1", "p2", "p3"]) == {}


@pytest.mark.parametrize("run_count", [1, 3])
def test_what_a_comparison_will_find_is_the_power_of_its_t_test(run_count: int) -> None:
    """Four scrub cells and two encode cells of nine rounds: the undisturbed third spreads by
    2 %/√3, runs by 1 %; the change found nine times in ten at a sixth of 5 %, with the degrees
    of the task that has fewer cells, on top of the tolerance (scipy's noncentral t)."""
    cells = [Cell(task="scrub", clip=f"{k}", encoding="e") for k in range(4)]
    cells += [ENCODE, ENCODE_WIDE]
    error = math.sqrt(2 / run_count) * math.hypot(0.02 / math.sqrt(3), 0.01)
    degrees = 2 * (run_count - 1) * 2 or 1e7
    found = findable_fraction(cells, 9, run_count=run_count, tolerance_fraction=0.05)
    shift = math.log((1 + found) / 1.05) / error
    reach = stats.t.ppf(1 - 0.05 / 6 / 2, degrees)
    assert stats.nct.sf(reach, degrees, shift) == pytest.approx(0.9, abs=0.002)


def test_the_kernel_moves_only_between_sides_measured_one_after_the_other() -> None:
    """A kernel surely 10 % slower or faster, of one or several runs a side: moved; in turn: not."""
    for log in (0.1, -0.1):
        change = Change(log_ratio=log, standard_error=0.001, degrees=7, count=8, method="")
        assert machine_moved(change, "separate")
        assert machine_moved(change, "several runs")
        assert not machine_moved(change, "interleaved")
    assert not machine_moved(None, "separate")
    few = [RunCosts(by_cell={}, kernel={0: 1.0, 1: 1.0})]
    assert kernel_change(Sides(few, few, "separate")) is None


def hosts(*core_counts: int, **made: object) -> tuple[Manifest, ...]:
    manifest = fabricate_manifest(Fabrication(**made))
    grid = GridSettings(threads=(1, "half"), jobs=(1, "all"))
    manifest = manifest.model_copy(update={"scenario": manifest.scenario.but(grid=grid)})
    facts = manifest.host
    return tuple(
        manifest.model_copy(update={"host": facts.model_copy(update={"usable_core_count": count})})
        for count in core_counts
    )


def test_other_counts_of_cores_are_compared_where_they_are_the_same_share() -> None:
    """1, half and all of 4 and of 16 cores are partners; 3 of 16 has none, nor has what differs in
    more than the counts; where the scenario asked for numbers, 4 is not 16."""
    manifests = hosts(4, 16, encode_threads=(1, 3, "half", "all"))
    four = [ENCODE.but(setting=Setting(threads=n)) for n in (1, 2, 4)]
    sixteen = [ENCODE.but(setting=Setting(threads=n)) for n in (1, 3, 8, 16)]
    found = match_cells(four, sixteen, manifests, ("a", "b"))
    assert found.equal == {four[0]: sixteen[0]}
    assert found.same_share == {four[1]: sixteen[2], four[2]: sixteen[3]}
    (refusal,) = found.refusals
    assert (refusal.cells, refusal.reasons[0].place) == ((sixteen[1],), "a")
    assert refusal.reasons[0].axes == ("threads",)
    grids = [
        [ENCODE.but(task="grid", setting=Setting(jobs=jobs, threads=threads)) for jobs in (1, n)]
        for n, threads in ((4, 2), (16, 8))
    ]
    assert match_cells(*grids, manifests, ("a", "b")).same_share == dict(zip(*grids, strict=True))
    looks = SCRUB.but(setting=SCRUB.setting.but(threads=4, pattern="near"))
    wide = SCRUB.but(setting=SCRUB.setting.but(threads=16))
    assert not match_cells([looks], [wide], manifests, ("a", "b")).same_share
    numbers = hosts(4, 16, encode_threads=(1, 4, 16))
    assert not match_cells([four[2]], [sixteen[3]], numbers, ("a", "b")).same_share


def footage(name: str, path: str = "", fingerprint: str = "0" * 16) -> Manifest:
    manifest = fabricate_manifest(Fabrication())
    clip = fabricate_clip(name, fingerprint=fingerprint)
    if path:
        original = clip.original.model_copy(update={"path": path})
        clip = clip.model_copy(update={"source": "own", "original": original})
    return manifest.model_copy(update={"clips": (clip,)})


def test_runs_of_other_clips_name_them_on_both_sides() -> None:
    """Own footage by the names of its files, whichever slashes part its folders."""
    sides = footage("one", "C:\\cards\\day 1\\A001.mov"), footage("two", "/x/y/B002.mov", "1" * 16)
    reason = Reason(kind="no_common_clip", before=("A001.mov",), after=("B002.mov",))
    assert no_common_clip(*sides) == reason
    cells = [ENCODE.but(clip="one")], [ENCODE.but(clip="two")]
    found = match_cells(*cells, sides, ("a", "b"))
    assert {cell: refusal.reasons for refusal in found.refusals for cell in refusal.cells} == {
        cells[0][0]: (reason,),
        cells[1][0]: (reason,),
    }


def test_what_is_lacking_is_named_by_the_nearest_cell_of_either_side() -> None:
    """A cell that differs in one axis is nearer than one that differs in two."""
    near = SCRUB.but(setting=SCRUB.setting.but(threads=2))
    far = SCRUB.but(setting=SCRUB.setting.but(pattern="near", policy="seek"))
    found = match_cells([SCRUB], [far, near], hosts(4, 4), ("a", "b"))
    reasons = {cell: item.reasons[0] for item in found.refusals for cell in item.cells}
    assert (reasons[SCRUB].axes, reasons[SCRUB].place) == (("threads",), "b")
    assert {reasons[cell].place for cell in (near, far)} == {"a"}
    assert set(reasons[far].axes) == {"pattern", "policy"}


def test_a_side_lacks_footage_only_where_no_run_across_has_a_clip_of_it() -> None:
    """Of two candidates one shares the baseline's clip: what the baseline lacks of the other's is
    a clip, and the other lacks all of the baseline's."""
    other = footage("elsewhere", fingerprint="1" * 16)
    there = ENCODE.but(clip="elsewhere")
    runs = [
        build_run({ENCODE: QUIET}, run_id="a", manifest=footage(CLIP)),
        build_run({there: QUIET}, run_id="b", manifest=other),
        build_run({ENCODE: QUIET}, run_id="c", manifest=footage(CLIP)),
    ]
    found = find_absences(runs[:1], runs[1:], [ENCODE, there], ["a", "b", "c"])
    assert (found[there].kind, found[there].place) == ("clip_missing", "a")
    assert found[ENCODE].kind == "no_common_clip"


def test_how_busy_each_side_was_stands_beside_the_verdict() -> None:
    """Median and highest of the load before trials, of waiting and of stolen time; None where the
    system tells nothing."""
    before = build_run({ENCODE: QUIET}, run_id="a")
    told = [
        trial.model_copy(
            update={
                "host_before": HostMoment(load_average_1m=float(k)),
                "host_during": HostMoment(cpu_pressure=k / 100, steal_fraction=k / 1000),
            }
        )
        for k, trial in enumerate(build_run({ENCODE: QUIET}, start_minute=100).trials)
    ]
    report = compare_runs([before], [Run(before.manifest, tuple(told))], tolerance_fraction=T)
    unknown, known = report.loads
    assert (unknown.side, known.side) == ("baseline", "candidate")
    assert (unknown.before, unknown.waiting, unknown.steal) == (None, None, None)
    assert known.before == (3.5, 7.0)
    assert (known.waiting, known.steal) == ((0.035, 0.07), (0.0035, 0.007))


def test_a_wider_family_and_a_spread_from_history_widen_every_interval() -> None:
    """Twenty cells shown beside one: wider, and a larger change is needed to be found; runs 10 %
    apart in the past: wider still. In turn no spread of runs is told."""
    sides = (
        build_run({ENCODE: QUIET}, run_id="a"),
        build_run({ENCODE: QUIET[::-1]}, run_id="b", start_minute=100),
    )
    earlier = past(0.1 * stats.zscore(np.arange(6.0), ddof=1), rounds=8)

    def judge(**options: object) -> tuple[float, float]:
        report = compare_runs(sides[:1], sides[1:], tolerance_fraction=T, **options)
        (cell,) = report.cells
        assert not cell.is_slower_in_part
        assert len(report.run_spreads) == 1
        return cell.cost_ratio.high, cell.detectable_fraction

    alone, family, history = judge(), judge(family=20), judge(history=earlier)
    assert alone < family < history
    assert alone[1] < family[1] < history[1]
    turns = [
        build_run({ENCODE: QUIET}, run_id=name, start_minute=at, minutes_per_round=2)
        for at, name in enumerate("ab")
    ]
    report = compare_runs(turns[:1], turns[1:], tolerance_fraction=T)
    assert (report.design, report.run_spreads) == ("interleaved", ())

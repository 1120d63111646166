"""Verdicts at their borders: few rounds, odd runs, several a side, self-comparisons."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from fixtures.fabricated_run import Fabrication, fabricate_manifest
from fixtures.two_sides import ENCODE, ENCODE_WIDE, KERNEL, QUIET, SCRUB, Run, build_run
from mezzmark.decide.compare.evidence import Sides, choose_design, gather_all, gather_evidence
from mezzmark.decide.compare.matching import find_unlikeness
from mezzmark.decide.compare.regress import compare_runs
from mezzmark.decide.compare.verdicts import Evidence, Judgement, Reason, judge_evidence
from mezzmark.decide.estimate.observed_run import RunCosts, costs_of, observe, read_costs
from mezzmark.decide.machine.noise import Cause, flag_trials
from mezzmark.model.cell import ALL_CLIPS
from mezzmark.model.records import HostMoment
from mezzmark.model.tasks.encode import EncodeSettings
from mezzmark.model.tasks.spec import ProcessFacts
from mezzmark.statistics.paired import Change
from mezzmark.statistics.spread import t_test_power

OTHER = QUIET[::-1]
PLUS_10 = math.log(1.10)
TOLERANCE = 0.05


def change(log_ratio: float, standard_error: float, count: int = 8) -> Change:
    return Change(
        log_ratio=log_ratio,
        standard_error=standard_error,
        degrees=count - 1,
        count=count,
        method="t",
    )


def only(change: Change) -> Judgement:
    evidence = Evidence(undisturbed=change, typical=change)
    (judgement,) = judge_evidence([evidence], tolerance_fraction=TOLERANCE, confidence_level=0.95)
    return judgement


def units_needed(change: Change) -> int | None:
    evidence = Evidence(undisturbed=change, typical=change)
    return evidence.units_needed(TOLERANCE, error_level=0.05)


@pytest.mark.parametrize(
    ("log_ratio", "room"), [(0.09, 0.09 - math.log(1.05)), (0.0, math.log(1.05))]
)
def test_rounds_needed_settle_the_cell_were_it_as_it_looks(log_ratio: float, room: float) -> None:
    """The fewest rounds with 90 % power at a spread of 6 %: for what lies beyond the tolerance of a
    change that looks like 9 %; for the whole tolerance where it looks like none."""
    seen = change(log_ratio, 0.06 / math.sqrt(8))
    assert only(seen).verdict in ("slower", "inconclusive")
    needed = units_needed(seen)
    assert needed is not None

    def power(rounds: int) -> float:
        return t_test_power(room * math.sqrt(rounds) / 0.06, degrees=rounds - 1, error_level=0.05)

    assert power(needed) >= 0.9 > power(needed - 1)


def test_no_number_of_rounds_settles_what_runs_differ_by() -> None:
    """At the tolerance itself, or with a run spread as large as the room to it: none; at least one
    more round else."""
    assert units_needed(change(math.log(1.05), 0.01)) is None
    assert units_needed(replace(change(0.0, 0.01), run_error=0.03)) is None
    assert units_needed(change(0.1, 0.001)) == 9


def test_the_detectable_change_is_that_of_both_errors_and_of_this_cells_level() -> None:
    """With 0.4 of rounds and 0.3 of runs the error is 0.5; of two cells each has half the level."""
    seen = replace(change(0.0, 0.04), run_error=0.03)
    assert (seen.whole_error, seen.whole_degrees) == pytest.approx((0.05, 7 * (5 / 4) ** 4))
    sides = (
        build_run(dict.fromkeys((ENCODE, ENCODE_WIDE), logs), run_id=run_id, start_minute=start)
        for logs, run_id, start in ((QUIET, "a", 0), (OTHER, "b", 100))
    )
    cells = compare(*sides).cells
    error = 0.01 * math.sqrt(2)
    for cell in cells:
        effect = math.log1p(cell.detectable_fraction) / error
        assert t_test_power(effect, degrees=1e6, error_level=0.025) == pytest.approx(0.9, abs=0.03)


def compare(baseline: Run, candidate: Run, tolerance: float = TOLERANCE):
    return compare_runs([baseline], [candidate], tolerance_fraction=tolerance)


@pytest.mark.parametrize("rounds", [3, 4])
def test_three_rounds_carry_a_verdict(rounds: int) -> None:
    """Three paired rounds of a quiet machine find +10 %, and their kernels compare."""
    first = build_run({ENCODE: QUIET[:rounds]}, kernel=QUIET[:rounds], run_id="a")
    second = build_run(
        {ENCODE: OTHER[:rounds] + PLUS_10}, kernel=OTHER[:rounds], run_id="b", start_minute=100
    )
    report = compare(first, second)
    assert report.cells[0].verdict == "regressed"
    assert report.cells[0].cost_ratio.round_count == rounds
    assert report.machine_ratio is not None


def test_three_unpaired_rounds_carry_an_interval() -> None:
    """Other requests and three rounds on a side: Welch's interval, and no verdict from two."""
    first = build_run({ENCODE: QUIET}, run_id="a")
    second = build_run({ENCODE: OTHER[:3]}, run_id="b", seed=2, start_minute=100)
    ratio = compare(first, second).cells[0].typical_ratio
    assert (ratio.round_count, ratio.method) == (3, "t on logs, unequal variances")
    short = build_run({ENCODE: OTHER[:2]}, run_id="b", seed=2, start_minute=100)
    [after], [before] = (compare(*two).cells for two in ((first, short), (short, first)))
    assert (after.cost_ratio, before.cost_ratio) == (None, None)
    assert (after.reasons[0].before, after.reasons[0].after) == ((), ("b",))
    assert (before.reasons[0].before, before.reasons[0].after) == (("b",), ())


def test_kernels_of_a_round_are_averaged_as_ratios() -> None:
    """Kernels of 1 and 4 times in a round count as 2, and flagged places as nothing."""
    run = build_run({KERNEL: [0.0, 0.0], ENCODE: QUIET[:2]}, kernel=None)
    late = [
        trial.model_copy(update={"position": trial.position + 2})
        for trial in build_run({KERNEL: np.log([4.0, 9.0])}).trials
    ]
    costs = read_costs([*run.trials, *late])
    ratios = [costs.kernel[index] / costs.kernel[0] for index in (0, 1)]
    assert ratios == pytest.approx([1.0, 3.0 / 2.0])
    assert costs.kernel[0] == pytest.approx(2 * 2000.0)
    without = costs_of(observe([*run.trials, *late]), excluded={(0, 0), (1, 1)})
    assert without.kernel[0] == pytest.approx(4 * 2000.0)
    assert list(without.by_cell[ENCODE]) == [(0, ("independent", 1000))]


def test_failed_trials_are_passed_over() -> None:
    """A trial that brought nothing costs its round and no other."""
    trials = list(build_run({ENCODE: QUIET}).trials)
    trials[2] = trials[2].model_copy(update={"outcome": "crashed", "measurement": None})
    costs = read_costs(trials)
    assert [index for index, _ in costs.by_cell[ENCODE]] == [0, 1, 3, 4, 5, 6, 7]


def test_two_baseline_runs_are_averaged_round_by_round() -> None:
    """Two runs against one are too few for a level of runs: rounds pair with the baseline's
    geometric mean, and the report says what it assumes."""
    first = build_run({ENCODE: QUIET + 0.02}, kernel=QUIET, run_id="a")
    second = build_run({ENCODE: OTHER - 0.02}, kernel=OTHER, run_id="b", start_minute=100)
    third = build_run({ENCODE: QUIET + PLUS_10}, kernel=QUIET, run_id="c", start_minute=200)
    report = compare_runs([first, second], [third], tolerance_fraction=TOLERANCE)
    assert report.design == "separate"
    ratio = report.cells[0].typical_ratio
    expected = QUIET + PLUS_10 - (QUIET + OTHER) / 2
    assert ratio.point == pytest.approx(math.exp(expected.mean()), rel=1e-6)
    own, spread = stats.sem(expected), 0.01 * math.sqrt(1 + 1 / 2)
    error = math.hypot(own, spread)
    reach = stats.t.ppf(0.975, error**4 / (own**4 / 7)) * error
    assert math.log(ratio.low) == pytest.approx(expected.mean() - reach, abs=1e-6)


def level_runs(levels: tuple[float, ...], **changes: object) -> list[Run]:
    return [
        build_run(
            {ENCODE: QUIET + level}, kernel=QUIET, run_id=f"r{k}", start_minute=60 * k, **changes
        )
        for k, level in enumerate(levels)
    ]


def test_several_runs_compare_over_their_common_rounds() -> None:
    """A candidate of five rounds: the baselines' first five are what it is held against."""
    shape = np.array([0, 0, 0, 0, 0, 0.5, 0.5, 0.5])
    baseline = [
        build_run({ENCODE: QUIET + shape + level}, run_id=f"b{k}", start_minute=60 * k)
        for k, level in enumerate((-0.01, 0.0, 0.01))
    ]
    candidate = build_run({ENCODE: QUIET[:5] + PLUS_10}, run_id="c", start_minute=500)
    report = compare_runs(baseline, [candidate], tolerance_fraction=TOLERANCE)
    ratio = report.cells[0].cost_ratio
    assert report.design == "several runs"
    assert ratio.point == pytest.approx(1.10, rel=1e-6)


def test_several_runs_of_other_requests_compare_all_their_rounds() -> None:
    """No common requests: means over all rounds of each run."""
    baseline = level_runs((-0.01, 0.0, 0.01))
    candidate = build_run(
        {ENCODE: QUIET[:3] + PLUS_10}, kernel=QUIET[:3], run_id="c", seed=2, start_minute=500
    )
    report = compare_runs(baseline, [candidate], tolerance_fraction=TOLERANCE)
    ratio = report.cells[0].typical_ratio
    expected = PLUS_10 + QUIET[:3].mean() - QUIET.mean()
    assert ratio.point == pytest.approx(math.exp(expected), rel=1e-6)
    assert report.machine_ratio.method == "t on logs of whole runs"


@pytest.mark.parametrize("short", ["candidate", "baseline"])
def test_a_run_of_two_rounds_is_no_unit(short: str) -> None:
    """Several runs, of which one is too short to count: the rest is too little, and it is named."""
    runs = level_runs((-0.01, 0.0, 0.01))
    stub = build_run({ENCODE: QUIET[:2]}, run_id="c", start_minute=500)
    sides = (runs, [stub]) if short == "candidate" else ([*runs[:2], stub], runs[2:])
    report = compare_runs(*sides, tolerance_fraction=TOLERANCE)
    assert report.design == "several runs"
    assert report.cells[0].verdict == "inconclusive"
    assert report.cells[0].cost_ratio is None
    [reason] = report.cells[0].reasons
    assert (reason.before, reason.after) == ((("c",), ()) if short == "baseline" else ((), ("c",)))


def design_of(
    starts: tuple[int, int], steps: tuple[int, int], rounds: tuple[int, int] = (8, 8)
) -> str:
    runs = [
        build_run({ENCODE: QUIET[:count]}, start_minute=start, minutes_per_round=step)
        for start, step, count in zip(starts, steps, rounds, strict=True)
    ]
    return choose_design(runs[:1], runs[1:])


def test_what_counts_as_measured_in_turn() -> None:
    """A B A B is in turn, whoever begins; AA BB AA BB too (a round and its mirror image); AAA BBB
    and one after the other are not; four rounds in all tell nothing, five do."""
    assert design_of((0, 1), (2, 2)) == "interleaved"
    assert design_of((1, 0), (2, 2)) == "interleaved"
    assert design_of((0, 100), (1, 1)) == "separate"
    assert design_of((100, 0), (1, 1)) == "separate"
    assert design_of((0, 1), (2, 2), rounds=(2, 2)) == "separate"
    assert design_of((0, 1), (2, 2), rounds=(3, 2)) == "interleaved"
    assert design_of((0, 3), (1, 1), rounds=(3, 3)) == "separate"
    assert design_of((3, 0), (1, 1), rounds=(3, 3)) == "separate"
    pairs = []
    for offset in (0, 2):
        run = build_run({ENCODE: QUIET})
        minutes = [4 * (k // 2) + k % 2 + offset for k in range(8)]
        trials = tuple(
            trial.model_copy(update={"started_utc": f"2026-03-01T10:{minute:02d}:00Z"})
            for trial, minute in zip(run.trials, minutes, strict=True)
        )
        pairs.append(Run(run.manifest, trials))
    assert choose_design(pairs[:1], pairs[1:]) == "interleaved"


def test_a_round_begins_with_its_first_trial() -> None:
    """Rounds of two cells in turn, seconds apart: their order is that of their first trials."""
    runs = []
    for offset in (0, 1):
        run = build_run(
            {ENCODE: QUIET, ENCODE_WIDE: QUIET}, start_minute=offset, minutes_per_round=2
        )
        trials = tuple(
            trial.model_copy(
                update={"started_utc": trial.started_utc.replace(":00Z", f":{40 * p:02d}Z")}
            )
            for trial in run.trials
            for p in [trial.position]
        )
        runs.append(Run(run.manifest, trials))
    assert choose_design(runs[:1], runs[1:]) == "interleaved"


def test_more_than_two_runs_are_never_in_turn() -> None:
    """Two baseline runs and a candidate, however their rounds fall."""
    runs = [build_run({ENCODE: QUIET}, start_minute=k, minutes_per_round=3) for k in range(3)]
    assert choose_design(runs[:2], runs[2:]) == "separate"
    assert choose_design(runs[:1], runs[1:]) == "separate"
    four = [*runs, build_run({ENCODE: QUIET}, start_minute=90)]
    assert choose_design(four[:3], four[3:]) == "several runs"
    host = four[3].manifest.host.model_copy(update={"cpu_model": "another processor"})
    elsewhere = Run(four[3].manifest.model_copy(update={"host": host}), four[3].trials)
    assert choose_design(four[:3], [elsewhere]) == "two machines"


def test_a_cell_missing_from_a_run_gives_no_evidence() -> None:
    """No trial of it on one side: None, not an error."""
    full = read_costs(build_run({ENCODE: QUIET}, kernel=QUIET).trials)
    empty = RunCosts(by_cell={}, kernel={})
    assert gather_evidence(ENCODE, Sides([full], [empty], "separate")) is None
    assert gather_evidence(ENCODE, Sides([empty], [full], "interleaved")) is None


@pytest.mark.parametrize("shift", [PLUS_10, -PLUS_10])
def test_self_comparisons_are_significant_either_way(shift: float) -> None:
    """The second measuring of a cell slower or faster than the first."""
    null = (ENCODE, "null")
    first = build_run({ENCODE: QUIET, null: OTHER + shift}, run_id="a")
    second = build_run({ENCODE: OTHER}, run_id="b", start_minute=100)
    report = compare(first, second)
    (item,) = report.self_comparisons
    assert (item.is_significant, item.run_id, item.cell) == (True, "a", ENCODE)
    expected = stats.ttest_rel(OTHER + shift, QUIET).pvalue
    assert item.adjusted_p == pytest.approx(expected, rel=1e-4)
    cell = report.cells[0]
    assert (cell.verdict, cell.withheld_verdict) == ("inconclusive", "equivalent")
    assert cell.units_needed is None


def test_a_significant_self_comparison_leaves_what_was_no_verdict() -> None:
    """Inconclusive and not comparable cells keep their own reasons."""
    null = (ENCODE, "null")
    first = build_run({ENCODE: 30 * QUIET, null: QUIET + 5, ENCODE_WIDE: QUIET}, run_id="a")
    second = build_run({ENCODE: 30 * OTHER}, run_id="b", start_minute=100)
    report = compare(first, second)
    assert report.self_comparisons[0].is_significant
    open_cell, missing = report.cells
    assert (open_cell.verdict, open_cell.withheld_verdict) == ("inconclusive", None)
    assert open_cell.units_needed is not None
    assert (missing.verdict, missing.units_needed) == ("not comparable", None)
    assert [reason.kind for reason in missing.reasons] == ["setting_missing"]


def test_self_comparisons_take_their_common_rounds() -> None:
    """Three common rounds are enough; second trials without their cell, or two, are left out."""
    null = (ENCODE, "null")
    wide_null = (ENCODE_WIDE, "null")
    first = build_run(
        {ENCODE: QUIET, null: OTHER[:3], wide_null: OTHER, ENCODE_WIDE: QUIET[:2]}, run_id="a"
    )
    alone = build_run({SCRUB: QUIET, null: OTHER}, run_id="b", start_minute=100)
    arms = compare(first, alone).self_comparisons
    found = [(arm.run_id, arm.cell, arm.cost_ratio.round_count) for arm in arms]
    assert found == [("a", ENCODE, 3)]
    both = build_run({ENCODE: QUIET, ENCODE_WIDE: QUIET, wide_null: OTHER, null: OTHER}, run_id="a")
    arms = compare(both, alone).self_comparisons
    assert [arm.cell for arm in arms] == [ENCODE, ENCODE_WIDE]
    assert all(arm.adjusted_p == pytest.approx(1.0) for arm in arms)


def test_one_wrong_picture_is_enough() -> None:
    """A single wrong picture on the candidate's side, none before."""
    first = build_run({SCRUB: QUIET}, run_id="a")
    second = build_run({SCRUB: OTHER}, run_id="b", start_minute=100)
    measured = second.trials[0].measurement
    proof = ("wrong", "right", "right", "right")
    dirty = second.trials[0].model_copy(
        update={"measurement": measured.model_copy(update={"proof": proof})}
    )
    report = compare(first, Run(second.manifest, (dirty, *second.trials[1:])))
    cell = report.cells[0]
    assert (cell.verdict, cell.candidate_wrong_count) == ("regressed", 1)
    assert cell.cost_ratio.low < 1 < cell.cost_ratio.high
    reverse = compare(Run(second.manifest, (dirty, *second.trials[1:])), first).cells[0]
    assert (reverse.baseline_wrong_count, reverse.candidate_wrong_count) == (1, 0)


def test_kindred_cells_share_what_they_know_of_the_spread_of_runs() -> None:
    """Two runs a side and four cells of a task, each with two degrees of freedom: variances that
    spread no more than by chance become their mean, with eight; a fifth of another task keeps its
    own."""
    rng = np.random.default_rng(5)
    cells = [ENCODE.but(clip=f"c{k}") for k in range(4)]
    sides = [
        [
            RunCosts(
                by_cell={
                    cell: {(k, 0): math.exp(level) for k in range(4)}
                    for cell, level in zip([*cells, SCRUB], rng.normal(0, 0.01, 5), strict=True)
                },
                kernel={},
            )
            for _ in range(2)
        ]
        for _ in range(2)
    ]
    both = Sides(*sides, "several runs")
    found = gather_all([*cells, SCRUB], both)
    own = [gather_evidence(cell, both).typical for cell in cells]
    mean = math.sqrt(np.mean([change.standard_error**2 for change in own]))
    for cell in cells:
        change = found[cell].typical
        assert (change.standard_error, change.degrees) == pytest.approx((mean, 8))
    assert found[SCRUB].typical.degrees == 2


def test_every_run_of_a_side_must_be_alike() -> None:
    """The second baseline run is of other footage with other frames to encode: both are reasons."""
    manifest = fabricate_manifest(Fabrication())
    encode = manifest.scenario.settings(EncodeSettings)
    odd = manifest.model_copy(
        update={
            "clips": (manifest.clips[0].model_copy(update={"fingerprint": "other"}),),
            "scenario": manifest.scenario.but(encode=encode.model_copy(update={"frames": 50})),
        }
    )
    runs = [
        build_run({ENCODE: QUIET}, run_id="a"),
        build_run({ENCODE: QUIET}, run_id="b", start_minute=100, manifest=odd),
    ]
    last = build_run({ENCODE: QUIET}, run_id="c", start_minute=200)
    cell = compare_runs(runs, [last], tolerance_fraction=TOLERANCE).cells[0]
    assert cell.verdict == "not comparable"
    assert [reason.kind for reason in cell.reasons] == ["other_setting", "other_footage"]
    setting = cell.reasons[0]
    assert (setting.name, setting.before, setting.after) == (
        "frames",
        (str(encode.frames),),
        ("50",),
    )
    missing = build_run({ENCODE_WIDE: QUIET}, run_id="d")
    cells = compare_runs([missing], [last], tolerance_fraction=TOLERANCE).cells
    assert cells[0].reasons == (
        Reason(kind="setting_missing", task="encode", place="d", axes=("threads",)),
    )


def test_settings_that_one_side_lacks_are_named_either_way() -> None:
    """No [encode] table in the baseline: what the candidate sets was not set."""
    manifest = fabricate_manifest(Fabrication())
    lacking = manifest.model_copy(update={"scenario": manifest.scenario.but(encode=None)})
    (there,) = find_unlikeness(ENCODE, manifest, lacking)
    (back,) = find_unlikeness(ENCODE, lacking, manifest)
    assert (there.name, there.before, there.after) == ("frames", ("96",), ())
    assert (back.name, back.before, back.after) == ("frames", (), ("96",))


def test_a_clip_more_makes_all_clips_another_thing() -> None:
    """Cells over all clips are unlike when one side has a clip more."""
    two = fabricate_manifest(Fabrication(clips=("street at dusk", "forest")))
    one = fabricate_manifest(Fabrication())
    everything = ENCODE.model_copy(update={"clip": ALL_CLIPS})
    reason = Reason(kind="other_footage", name="forest")
    assert find_unlikeness(everything, two, one) == (reason,)
    assert find_unlikeness(everything, one, two) == (reason,)
    assert find_unlikeness(ENCODE, two, one) == ()
    gone = two.model_copy(
        update={
            "media": tuple(
                e.model_copy(update={"fingerprint": "new"}) if e.clip == "forest" else e
                for e in two.media
            )
        }
    )
    assert find_unlikeness(SCRUB, two, gone) == ()
    other_file = Reason(kind="other_file", name="VC-3 SQ")
    assert find_unlikeness(SCRUB.but(clip="forest"), two, gone) == (other_file,)


def test_switches_are_a_rate_of_processor_time() -> None:
    """A trial four times as long with three times the switches is no disturbance; a trial whose
    processor time is unknown has no rate."""
    trials = list(build_run({ENCODE: QUIET}).trials)
    for k, trial in enumerate(trials):
        long = k == 3
        facts = ProcessFacts(
            cpu_ns=4_000_000_000 if long else 1_000_000_000,
            involuntary_switches=600 if long else 200,
        )
        trials[k] = trial.model_copy(update={"process": facts})
    assert flag_trials(trials) == {}
    facts = ProcessFacts(cpu_ns=0, involuntary_switches=10_000)
    trials[3] = trials[3].model_copy(update={"process": facts})
    assert flag_trials(trials) == {}
    facts = ProcessFacts(cpu_ns=250_000_000, involuntary_switches=300)
    trials[3] = trials[3].model_copy(update={"process": facts})
    assert list(flag_trials(trials).values()) == [(Cause("interruptions", 1200),)]


def test_facts_known_of_some_trials_only_are_compared_among_them() -> None:
    """One trial without a clock and one without pressure among others with both."""
    moments = {(k, 0): HostMoment(frequency_mhz=3000.0, cpu_pressure=0.1) for k in range(8)}
    moments[2, 0] = HostMoment(cpu_pressure=0.1)
    moments[3, 0] = HostMoment(frequency_mhz=3000.0)
    assert flag_trials(build_run({ENCODE: QUIET}, moments=moments).trials) == {}


def test_flagged_trials_stay_in_the_verdict() -> None:
    """With one round stolen from, the shown ratio is still that of all eight rounds."""
    disturbed = OTHER + PLUS_10
    disturbed[0] += 0.1
    report = compare(
        build_run({ENCODE: QUIET}, run_id="a"),
        build_run(
            {ENCODE: disturbed},
            run_id="b",
            start_minute=100,
            moments={(0, 0): HostMoment(steal_fraction=0.5)},
        ),
    )
    ratio = report.cells[0].typical_ratio
    assert ratio.round_count == 8
    assert ratio.point == pytest.approx(math.exp((disturbed - QUIET).mean()), rel=1e-6)
    assert report.changed_without_flagged == ()

"""Verdicts on runs with given costs: each verdict, each design, each refusal."""

import math

import numpy as np
import pytest
from scipy import stats

from fixtures.fabricated_run import THREE, Fabrication, fabricate_manifest, fabricate_run
from fixtures.two_sides import ENCODE, ENCODE_WIDE, QUIET, SCRUB, Run, build_run
from mezzmark.decide.compare.regress import compare_runs
from mezzmark.decide.compare.verdicts import (
    ChangedVerdict,
    Reason,
    RegressionReport,
    overall_verdict,
)
from mezzmark.decide.machine.noise import CauseRange
from mezzmark.decide.machine.state import judge_machine
from mezzmark.model.cell import Cell, Setting
from mezzmark.model.records import HostMoment

OTHER = QUIET[::-1]
"""The same eight logs in another order: another quiet machine, mean difference 0."""

PLUS_10 = math.log(1.10)


def compare(baseline: Run, candidate: Run, tolerance: float = 0.05) -> RegressionReport:
    return compare_runs([baseline], [candidate], tolerance_fraction=tolerance)


def later(costs: dict[Cell, np.ndarray], **changes: object) -> Run:
    return build_run(costs, kernel=OTHER, run_id="later", start_minute=100, **changes)


def earlier(costs: dict[Cell, np.ndarray], **changes: object) -> Run:
    return build_run(costs, kernel=QUIET, run_id="earlier", **changes)


@pytest.mark.parametrize(
    ("change", "verdict", "exit_code"),
    [
        (PLUS_10, "regressed", 10),
        (-PLUS_10, "improved", 0),
        (0.0, "equivalent", 0),
        (0.01, "equivalent", 0),
        (math.log(1.05), "regressed", 10),
    ],
)
def test_each_verdict_on_quiet_runs(change: float, verdict: str, exit_code: int) -> None:
    """10 % more is regressed, less is improved, none or 1 % is within the tolerance of 5 %."""
    report = compare(earlier({ENCODE: QUIET}), later({ENCODE: OTHER + change}))
    assert report.design == "separate"
    assert [cell.verdict for cell in report.cells] == [verdict]
    assert (report.verdict, report.exit_code) == (verdict, exit_code)
    ratio = report.cells[0].cost_ratio
    assert ratio.point == pytest.approx(math.exp(change), rel=1e-6)
    assert ratio.low < ratio.point < ratio.high


def test_interval_of_a_pair_of_runs_is_the_wider_of_two_ways() -> None:
    """Limits are those of scipy's paired t on logs, as measured and relative to the kernel,
    whichever lies further out."""
    candidate = OTHER + 0.02
    kernel = 3 * OTHER - 0.01
    second = build_run({ENCODE: candidate}, kernel=kernel, start_minute=100)
    report = compare(earlier({ENCODE: QUIET}), second)
    measured = stats.ttest_1samp(candidate - QUIET, 0).confidence_interval(0.95)
    other = stats.ttest_1samp(candidate - kernel, 0).confidence_interval(0.95)
    ratio = report.cells[0].cost_ratio
    assert ratio.low == pytest.approx(math.exp(min(measured.low, other.low)), rel=1e-6)
    assert ratio.high == pytest.approx(math.exp(max(measured.high, other.high)), rel=1e-6)


def test_noise_is_inconclusive_with_the_rounds_it_would_take() -> None:
    """Eight rounds that spread by 10 % prove nothing: exit 11, and more than eight are asked."""
    report = compare(earlier({ENCODE: 30 * QUIET}), later({ENCODE: 30 * OTHER + 0.02}))
    cell = report.cells[0]
    assert (cell.verdict, report.exit_code) == ("inconclusive", 11)
    assert cell.units_needed > 8
    assert cell.detectable_fraction > 0.05


def test_a_machine_that_slowed_with_its_kernel_is_not_a_regression() -> None:
    """Work and kernel 10 % slower alike: inconclusive, no number of rounds would help, and the
    machine's own change is shown."""
    baseline = build_run({ENCODE: QUIET}, kernel=QUIET, run_id="a")
    candidate = build_run(
        {ENCODE: OTHER + PLUS_10}, kernel=QUIET + PLUS_10, run_id="b", start_minute=100
    )
    report = compare(baseline, candidate)
    cell = report.cells[0]
    assert (cell.verdict, cell.units_needed) == ("inconclusive", None)
    assert report.machine_ratio.point == pytest.approx(1.10, rel=1e-3)


def test_a_kernel_that_slowed_alone_hides_no_improvement_as_one() -> None:
    """The kernel 10 % slower, the work the same: relative to it the work got faster, as measured
    not; that is no improvement."""
    candidate = build_run({ENCODE: OTHER}, kernel=QUIET + PLUS_10, run_id="b", start_minute=100)
    report = compare(earlier({ENCODE: QUIET}), candidate)
    assert report.cells[0].verdict == "inconclusive"


def test_runs_in_turn_need_no_kernel() -> None:
    """Rounds of both sides alternating: the machine's 10 % hit both and no assumption is left."""
    drift = np.linspace(0, PLUS_10, 8)
    baseline = build_run({ENCODE: QUIET + drift}, run_id="a", minutes_per_round=2)
    candidate = build_run({ENCODE: OTHER + drift}, run_id="b", start_minute=1, minutes_per_round=2)
    report = compare(baseline, candidate)
    assert report.design == "interleaved"
    assert report.cells[0].verdict == "equivalent"


def test_separate_runs_without_kernel_say_so() -> None:
    """No reference kernel: no ratio of the machine, and of both runs nobody knows how steady it
    was."""
    baseline = build_run({ENCODE: QUIET}, run_id="a")
    candidate = build_run({ENCODE: OTHER + PLUS_10}, run_id="b", start_minute=100)
    report = compare(baseline, candidate)
    assert report.design == "separate"
    assert report.machine_ratio is None
    assert [(run.side, run.name, run.state.kind) for run in report.unsteady_runs] == [
        ("baseline", "a", "unknown"),
        ("candidate", "b", "unknown"),
    ]


def test_other_requests_are_compared_unpaired() -> None:
    """Runs of other seeds share no requests: Welch's t on logs, as scipy has it."""
    baseline = build_run({ENCODE: QUIET}, run_id="a")
    candidate = build_run({ENCODE: 3 * OTHER + 0.03}, run_id="b", seed=2, start_minute=100)
    report = compare(baseline, candidate, tolerance=0.002)
    test = stats.ttest_ind(3 * OTHER + 0.03, QUIET, equal_var=False)
    cell = report.cells[0]
    assert "unequal variances" in cell.cost_ratio.method
    assert cell.difference_p == pytest.approx(test.pvalue, rel=1e-5)
    assert cell.cost_ratio.low == pytest.approx(
        math.exp(test.confidence_interval(0.95).low), rel=1e-6
    )


def test_several_runs_are_the_unit() -> None:
    """Three baseline days 4 % apart: a candidate 5 % slower, clear against any one, is open."""
    days = (-0.04, 0.0, 0.04)
    baseline = [
        build_run({ENCODE: QUIET + day}, run_id=f"day {k}", start_minute=50 * k)
        for k, day in enumerate(days)
    ]
    candidate = build_run({ENCODE: OTHER + 0.05}, run_id="new", start_minute=300)
    report = compare_runs(baseline, [candidate], tolerance_fraction=0.05)
    assert report.design == "several runs"
    cell = report.cells[0]
    assert cell.verdict == "inconclusive"
    test = stats.ttest_ind([0.05], days, equal_var=True)
    assert cell.difference_p == pytest.approx(test.pvalue, rel=1e-5)
    alone = compare_runs(baseline[1:2], [candidate], tolerance_fraction=0.05)
    assert alone.cells[0].verdict == "regressed"


def test_another_machine_is_named_and_its_kernel_not_used_as_a_control() -> None:
    """Other hardware: the verdict is on machines as found, whatever their kernels say."""
    manifest = fabricate_manifest(Fabrication())
    host = manifest.host.model_copy(update={"cpu_model": "another processor"})
    candidate = build_run(
        {ENCODE: OTHER + PLUS_10},
        kernel=QUIET + PLUS_10,
        start_minute=100,
        manifest=manifest.model_copy(update={"host": host}),
    )
    report = compare(earlier({ENCODE: QUIET}), candidate)
    assert report.design == "two machines"
    assert report.cells[0].verdict == "regressed"
    assert [change.name for change in report.host_changes] == ["cpu_model"]


def test_family_wise_error_is_held_over_the_cells() -> None:
    """A cell whose p of 0.03 would do alone does not among twelve: p-values are Holm's."""
    logs = QUIET + 0.0
    lone = OTHER * 4 + 0.0125
    cells = {
        Cell(
            task="encode", clip="street at dusk", encoding="VC-3 SQ", setting=Setting(threads=n)
        ): logs
        for n in range(1, 12)
    }
    odd = Cell(
        task="encode", clip="street at dusk", encoding="VC-3 SQ", setting=Setting(threads=12)
    )
    first = build_run({**cells, odd: QUIET}, run_id="a")
    second = build_run({**cells, odd: lone}, run_id="b", start_minute=100)
    among = compare(first, second, tolerance=0.001).cells[-1]
    alone = compare(
        build_run({odd: QUIET}, run_id="a"),
        build_run({odd: lone}, run_id="b", start_minute=100),
        tolerance=0.001,
    ).cells[0]
    assert alone.cell == among.cell == odd
    assert alone.verdict == "regressed"
    assert among.verdict == "inconclusive"
    assert alone.difference_p is not None
    assert among.difference_p == pytest.approx(12 * alone.difference_p, rel=1e-6)


def test_new_wrong_pictures_are_a_regression_however_fast() -> None:
    """A candidate that shows wrong pictures where the baseline showed none has regressed."""
    first = earlier({SCRUB: QUIET})
    second = later({SCRUB: OTHER - PLUS_10}, wrong={SCRUB: 1})
    cell = compare(first, second).cells[0]
    assert cell.verdict == "regressed"
    assert (cell.baseline_wrong_count, cell.candidate_wrong_count) == (0, 8)
    assert cell.shows_new_wrong_pictures
    again = compare(earlier({SCRUB: QUIET}, wrong={SCRUB: 1}), second)
    assert again.cells[0].verdict == "improved"


def test_a_significant_self_comparison_takes_every_verdict_away() -> None:
    """The same cell twice in a run, 10 % apart: no verdict of the comparison is believed."""
    null = (ENCODE, "null")
    first = earlier({ENCODE: QUIET, null: OTHER + PLUS_10})
    second = later({ENCODE: OTHER + 2 * PLUS_10, null: QUIET + 2 * PLUS_10})
    report = compare(first, second)
    assert [item.is_significant for item in report.self_comparisons] == [True, False]
    assert [cell.verdict for cell in report.cells] == ["inconclusive"]
    assert report.cells[0].withheld_verdict == "regressed"
    assert report.exit_code == 11


def test_a_self_comparison_within_noise_changes_nothing() -> None:
    """Second trials within noise: verdicts stand, and the ratios are listed."""
    null = (ENCODE, "null")
    report = compare(
        earlier({ENCODE: QUIET, null: OTHER}), later({ENCODE: OTHER + PLUS_10, null: QUIET + 0.095})
    )
    assert [cell.verdict for cell in report.cells] == ["regressed"]
    assert [item.is_significant for item in report.self_comparisons] == [False, False]
    assert report.self_comparisons[0].cost_ratio.point == pytest.approx(1.0, abs=1e-6)


def test_a_self_comparison_needs_to_be_certain() -> None:
    """One whose p lies between 1 % and 5 % is not significant."""
    null = (ENCODE, "null")
    shifted = 4 * OTHER + 0.0125
    p_value = stats.ttest_rel(shifted, QUIET).pvalue
    assert 0.01 < p_value < 0.05
    first = earlier({ENCODE: QUIET, null: shifted})
    report = compare(first, later({ENCODE: OTHER}))
    (item,) = report.self_comparisons
    assert item.adjusted_p == pytest.approx(p_value, rel=1e-4)
    assert not item.is_significant


def test_disturbed_trials_stay_in_and_the_report_says_what_they_change() -> None:
    """Three rounds stolen from make a cell inconclusive; without them it is equivalent."""
    disturbed = OTHER.copy()
    disturbed[:3] += 0.3
    moments = {(k, 0): HostMoment(steal_fraction=0.2) for k in range(3)}
    report = compare(
        earlier({ENCODE: QUIET}),
        later({ENCODE: disturbed}, moments=moments),
    )
    assert report.cells[0].verdict == "inconclusive"
    assert report.flagged_trial_count == 3
    assert report.flag_causes == (CauseRange(kind="steal", low=0.2, high=0.2, trial_count=3),)
    assert report.changed_without_flagged == (
        ChangedVerdict(cell=ENCODE, verdict="inconclusive", verdict_without="equivalent"),
    )
    quiet = compare(earlier({ENCODE: QUIET}), later({ENCODE: OTHER}))
    assert (quiet.flagged_trial_count, quiet.changed_without_flagged) == (0, None)


def test_too_few_rounds_are_inconclusive_not_equal() -> None:
    """Two rounds a side: no verdict, three are asked for."""
    report = compare(earlier({ENCODE: QUIET[:2]}), later({ENCODE: OTHER[:2]}))
    cell = report.cells[0]
    assert (cell.verdict, cell.units_needed, cell.cost_ratio) == ("inconclusive", 3, None)
    assert cell.reasons == (Reason(kind="few_rounds", needed=3),)


def test_a_cell_of_one_side_only_is_not_comparable() -> None:
    """A gate does not pass when part of what it guards was not measured: exit 12."""
    report = compare(earlier({ENCODE: QUIET, ENCODE_WIDE: QUIET}), later({ENCODE: OTHER}))
    assert [cell.verdict for cell in report.cells] == ["equivalent", "not comparable"]
    assert report.cells[1].reasons == (
        Reason(kind="setting_missing", task="encode", place="later", axes=("threads",)),
    )
    assert report.exit_code == 12


def test_unlike_cells_are_refused_by_name() -> None:
    """Other footage under the same name: not comparable, and the clip is named."""
    manifest = fabricate_manifest(Fabrication())
    clip = manifest.clips[0].model_copy(update={"fingerprint": "other"})
    changed = manifest.model_copy(update={"clips": (clip,)})
    report = compare(
        earlier({ENCODE: QUIET}),
        build_run({ENCODE: OTHER}, kernel=OTHER, start_minute=100, manifest=changed),
    )
    assert report.cells[0].verdict == "not comparable"
    assert report.cells[0].reasons == (Reason(kind="other_footage", name="street at dusk"),)
    assert report.exit_code == 12


def test_the_machines_course_is_noted_for_each_run() -> None:
    """A kernel that climbs by 10 % over a run is noted as drift of the machine, with its size."""
    drift = np.linspace(0, PLUS_10, 8)
    report = compare(
        build_run({ENCODE: QUIET}, kernel=QUIET + drift, run_id="a"), later({ENCODE: OTHER})
    )
    (run,) = report.unsteady_runs
    assert (run.side, run.name, run.state.kind) == ("baseline", "a", "drift")
    assert run.state.change_fraction == pytest.approx(0.10, rel=0.05)


def test_a_course_too_small_to_matter_is_not_noted() -> None:
    """A kernel that climbs by 2 % over a run, without any other spread, is a steady machine in the
    run's report, and no note of a comparison says otherwise."""
    run = build_run({ENCODE: QUIET}, kernel=np.linspace(0, 0.02, 8), run_id="a")
    assert judge_machine(run.manifest.host, run.trials).is_steady
    assert compare(run, later({ENCODE: OTHER})).unsteady_runs == ()


def test_spread_of_the_machine_is_noted_as_its_report_has_it() -> None:
    """A kernel that takes 20 % more in every other round was not steady, though it has no course:
    the state is that of the run's own report."""
    run = build_run({ENCODE: QUIET}, kernel=[0.0, 0.18] * 4, run_id="a")
    (found,) = compare(run, later({ENCODE: OTHER})).unsteady_runs
    assert found.state == judge_machine(run.manifest.host, run.trials)
    assert found.state.kind == "spread"


def test_rounds_that_are_the_same_pair_even_where_one_run_has_more() -> None:
    """Eight rounds against five: the five they share are compared."""
    report = compare(earlier({ENCODE: QUIET}), later({ENCODE: OTHER[:5] + PLUS_10}))
    ratio = report.cells[0].cost_ratio
    assert ratio.round_count == 5


def test_fabricated_runs_with_a_slower_encoder() -> None:
    """Whole fabricated runs, one encoder 30 % slower: its cells regress and no others."""
    slow = tuple(
        encoding
        if encoding.name != "VC-3 SQ"
        else type(encoding)(name="VC-3 SQ", jump_ms=14, bitrate_bps=116e6, encode_fps=140 / 1.3)
        for encoding in THREE
    )
    baseline = Run(*fabricate_run(Fabrication(rounds=10)))
    manifest, trials = fabricate_run(Fabrication(rounds=10, encodings=slow))
    hours_later = tuple(
        trial.model_copy(update={"started_utc": trial.started_utc.replace("T10", "T20")})
        for trial in trials
    )
    candidate = Run(manifest, hours_later)
    report = compare_runs([baseline], [candidate], tolerance_fraction=0.05)
    regressed = {cell.cell.cell_id for cell in report.cells if cell.verdict == "regressed"}
    assert regressed == {
        cell.cell.cell_id
        for cell in report.cells
        if cell.cell.task == "encode" and cell.cell.encoding == "VC-3 SQ"
    }


@pytest.mark.parametrize(
    ("verdicts", "expected"),
    [
        ((), "not comparable"),
        (("equivalent", "equivalent"), "equivalent"),
        (("equivalent", "improved"), "improved"),
        (("improved", "inconclusive", "equivalent"), "inconclusive"),
        (("inconclusive", "not comparable"), "not comparable"),
        (("not comparable", "inconclusive", "regressed"), "regressed"),
    ],
)
def test_overall_verdict(verdicts: tuple, expected: str) -> None:
    """A regression outranks what could not be compared, that what is unsure, that good news."""
    assert overall_verdict(verdicts) == expected


def test_bad_arguments_are_refused() -> None:
    """No runs on a side, a tolerance of 0, a level of 1."""
    run = earlier({ENCODE: QUIET})
    with pytest.raises(ValueError, match="at least one run"):
        compare_runs([run], [], tolerance_fraction=0.05)
    with pytest.raises(ValueError, match="tolerance_fraction"):
        compare_runs([run], [run], tolerance_fraction=0.0)
    with pytest.raises(ValueError, match="confidence_level"):
        compare_runs([run], [run], tolerance_fraction=0.05, confidence_level=1.0)

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
from mezzmark.report.prose.regress import doubt_lines, summarise_regression

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
        (math.log(1.06), "slower", 11),
        (-math.log(1.06), "inconclusive", 11),
    ],
)
def test_each_verdict_on_quiet_runs(change: float, verdict: str, exit_code: int) -> None:
    """10 % more is regressed, less is improved, none or 1 % is within the tolerance of 5 %; 6 %
    more is slower and 6 % less open, for what runs differ by leaves the tolerance inside."""
    report = compare(earlier({ENCODE: QUIET}), later({ENCODE: OTHER + change}))
    assert report.design == "separate"
    assert [cell.verdict for cell in report.cells] == [verdict]
    assert (report.verdict, report.exit_code) == (verdict, exit_code)
    ratio = report.cells[0].cost_ratio
    assert ratio.point == pytest.approx(math.exp(change), rel=1e-6)
    assert ratio.low < ratio.point < ratio.high


def test_the_interval_of_a_pair_of_runs_adds_their_spread_and_leaves_the_kernel_out() -> None:
    """By another road: the mean of each side's three lowest of eight rounds, the spread of its
    logs cut at the third, 1 % a run in quadrature, and t at the degrees that both have together."""
    before, after = QUIET + 0.0, 4 * OTHER + 0.02
    second = build_run({ENCODE: after}, kernel=20 * OTHER, start_minute=100)
    report = compare(earlier({ENCODE: before}), second)
    cut = [np.minimum(side, sorted(side)[2]) for side in (before, after)]
    own = float(stats.sem(cut[1] - cut[0])) * 8 / 3
    spread = 0.01 * math.sqrt(2)
    error = math.sqrt(own**2 + spread**2)
    reach = stats.t.ppf(0.975, error**4 / (own**4 / 2)) * error
    middle = np.mean(sorted(after)[:3]) - np.mean(sorted(before)[:3])
    ratio = report.cells[0].cost_ratio
    assert np.log([ratio.low, ratio.point, ratio.high]) == pytest.approx(
        [middle - reach, middle, middle + reach], abs=1e-6
    )


def test_a_typical_trial_that_alone_got_slower_is_open() -> None:
    """Two of three rounds in a state 30 % slower: the undisturbed level did not change that surely,
    so it is the machine or the software, and no regression."""
    before, after = np.tile(QUIET, 4), np.tile(OTHER, 4) + 0.3 * (np.arange(32) % 3 > 0)
    cell = compare(earlier({ENCODE: before}), later({ENCODE: after})).cells[0]
    assert (cell.verdict, cell.is_slower_in_part) == ("inconclusive", True)
    assert cell.typical_ratio.low > 1.05 > cell.cost_ratio.point


def test_noise_is_inconclusive_with_the_rounds_it_would_take() -> None:
    """Eight rounds that spread by a fifth prove nothing: exit 11, and more than eight are asked;
    at a tolerance that runs by themselves nearly fill, no number is enough."""
    sides = earlier({ENCODE: 60 * QUIET}), later({ENCODE: 60 * OTHER + 0.02})
    assert compare(*sides, tolerance=0.05).cells[0].units_needed is None
    report = compare(*sides, tolerance=0.1)
    cell = report.cells[0]
    assert (cell.verdict, report.exit_code) == ("inconclusive", 11)
    assert cell.units_needed > 8
    assert cell.detectable_fraction > 0.05


@pytest.mark.parametrize("shift", [0.0, PLUS_10])
def test_a_kernel_that_surely_changed_opens_every_cell(shift: float) -> None:
    """The kernel 10 % slower: whatever the work did, no difference in time is claimed; new wrong
    pictures are counted all the same."""
    baseline = build_run({ENCODE: QUIET, SCRUB: QUIET}, kernel=QUIET, run_id="a")
    candidate = build_run(
        {ENCODE: OTHER + shift, SCRUB: OTHER},
        kernel=OTHER + PLUS_10,
        run_id="b",
        start_minute=100,
        wrong={SCRUB: 1},
    )
    report = compare(baseline, candidate)
    verdicts = {cell.cell.task: (cell.verdict, cell.withheld_verdict) for cell in report.cells}
    assert report.has_moved
    assert verdicts["encode"] == ("inconclusive", "regressed" if shift else "equivalent")
    assert verdicts["scrub"] == ("regressed", None)
    assert report.machine_ratio.point == pytest.approx(1.10, rel=1e-3)


def test_a_kernel_that_only_spreads_opens_nothing() -> None:
    """Kernel rounds that spread by 6 % cost the work no certainty."""
    report = compare(
        build_run({ENCODE: QUIET}, kernel=20 * QUIET, run_id="a"),
        build_run({ENCODE: OTHER}, kernel=20 * OTHER, run_id="b", start_minute=100),
    )
    assert not report.has_moved
    assert report.verdict == "equivalent"


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
    typical = report.cells[0].typical_ratio
    assert "unequal variances" in typical.method
    # The run spread is added: the limit lies further out than Welch's, by less than that spread's.
    own = test.confidence_interval(0.95)
    assert 0 < own.low - math.log(typical.low) < 2.2 * 0.01 * math.sqrt(2)


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
    test = stats.ttest_ind([0.05], days, equal_var=True).confidence_interval(0.95)
    limits = [math.log(end) for end in (cell.typical_ratio.low, cell.typical_ratio.high)]
    assert limits == pytest.approx([test.low, test.high], rel=1e-5)
    alone = compare_runs(baseline[1:2], [candidate], tolerance_fraction=0.05)
    assert alone.cells[0].verdict == "slower"


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
    assert summarise_regression(report).startswith("The sides are different machines")
    assert report.cells[0].verdict == "regressed"
    assert [change.name for change in report.host_changes] == ["cpu_model"]


def test_intervals_hold_together_over_the_cells() -> None:
    """A cell 7.5 % slower, regressed alone, is only slower among twelve: its interval is that of
    level 1 - 0.05 / 12, and in a larger family of a higher one."""
    cells = {
        Cell(
            task="encode", clip="street at dusk", encoding="VC-3 SQ", setting=Setting(threads=n)
        ): QUIET
        for n in range(1, 13)
    }
    odd = list(cells)[-1]
    sides = {
        "few": [{odd: QUIET}, {odd: OTHER + math.log(1.085)}],
        "many": [cells, {**cells, odd: OTHER + math.log(1.085)}],
    }
    found = {
        name: compare(
            build_run(first, run_id="a"), build_run(second, run_id="b", start_minute=100)
        ).cells[-1]
        for name, (first, second) in sides.items()
    }
    assert [item.verdict for item in found.values()] == ["regressed", "slower"]
    widths = [math.log(item.cost_ratio.high / item.cost_ratio.low) for item in found.values()]
    z = stats.norm.ppf([1 - 0.05 / 2, 1 - 0.05 / 24])
    assert widths[1] / widths[0] == pytest.approx(z[1] / z[0], rel=0.02)
    runs = [
        build_run(side, run_id=f"{k}", start_minute=100 * k) for k, side in enumerate(sides["few"])
    ]
    wide = compare_runs(runs[:1], runs[1:], tolerance_fraction=0.05, family=12).cells[0]
    assert wide.cost_ratio.low == pytest.approx(found["many"].cost_ratio.low, rel=1e-6)


def test_the_spread_of_runs_is_read_from_three_earlier_ones_or_assumed() -> None:
    """Runs 3 % apart widen every interval of their task; two, or runs of other versions, tell
    nothing, and 1 % is assumed."""
    sides = [earlier({ENCODE: QUIET}), later({ENCODE: OTHER})]
    levels = 0.03 * stats.zscore([-2, -1, 0, 1, 2], ddof=1)
    past = [
        build_run({ENCODE: OTHER + level}, run_id=f"p{k}", start_minute=50 * k)
        for k, level in enumerate(levels)
    ]
    manifest = past[0].manifest.model_copy(update={"mezzmark_version": "0.0"})
    others = [Run(manifest, run.trials) for run in past]
    spreads = [
        compare_runs(sides[:1], sides[1:], tolerance_fraction=0.05, history=runs).run_spreads
        for runs in (past, past[:2], others, ())
    ]
    assert [(s.run_count, s.degrees) for (s,) in spreads] == [(5, 4), *[(0, None)] * 3]
    assert [s.sd_fraction for (s,) in spreads] == pytest.approx([0.03, 0.01, 0.01, 0.01], rel=0.02)
    reports = [
        compare_runs(sides[:1], sides[1:], tolerance_fraction=0.05, history=runs)
        for runs in (past, past[:2])
    ]
    assert [report.history_count for report in reports] == [5, 2]


def test_runs_whose_levels_move_are_wider_and_say_so() -> None:
    """A machine 20 % slower from the fifth of ten rounds on, in one run: what parts of that run
    differ by is added, four times the 1 % and more, and a candidate 15 % slower is open; one trial
    far out adds nothing."""
    plain, other = (0.01 * stats.zscore(np.random.default_rng(k).normal(size=10)) for k in (1, 2))
    stepped, struck = (plain + 0.2 * place for place in (np.arange(10) > 4, np.arange(10) == 4))
    spreads, verdicts = [], []
    for before in (plain, struck, stepped):
        report = compare(earlier({ENCODE: before}), later({ENCODE: other + math.log(1.15)}))
        spreads.append(report.run_spreads[0].sd_fraction)
        verdicts.append(report.cells[0].verdict)
    assert spreads[:2] == [0.01, 0.01]
    assert spreads[2] > 0.04
    assert verdicts == ["regressed", "regressed", "inconclusive"]


def test_trials_of_two_kinds_are_told_with_both_levels() -> None:
    """Four of twelve trials at 10 ms and eight at 13, before; all of one kind, after."""
    noise = np.tile(QUIET, 2)[:12] / 4
    mixed = noise + math.log(1.3) * (np.arange(12) % 3 > 0)
    cell = compare(earlier({SCRUB: mixed}), later({SCRUB: noise})).cells[0]
    before, after = cell.two_kinds
    assert (before.fast_count, before.count, after) == (4, 12, None)
    assert before.slow / before.fast == pytest.approx(1.3, rel=0.02)


def test_another_best_player_on_one_side_is_told_and_compared() -> None:
    """Slice threads before, frame threads after: the ratio stands, and a sentence says whose it is;
    the same player on both sides, or one that the cell names, is not spoken of."""
    best = SCRUB.but(setting=SCRUB.setting.but(player="best"))

    def side(run: Run, player: str) -> Run:
        played = [
            t.model_copy(update={"player": player}) if t.cell == best else t for t in run.trials
        ]
        return Run(run.manifest, tuple(played))

    before = side(earlier({best: QUIET, SCRUB: QUIET}), "slice")
    after = side(later({best: OTHER, SCRUB: OTHER}), "frame")
    report = compare(before, after)
    found = {c.cell: (c.verdict, c.players) for c in report.cells}
    assert found == {
        best: ("equivalent", (("slice",), ("frame",))),
        SCRUB: ("equivalent", ()),
    }
    (said,) = [line for line in doubt_lines(report) if "best player" in line]
    assert "slice threads in the baseline and frame threads in the candidate" in said
    same = compare(before, side(later({best: OTHER, SCRUB: OTHER}), "slice"))
    assert not any("best player" in line for line in doubt_lines(same))


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
    """Twelve of sixteen rounds stolen from make a cell inconclusive; without them it is
    equivalent."""
    before, disturbed = np.tile(QUIET, 2), np.tile(OTHER, 2)
    disturbed[:12] += np.linspace(0.1, 0.5, 12)
    moments = {(k, 0): HostMoment(steal_fraction=0.2) for k in range(12)}
    report = compare(
        earlier({ENCODE: before}),
        later({ENCODE: disturbed}, moments=moments),
    )
    assert report.cells[0].verdict == "inconclusive"
    assert report.flagged_trial_count == 12
    assert report.flag_causes == (CauseRange(kind="steal", low=0.2, high=0.2, trial_count=12),)
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
    sides = {"before": ("earlier",), "after": ("later",)}
    assert cell.reasons == (Reason(kind="few_rounds", needed=3, **sides),)


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
    assert judge_machine(run).is_steady
    assert compare(run, later({ENCODE: OTHER})).unsteady_runs == ()


def test_spread_of_the_machine_is_noted_as_its_report_has_it() -> None:
    """A kernel that takes 20 % more in every other round was not steady, though it has no course:
    the state is that of the run's own report."""
    run = build_run({ENCODE: QUIET}, kernel=[0.0, 0.18] * 4, run_id="a")
    (found,) = compare(run, later({ENCODE: OTHER})).unsteady_runs
    assert found.state == judge_machine(run)
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

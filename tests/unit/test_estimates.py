"""Trials become estimates: quantiles, intervals, ratios and the width that stops a run."""

import math
from collections.abc import Sequence

import numpy as np
import pytest
from scipy import stats

from fixtures.fabricated_run import (
    EIGHT,
    FabricatedEncoding,
    Fabrication,
    Spread,
    fabricate_manifest,
    fabricate_run,
)
from fixtures.figures import figures_of
from mezzmark.decide.estimate.observed_run import Observation, ObservedRun, observe
from mezzmark.decide.estimate.over_clips import pool_clips
from mezzmark.decide.estimate.pooling import (
    compare_groups,
    summarise_cells,
    worst_relative_half_width,
)
from mezzmark.decide.estimate.ranking import rank_encodings
from mezzmark.decide.estimate.rounds import (
    ClipRounds,
    estimate_figure,
    most_slow_share,
    with_missed_slow_rounds,
)
from mezzmark.model.cell import Cell, Setting
from mezzmark.model.estimate import CellSummary, Estimate, Withheld
from mezzmark.model.records import Trial
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.encode import EncodeMeasurement
from mezzmark.model.tasks.scrub import Proof, ScrubMeasurement
from mezzmark.model.tasks.spec import Work

SCRUB = Cell(task="scrub", clip="c", encoding="e", setting=Setting(pattern="jump", policy="roll"))
ENCODE = Cell(task="encode", clip="c", encoding="e")


def scrub_trial(
    latencies_ms: Sequence[float],
    *,
    round_index: int = 0,
    cell: Cell = SCRUB,
    proofs: Sequence[Proof] | None = None,
    locate_ns: int = 0,
) -> Trial:
    """A trial whose moves took exactly these times, all of it decode but for `locate_ns`."""
    count = len(latencies_ms)
    return Trial(
        round_index=round_index,
        position=0,
        cell=cell,
        seed=1,
        started_utc="2026-01-01T00:00:00Z",
        wall_ns=1,
        outcome="finished",
        measurement=ScrubMeasurement(
            clip_position=(0,) * count,
            frame_index=tuple(range(count)),
            locate_ns=(locate_ns,) * count,
            decode_ns=tuple(round(ms * 1e6) - locate_ns for ms in latencies_ms),
            present_ns=(0,) * count,
            overhead_ns=(0,) * count,
            decoded_frames=(1,) * count,
            read_bytes=(1000,) * count,
            shown_frame=tuple(range(count)),
            proof=tuple(proofs) if proofs else ("right",) * count,
            open_ns=(1_000_000,),
        ),
    )


def encode_trial(frames: int, seconds: float, *, round_index: int) -> Trial:
    """A trial that encoded `frames` in `seconds` on one and a half cores."""
    return Trial(
        round_index=round_index,
        position=0,
        cell=ENCODE,
        seed=1,
        started_utc="2026-01-01T00:00:00Z",
        wall_ns=round(seconds * 1e9),
        outcome="finished",
        measurement=EncodeMeasurement(
            frame_count=frames,
            decoded_frame_count=frames,
            stamps_in_order=True,
            wall_ns=round(seconds * 1e9),
            cpu_ns=round(seconds * 1.5e9),
            file_bytes=60_000,
            packet_bytes=50_000,
            stream_digest="0",
            frame_rate="25",
            width_px=64,
            height_px=64,
        ),
    )


def only(trials: Sequence[Trial]) -> CellSummary:
    """The single summary of these trials."""
    (summary,) = summarise_cells(trials)
    return summary


def type_8(values: Sequence[float], probability: float) -> float:
    """Hyndman & Fan's type 8 from its definition: the order statistic at position
    n p + (p + 1) / 3, by linear interpolation (their section 4, definition 8)."""
    ordered = sorted(values)
    position = len(ordered) * probability + (probability + 1) / 3
    below = math.floor(position)
    at = [ordered[min(max(k, 1), len(ordered)) - 1] for k in (below, below + 1)]
    return at[0] + (position - below) * (at[1] - at[0])


def test_bytes_beyond_64_bits_are_summed() -> None:
    """2,048 moves that read 2⁵³ bytes each read 2⁵³ a move, and not none."""
    moves = scrub_trial([1.0] * 2048).measurement
    assert isinstance(moves, ScrubMeasurement)
    read = moves.model_copy(update={"read_bytes": (2**53,) * 2048})
    assert figures_of(read)["read_bytes_per_move"] == 2**53


def test_p50_and_p95_are_type_8_quantiles_of_one_trial() -> None:
    """With one trial the point is that trial's quantile by Hyndman & Fan's own formula."""
    latencies = [3.0, 9.0, 4.5, 12.0, 7.0, 8.0, 21.0, 5.5, 6.0, 30.0, 2.0, 11.0]
    estimates = only([scrub_trial(latencies)]).estimates
    assert estimates["p50_ms"].point == pytest.approx(type_8(latencies, 0.5), rel=1e-9)
    assert estimates["p95_ms"].point == pytest.approx(type_8(latencies, 0.95), rel=1e-9)


def test_interval_is_students_t_on_logs_of_trial_medians() -> None:
    """The interval equals scipy's own t interval of the logged medians, and the point is their
    geometric mean."""
    rounds = [[10.0, 12.0, 14.0], [11.0, 13.0, 15.0], [9.0, 12.5, 13.0], [10.0, 15.5, 20.0]]
    medians = [12.0, 13.0, 12.5, 15.5]
    trials = [scrub_trial(values, round_index=k) for k, values in enumerate(rounds)]
    estimate = only(trials).estimates["p50_ms"]
    low, high = stats.t.interval(
        0.95, 3, loc=np.mean(np.log(medians)), scale=stats.sem(np.log(medians))
    )
    assert estimate.point == pytest.approx(stats.gmean(medians))
    assert (estimate.low, estimate.high) == pytest.approx((math.exp(low), math.exp(high)))
    assert (estimate.round_count, estimate.sample_count, estimate.unit) == (4, 12, "ms")


def test_two_rounds_give_no_interval_and_say_what_is_missing() -> None:
    """Too little data is an answer: no interval, and how many more rounds would give one."""
    two = only([scrub_trial([5.0], round_index=k) for k in range(2)]).estimates["p50_ms"]
    assert (two.low, two.high, two.relative_half_width) == (None, None, None)
    assert two.withheld == (Withheld(kind="few_rounds", have=2, needed=1),)
    one = only([scrub_trial([5.0])]).estimates["p50_ms"]
    assert one.withheld == (Withheld(kind="few_rounds", have=1, needed=2),)


def test_wrong_and_unproved_pictures_never_enter_a_time() -> None:
    """A wrong picture a thousand times slower changes the counts and no figure."""
    clean = [scrub_trial([10.0, 11.0, 12.0], round_index=k) for k in range(3)]
    proofs: tuple[Proof, ...] = ("right", "wrong", "alike", "unreadable", "right", "missing")
    dirty = [
        scrub_trial([10.0, 9e3, 11.0, 9e3, 12.0, 9e3], round_index=k, proofs=proofs)
        for k in range(3)
    ]
    with_wrong, without = only(dirty), only(clean)
    for figure in ("p50_ms", "p95_ms", "decode_p50_ms"):
        assert with_wrong.estimates[figure].point == without.estimates[figure].point
    counts = with_wrong.wrong_count, with_wrong.unproved_count, with_wrong.alike_count
    assert counts == (3, 6, 3)
    assert with_wrong.sample_count == 18
    assert with_wrong.estimates["p50_ms"].sample_count == 9


def test_a_span_that_can_be_zero_has_an_interval_without_logs() -> None:
    """Rolling on inside a group of pictures locates nothing: 0 ms is a value, not an error."""
    trials = [
        scrub_trial([10.0, 10.5], round_index=k, locate_ns=ns) for k, ns in enumerate((0, 0, 3000))
    ]
    estimate = only(trials).estimates["locate_p50_ms"]
    assert estimate.point == pytest.approx(0.001)
    assert estimate.low == 0.0
    assert estimate.high == pytest.approx(0.001 + stats.t.ppf(0.975, 2) * 0.001)


def test_speed_is_the_typical_rounds_and_in_total_that_of_all_frames() -> None:
    """Ten rounds of 100 frames, nine in 1 s and one in 3: a typical round runs at 100 fps, all
    frames took 12 s; one slow round of ten leaves up to 39.4 % possible (0.606¹⁰ + 10 × 0.394 ×
    0.606⁹ = 0.05)."""
    trials = [encode_trial(100, s, round_index=k) for k, s in enumerate([1.0] * 9 + [3.0])]
    typical = only(trials).estimates["throughput_fps"]
    assert (typical.point, typical.slow_round_count) == (pytest.approx(100.0), 1)
    assert most_slow_share(1, 10) == pytest.approx(0.3942, abs=5e-5)
    total = estimate_figure(
        TASKS["encode"].figure("throughput_fps"), ClipRounds([observe(trials)]), 0.95, is_total=True
    )
    assert total.point == pytest.approx(1000 / 12)


def test_a_speed_in_total_allows_for_slow_rounds_that_were_missed() -> None:
    """Ten rounds without a slow one leave 30.85 % possible (0.6915¹⁰ = 0.025): a tenth slower each,
    they would take 3.085 % more time; the fast end stays."""
    trials = [encode_trial(100, s, round_index=k) for k, s in enumerate([1.0, 1.0001] * 5)]
    plain = estimate_figure(
        TASKS["encode"].figure("throughput_fps"), ClipRounds([observe(trials)]), 0.95, is_total=True
    )
    found = with_missed_slow_rounds(plain)
    assert found.point / found.low == pytest.approx(1.03085, rel=1e-4)
    assert (found.point, found.high) == (plain.point, plain.high)


def test_throughput_interval_holds_its_point_and_narrows_like_t_on_logs() -> None:
    """For a small spread the interval is that of scipy's t on the logged fps to first order."""
    seconds = [2.00, 2.02, 1.99, 2.01, 1.98]
    trials = [encode_trial(50, s, round_index=k) for k, s in enumerate(seconds)]
    estimate = only(trials).estimates["throughput_fps"]
    logs = np.log([50 / s for s in seconds])
    low, high = np.exp(stats.t.interval(0.95, 4, loc=logs.mean(), scale=stats.sem(logs)))
    assert estimate.low < estimate.point < estimate.high
    assert (estimate.low, estimate.high) == pytest.approx((low, high), rel=2e-4)


def test_encode_figures_follow_from_counts_and_clocks() -> None:
    """50 frames at 25 fps last 2 s, so 50,000 bytes are 200 kbit/s; CPU / wall is 1.5 cores."""
    trials = [encode_trial(50, 1.0 + k / 10, round_index=k) for k in range(3)]
    estimates = only(trials).estimates
    assert estimates["bitrate_bps"].point == 200_000
    assert estimates["cores_busy"].point == pytest.approx(1.5)
    assert estimates["file_bytes"].withheld == (Withheld(kind="constant"),)


def test_failed_trials_are_counted_with_their_reasons_and_have_no_figures() -> None:
    """A crash costs its trial and is told; the cell's other trials stand."""
    crash = scrub_trial([1.0]).model_copy(
        update={"outcome": "crashed", "reason": "signal 11", "measurement": None}
    )
    summary = only([crash, *(scrub_trial([5.0 + k], round_index=k + 1) for k in range(3))])
    assert (summary.trial_count, summary.failed_trial_count) == (4, 1)
    assert summary.reasons == ("signal 11",)
    assert summary.estimates["p50_ms"].round_count == 3


def test_suspended_trials_are_counted_apart_and_have_no_figures() -> None:
    """A trial during which its process was stopped finished, and is in no estimate."""
    stopped = scrub_trial([5_155.0]).model_copy(update={"flags": ("suspended",)})
    summary = only([stopped, *(scrub_trial([5.0 + k], round_index=k + 1) for k in range(3))])
    assert (summary.failed_trial_count, summary.set_apart_trial_count) == (1, 1)
    assert (summary.estimates["p50_ms"].round_count, summary.reasons) == (3, ())


def test_a_ratio_pairs_by_round_so_drift_cancels() -> None:
    """With a drift of 40 % a round shared by both sides, the paired ratio is the t interval of
    the log ratios and far narrower than either side's own."""
    other = SCRUB.model_copy(update={"encoding": "f"})
    drift = [1.4**k for k in range(5)]
    noise = [1.00, 1.02, 0.99, 1.01, 0.98]
    trials = [
        *(
            scrub_trial([20 * d * n], round_index=k)
            for k, (d, n) in enumerate(zip(drift, noise, strict=True))
        ),
        *(scrub_trial([10 * d], round_index=k, cell=other) for k, d in enumerate(drift)),
    ]
    ratio = _ratio(trials, SCRUB, other)
    logs = np.log(2 * np.array(noise))
    low, high = np.exp(stats.t.interval(0.95, 4, loc=logs.mean(), scale=stats.sem(logs)))
    assert (ratio.low, ratio.high) == pytest.approx((low, high), rel=1e-6)
    own = summarise_cells(trials)[0].estimates["p50_ms"].relative_half_width
    assert own is not None
    assert ratio.relative_half_width < own / 20


def _ratio(trials: Sequence[Trial], one: Cell, other: Cell) -> Estimate | None:
    """The median of one cell over that of the other."""
    groups = ([o for o in observe(trials) if o.cell == cell] for cell in (one, other))
    return compare_groups(*groups, "p50_ms", confidence_level=0.95)


def test_swapping_the_sides_inverts_the_ratio() -> None:
    """a / b and b / a are reciprocals, ends exchanged."""
    _, trials = fabricate_run(Fabrication(rounds=5))
    cells = [s.cell for s in summarise_cells(trials) if s.cell.setting["pattern"] == "jump"]
    one, two = (_ratio(trials, *pair) for pair in (cells[:2], cells[1::-1]))
    assert one.low is not None
    assert one.high is not None
    assert (two.point, two.low, two.high) == pytest.approx(
        (1 / one.point, 1 / one.high, 1 / one.low)
    )


def test_no_common_round_gives_no_ratio() -> None:
    """Rounds that only one side finished cannot be paired."""
    other = SCRUB.model_copy(update={"encoding": "f"})
    trials = [scrub_trial([5.0], round_index=0), scrub_trial([5.0], round_index=1, cell=other)]
    assert _ratio(trials, SCRUB, other) is None


def test_a_round_that_lacks_a_clip_is_not_pooled() -> None:
    """Clips of 10 and 1,000 ms: a fourth round in which only the quick one finished enters neither
    the figure over clips, which names the slow one first, nor the ratio to another encoding."""
    slow = SCRUB.model_copy(update={"clip": "slow"})
    trials = [
        *(scrub_trial([10.0 + k / 100], round_index=k) for k in range(4)),
        *(scrub_trial([1000.0], round_index=k, cell=slow) for k in range(3)),
    ]
    manifest = fabricate_manifest(Fabrication(clips=("c", "slow")))
    (pooled,) = pool_clips(observe(trials), manifest).values()
    assert pooled["p50_ms"].round_count == 3
    clips = [(of.clip, of.point) for of in pooled["p50_ms"].by_clip]
    assert clips == [("slow", 1000.0), ("c", pytest.approx(10.01, rel=1e-3))]
    assert pooled["p50_ms"].spans_clips
    twice = [
        observation
        for trial in trials
        for observation in observe(
            [
                scrub_trial(
                    [trial.measurement.decode_ns[0] * 2e-6],
                    round_index=trial.round_index,
                    cell=trial.cell,
                )
            ]
        )
    ]
    ratio = compare_groups(twice, observe(trials), "p50_ms", confidence_level=0.95)
    assert (ratio.round_count, ratio.point) == (3, pytest.approx(2.0))


def test_the_stopping_width_is_that_of_the_worst_cell() -> None:
    """It is the widest of the cells' median and fps intervals, None until all have three
    rounds, and a cell that never finished does not hold the run up."""
    _, trials = fabricate_run(Fabrication(rounds=4, encodings=EIGHT[:4]))
    widths = [
        s.estimates["p50_ms" if s.cell.task == "scrub" else "throughput_fps"].relative_half_width
        for s in summarise_cells(trials)
    ]
    assert worst_relative_half_width(trials) == max(w for w in widths if w is not None)
    assert worst_relative_half_width([t for t in trials if t.round_index < 2]) is None
    first = summarise_cells(trials)[0].cell
    late = [t for t in trials if t.cell != first or t.round_index < 2]
    assert worst_relative_half_width(late) is None
    dead = SCRUB.model_copy(update={"encoding": "dead"})
    failed = scrub_trial([1.0], cell=dead).model_copy(
        update={"outcome": "failed", "measurement": None}
    )
    assert worst_relative_half_width([*trials, failed]) == worst_relative_half_width(trials)
    assert worst_relative_half_width([]) is None


def test_median_intervals_cover_the_truth_as_often_as_they_say() -> None:
    """600 simulated cells of 6 rounds, with trial-level effects and skewed samples: 95 % intervals
    hold the true median in 95 % ± 2.5 points (three standard errors are 2.7)."""
    rng = np.random.default_rng(20)
    hits = 0
    for _ in range(600):
        trials = [
            scrub_trial(20 * np.exp(rng.normal(0, 0.05) + rng.normal(0, 0.4, 25)), round_index=k)
            for k in range(6)
        ]
        estimate = only(trials).estimates["p50_ms"]
        hits += estimate.low <= 20 <= estimate.high
    assert 0.925 <= hits / 600 <= 0.975


def test_summaries_do_not_depend_on_the_order_of_trials() -> None:
    """Trials shuffled give the same summaries: rounds are random orders of the same cells."""
    made = Fabrication(
        rounds=3,
        spread=Spread(round=0.1),
        encodings=(EIGHT[0], FabricatedEncoding(name="z", jump_ms=5, bitrate_bps=1e6)),
    )
    _, trials = fabricate_run(made)
    shuffled = sorted(trials, key=lambda trial: (trial.round_index, -trial.position))
    for one, two in zip(summarise_cells(trials), summarise_cells(shuffled), strict=True):
        assert one.cell == two.cell
        for figure, estimate in one.estimates.items():
            assert two.estimates[figure].point == pytest.approx(estimate.point, rel=1e-12)


def test_the_truly_fastest_is_seldom_ruled_out() -> None:
    """300 runs of ten encodings that are all equally fast: any given one is ruled out as the
    fastest in at most 5 % of runs (plus three standard errors, 3.8 points)."""
    rng = np.random.default_rng(5)
    setting = SCRUB.setting
    manifest = fabricate_manifest(Fabrication(clips=("c",)))
    excluded = 0
    for _ in range(300):
        observations = [
            Observation(
                cell=SCRUB.model_copy(update={"encoding": f"e{which}"}),
                round_index=round_index,
                figures={"p50_ms": float(20 * np.exp(rng.normal(0, 0.05)))},
                work=Work(sample_count=1),
            )
            for which in range(10)
            for round_index in range(8)
        ]
        entry = rank_encodings(ObservedRun(manifest, (), tuple(observations)), (), setting).find(
            "e0"
        )
        excluded += entry.is_apart is True
    assert excluded / 300 <= 0.05 + 0.038

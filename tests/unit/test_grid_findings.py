"""What is made of a grid and of ingests, from planted trials."""

import numpy as np
import pytest

from fixtures.fabricated_run import Fabrication, fabricate_clip, fabricate_host, fabricate_manifest
from fixtures.fabricated_throughput import SECOND, finished_trial
from mezzmark.decide.estimate.observed_run import ObservedRun
from mezzmark.decide.throughput.grid import (
    find_pixel_rate,
    judge_grid,
    limiting_core_count,
    machine_speedup_limit,
)
from mezzmark.decide.throughput.ingest import (
    IngestPrediction,
    predict_ingests,
    predict_makespan,
)
from mezzmark.model.cell import ALL_CLIPS, Cell, Setting
from mezzmark.model.estimate import Estimate
from mezzmark.model.records import Trial
from mezzmark.model.run import HostFacts, Manifest
from mezzmark.model.tasks.grid import GridMeasurement
from mezzmark.model.tasks.ingest import IngestMeasurement
from mezzmark.model.tasks.kernel import BandwidthFacts, BandwidthPoint

FRAMES = 1000


def _host(**changes: object) -> HostFacts:
    plain = {"usable_core_count": 4, "physical_core_count": 4, "threads_per_core": 1}
    return fabricate_host("bench").model_copy(update=plain | changes)


def _manifest(**changes: object) -> Manifest:
    plain = fabricate_manifest(Fabrication(clips=("a",)))
    return plain.model_copy(update={"host": _host(**changes)})


def _grid(jobs: int, threads: int, fps: float, round_index: int, clip: str = "a") -> Trial:
    """A trial of `fps` over all jobs; loading and proving each take half as long as encoding."""
    window_ns = round(FRAMES * jobs / fps * SECOND)
    measured = GridMeasurement(
        frame_count=FRAMES,
        frame_rate="25",
        width_px=100,
        height_px=100,
        start_ns=(0,) * jobs,
        end_ns=(window_ns,) * jobs,
        cpu_ns=(window_ns,) * jobs,
        peak_rss_bytes=(None,) * jobs,
        window_ns=window_ns,
        window_packets=(FRAMES,) * jobs,
        packet_count=(FRAMES,) * jobs,
        file_bytes=(1,) * jobs,
        decoded_frame_count=(FRAMES,) * jobs,
        stamps_in_order=(True,) * jobs,
        load_ns=(window_ns // 2,) * jobs,
        verify_ns=(window_ns // 2,) * jobs,
    )
    cell = Cell(task="grid", clip=clip, encoding="e", setting=Setting(jobs=jobs, threads=threads))
    return finished_trial(cell, round_index, measured)


def _rounds(rates: dict[tuple[int, int], float], *, sd: float = 0.01, seed: int = 1) -> list[Trial]:
    rng = np.random.default_rng(seed)
    return [
        _grid(jobs, threads, fps * np.exp(rng.normal(0, sd)), r)
        for r in range(6)
        for (jobs, threads), fps in rates.items()
    ]


def test_the_best_split_and_its_share_of_the_limit() -> None:
    """1×1 at 10 fps and 4×1 at 38 fps on four cores: best is 4×1 with 95 % of the limit; 1×4 at 15
    fps uses a thread at 37.5 %."""
    trials = _rounds({(1, 1): 10, (1, 4): 15, (2, 1): 19.5, (4, 1): 38})
    (found,) = judge_grid(ObservedRun(_manifest(), tuple(trials)))
    assert found.best == (4, 1)
    assert found.runner_up == (2, 1)
    assert found.is_lead_certain
    assert found.limit_fraction.low < 0.95 < found.limit_fraction.high
    efficiency = {(s.job_count, s.thread_count): s.efficiency.point for s in found.splits}
    assert efficiency[1, 1] == pytest.approx(1)
    assert efficiency[1, 4] == pytest.approx(0.375, rel=0.03)


def test_equal_splits_are_not_told_apart() -> None:
    """Two splits of the same true speed leave the lead uncertain."""
    trials = _rounds({(1, 1): 10, (2, 2): 38, (4, 1): 38}, sd=0.05)
    (found,) = judge_grid(ObservedRun(_manifest(), tuple(trials)))
    assert not found.is_lead_certain
    assert {found.best, found.runner_up} == {(2, 2), (4, 1)}


def test_without_one_job_of_one_thread_there_is_no_limit() -> None:
    """Efficiency and limit need the 1×1 cell; without it they are left open, the best is not."""
    (found,) = judge_grid(ObservedRun(_manifest(), tuple(_rounds({(2, 1): 20, (4, 1): 38}))))
    assert found.best == (4, 1)
    assert found.limit_fraction is None
    assert all(split.efficiency is None for split in found.splits)


def test_the_limit_is_cores_or_memory() -> None:
    """Four cores allow four times one job; memory that carries 2.5 times its pixels allows 2.5;
    two threads per core count as one."""
    assert machine_speedup_limit(4, 1e6, None) == 4
    assert machine_speedup_limit(4, 1e6, 1e9) == 4
    assert machine_speedup_limit(4, 1e6, 1.5e6 * 2.5) == pytest.approx(2.5)
    smt = _host(usable_core_count=8, physical_core_count=4, threads_per_core=2)
    assert limiting_core_count(smt) == 4
    assert limiting_core_count(_host(physical_core_count=None, threads_per_core=None)) == 4


def test_memory_measured_at_no_count_is_no_limit() -> None:
    """Two jobs with twice the frames of one reach half of what four cores allow."""
    memory = BandwidthFacts(block_bytes=1, repeats=1, points=())
    trials = _rounds({(1, 1): 10, (2, 1): 20}, sd=0.001)
    (found,) = judge_grid(ObservedRun(_manifest(memory_bandwidth=memory), tuple(trials)))
    assert found.limit_fraction.point == pytest.approx(0.5, rel=0.01)


def test_memory_lowers_the_limit_of_a_grid() -> None:
    """With memory that carries twice what one job reads, 19 fps of 10 are 95 % of the limit."""
    point = BandwidthPoint(process_count=1, bytes_per_s=2 * 10 * 100 * 100 * 1.5)
    memory = BandwidthFacts(block_bytes=1, repeats=1, points=(point,))
    trials = _rounds({(1, 1): 10, (4, 1): 19}, sd=0.001)
    (found,) = judge_grid(ObservedRun(_manifest(memory_bandwidth=memory), tuple(trials)))
    assert found.limit_fraction.point == pytest.approx(0.95, rel=0.01)


def _ingest(makespan_s: float, round_index: int) -> Trial:
    cell = Cell(
        task="ingest",
        clip=ALL_CLIPS,
        encoding="e",
        setting=Setting(jobs=2, clip_order="longest-first"),
    )
    end_ns = round(makespan_s * SECOND)
    measured = IngestMeasurement(
        clips=("a", "b", "c"),
        frame_count=(1000, 1000, 2000),
        width_px=(100,) * 3,
        height_px=(100,) * 3,
        source_bytes=(1,) * 3,
        start_ns=(0,) * 3,
        encoded_ns=(1,) * 3,
        end_ns=(end_ns,) * 3,
        worker_index=(0, 1, 0),
        cpu_ns=(1,) * 3,
        file_bytes=(1,) * 3,
        is_verified=(True,) * 3,
        worker_count=2,
    )
    return finished_trial(cell, round_index, measured)


def _predict(trials: list[Trial]) -> tuple[IngestPrediction, ...]:
    counts = {"a": 1000, "b": 1000, "c": 2000}
    clips = [fabricate_clip(n).model_copy(update={"frame_count": c}) for n, c in counts.items()]
    manifest = _manifest().model_copy(update={"clips": tuple(clips)})
    return predict_ingests(ObservedRun(manifest, tuple(trials)))


def test_the_makespan_is_that_of_the_schedule() -> None:
    """Two jobs at 20 fps together take 0.1 s a frame to encode and as long to load and prove: clips
    of 200, 200 and 400 s on two workers take 400 s."""
    trials = [_grid(2, 1, 20, r, clip) for clip in "abc" for r in range(4)]
    trials += [_ingest(400 * (1 + 0.01 * r), r) for r in range(4)]
    (found,) = _predict(trials)
    assert found.predicted.point == pytest.approx(400)
    assert abs(found.miss_fraction) < 0.05


def test_two_rounds_predict_a_point_only() -> None:
    """With two rounds of the grid the makespan is given without an interval, with the reason."""
    trials = [_grid(2, 1, 20, r, clip) for clip in "abc" for r in range(2)]
    (found,) = _predict([*trials, _ingest(400, 0)])
    assert (found.predicted.low, found.predicted.high) == (None, None)
    assert [w.kind for w in found.predicted.withheld] == ["few_rounds"]


def test_no_draw_of_a_clips_seconds_is_below_zero() -> None:
    """A clip of 1 s, give or take 5, is drawn with seconds below 0, which no schedule can have."""
    wide = Estimate.exact(1.0, "s").model_copy(update={"low": -4.0, "high": 6.0, "round_count": 3})
    found = predict_makespan([wide, wide], 1, rng=np.random.default_rng(1))
    assert (found.point, found.low) == (2, 0)


def test_no_prediction_without_the_split() -> None:
    """A grid of another split, or one that lacks a clip, predicts nothing."""
    trials = [_grid(1, 1, 20, r, clip) for clip in "abc" for r in range(4)]
    trials += [_grid(2, 1, 20, r, clip) for clip in "ab" for r in range(4)]
    trials += [_ingest(400, r) for r in range(4)]
    (found,) = _predict(trials)
    assert found.predicted is None
    assert found.measured.point == pytest.approx(400)


def test_what_storage_held_up_is_no_speed_of_the_machine() -> None:
    """An ingest over a link, four times as slow, is not foretold, and changes no pixel rate; alone
    it gives none."""
    trials = [_grid(2, 1, 20, r, clip) for clip in "abc" for r in range(4)]
    here = [_ingest(400, r) for r in range(4)]
    cell = here[0].cell.but(setting=here[0].cell.setting.but(link="1 Gbit/s, 9 ms"))
    there = [_ingest(1600, r).model_copy(update={"cell": cell}) for r in range(4)]
    found = _predict([*trials, *here, *there])
    assert [bool(one.predicted) for one in found] == [True, False]

    def rate(trials: list[Trial]) -> object:
        keyed = [((0, trial.round_index), trial) for trial in trials]
        return find_pixel_rate(cell.encoding, keyed, _manifest().clips, tasks=("ingest",))

    assert rate([*here, *there]) == rate(here)
    assert rate(there) is None


def test_pixels_of_an_hour_count_as_the_clips_have_them() -> None:
    """One clip has twice the other's pixels a second: at 1 and 4 × 10⁵ pixels a second three parts
    take 1 + 2 / 4 units of time, which is 2 × 10⁵."""
    small, large = fabricate_manifest(Fabrication(clips=("a", "b"))).clips
    wide = large.original.model_copy(update={"width_px": 2 * large.original.width_px})
    clips = (small, large.model_copy(update={"original": wide}))
    trials = [
        ((0, index), _grid(1, 1, fps, index, clip))
        for clip, fps in (("a", 10), ("b", 40))
        for index in range(3)
    ]
    name = trials[0][1].cell.encoding
    rate, source = find_pixel_rate(name, trials, clips)
    assert rate.point == pytest.approx(2e5)
    assert (source.slow_round_count, source.round_count) == (0, 3)

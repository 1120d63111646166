"""How fast each split of jobs × threads encodes; the best one, and how near to the limit."""

import math
from collections.abc import Mapping, Sequence
from typing import Final, Literal

import numpy as np

from mezzmark.decide.estimate.observed_run import Observation, ObservedRun
from mezzmark.decide.estimate.over_clips import mix_of, pool_clips, work_shares
from mezzmark.decide.estimate.pooling import compare_groups, group_over_clips
from mezzmark.decide.estimate.rounds import estimate_rate, with_missed_slow_rounds
from mezzmark.model.cell import ALL_CLIPS, Cell, Setting
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.records import Trial
from mezzmark.model.run import ClipManifest, HostFacts
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.decode import DecodeMeasurement
from mezzmark.model.tasks.encode import EncodeMeasurement
from mezzmark.model.tasks.grid import GridMeasurement
from mezzmark.model.tasks.ingest import ClipOrder, IngestMeasurement
from mezzmark.model.tasks.spec import Seen
from mezzmark.statistics.intervals import Floats
from mezzmark.statistics.scaling import ScalingFit, fit_scaling

RateTask = Literal["ingest", "grid", "encode", "decode"]

RATE_TASKS: Final[tuple[RateTask, ...]] = ("ingest", "grid", "encode")
"""Where ingest speed may come from, best first: only `ingest` decodes and converts as well."""

Round = tuple[int, int]  # Number of the run, and of the round in it
RoundTrials = Sequence[tuple[Round, Trial]]


class RateSource(Fact):
    """The measurement that an ingest speed was taken from; `order` is that of an ingest's clips.
    `slow_round_count` of its `round_count` rounds were slower than a typical one by a tenth.
    `with_decode`: predicted from it and from decoding the originals."""

    task: RateTask
    job_count: int
    thread_count: int
    order: ClipOrder | None = None
    slow_round_count: int = 0
    round_count: int = 0
    with_decode: bool = False

    @property
    def is_bound(self) -> bool:
        """Whether the speed leaves decoding out, so that ingest is slower than that."""
        return self.task != "ingest" and not self.with_decode


def find_pixel_rate(
    name: str,
    trials: RoundTrials,
    clips: Sequence[ClipManifest],
    tasks: Sequence[RateTask] = RATE_TASKS,
) -> tuple[Estimate, RateSource] | None:
    """Pixels a second (of the mix, in all) of the best task's fastest setting, and which it is."""
    for task in tasks:
        found = {
            setting: estimate_rate(*work, unit="px/s", is_total=True)
            for setting, work in _work_by_setting(name, task, trials, clips).items()
        }
        if found:
            best = max(found, key=lambda setting: found[setting].point)
            rate = with_missed_slow_rounds(found[best])
            source = RateSource(
                task=task,
                job_count=best["jobs"],
                thread_count=best["threads"],
                order=best["clip_order"],
                slow_round_count=rate.slow_round_count or 0,
                round_count=rate.round_count,
            )
            return rate, source
    return None


def fit_grid(name: str, trials: RoundTrials, clips: Sequence[ClipManifest]) -> ScalingFit | None:
    """The law through the best split of each core count of the grid; None for too few counts."""
    best: dict[int, list[float]] = {}
    for setting, (pixels, seconds, shares) in _work_by_setting(name, "grid", trials, clips).items():
        count = math.prod(setting.split)
        rates = (1 / (np.array(shares) @ (seconds / pixels))).tolist()
        if count not in best or np.mean(rates) > np.mean(best[count]):
            best[count] = rates
    if len(best) < 2:
        return None
    rounds = min(map(len, best.values()))
    counts = sorted(best)
    matrix = np.array([best[count][:rounds] for count in counts]).T
    return fit_scaling(counts, matrix, law="usl" if len(counts) > 2 else "amdahl")


def pixel_work(trial: Trial) -> tuple[float, float]:
    """Pixels encoded, or decoded in order, and the seconds they took; (0, 0) for other trials."""
    measured = trial.measurement
    if isinstance(measured, EncodeMeasurement | GridMeasurement | DecodeMeasurement):
        work = TASKS[trial.cell.task].work(Seen(measured, None))
        return float(work.frame_count * measured.width_px * measured.height_px), work.wall_ns / 1e9
    if isinstance(measured, IngestMeasurement):
        return float(sum(measured.pixels)), max(measured.end_ns) / 1e9
    return 0.0, 0.0


def _work_by_setting(
    name: str, task: RateTask, trials: RoundTrials, clips: Sequence[ClipManifest]
) -> dict[Setting, tuple[Floats, Floats, list[float]]]:
    """Pixels and seconds by clip and round, of the rounds in which every clip took part, and the
    clips' shares of the pixels of the mix. Ingest that resizes is left out: its pixels are not
    those of the footage; so is what a link or another storage may have held up."""
    work: dict[Setting, dict[str, dict[Round, tuple[float, float]]]] = {}
    for key, trial in trials:
        cell, done = trial.cell, pixel_work(trial)
        if cell.setting["delivery_height"] is not None or any(cell.setting.condition):
            continue
        if cell.task == task and cell.encoding == name and min(done) > 0:
            work.setdefault(cell.setting, {}).setdefault(cell.clip, {})[key] = done
    timed = {trial.cell.clip for _, trial in trials if trial.cell.task == task} - {ALL_CLIPS}
    mix = mix_of(clips, timed)
    pixels_per_s = {c.clip: c.pixels_per_s for c in clips}
    found = {}
    for setting, by_clip in work.items():
        names = list(by_clip) if ALL_CLIPS in by_clip else list(mix)
        rounds = [by_clip.get(clip, {}) for clip in names]
        common = sorted(set.intersection(*map(set, rounds)))
        if common:
            both = np.array([[of_clip[key] for key in common] for of_clip in rounds])
            shares = [mix.get(clip, 1.0) for clip in names]
            weights = work_shares(shares, [pixels_per_s.get(clip, 1.0) for clip in names])
            found[setting] = both[..., 0], both[..., 1], weights
    return found


class SplitFigures(Fact):
    """One split of jobs × threads. `efficiency` is its throughput over that of one job of one
    thread, per thread: 1 where every thread adds as much as the first; None without that cell."""

    job_count: int
    thread_count: int
    figures: dict[str, Estimate]
    efficiency: Estimate | None


class GridFindings(Fact):
    """One encoding's grid. Splits are (jobs, threads). `lead` is best over runner-up in throughput,
    paired by round; `is_lead_certain` when its interval lies above 1, `is_doubtful` where that over
    any other does not. `gain` is best over one job of one thread, where that is another split.
    `limit_fraction` is the best split's share of what the machine could do at best."""

    encoding: str
    splits: tuple[SplitFigures, ...]
    best: tuple[int, int]
    runner_up: tuple[int, int] | None
    lead: Estimate | None
    is_lead_certain: bool
    is_doubtful: bool = False
    gain: Estimate | None = None
    limit_fraction: Estimate | None

    @property
    def best_split(self) -> SplitFigures:
        """What was measured of the best split."""
        return next(s for s in self.splits if (s.job_count, s.thread_count) == self.best)


BYTES_PER_PIXEL: Final = 1.5
"""The least an encoder reads from memory: each sample of an 8-bit 4:2:0 picture once."""


def judge_grid(run: ObservedRun) -> tuple[GridFindings, ...]:
    """Findings of each encoding that has grid trials, in order of first appearance. Figures are
    over the run's clips, of encodings that have all. The machine's limit is one job of one thread
    times the cores (physical ones where cores run several threads), and never more than what memory
    carries; `limit_fraction` is the best split's share of it, paired by round."""
    mine = [t for t in run.trials if t.cell.task == "grid" and not t.arm]
    observations = [o for o in run.observations if o.cell.task == "grid"]
    pooled = pool_clips(observations, run.manifest)
    pooled = {cell: figures for cell, figures in pooled.items() if "throughput_fps" in figures}
    groups = group_over_clips(observations)
    return tuple(
        _judge(name, pooled, groups, mine, run.manifest.host)
        for name in dict.fromkeys(o.cell.encoding for o in observations)
        if any(cell.encoding == name for cell in pooled)
    )


def _judge(
    name: str,
    every: Mapping[Cell, dict[str, Estimate]],
    groups: Mapping[Cell, Sequence[Observation]],
    trials: Sequence[Trial],
    host: HostFacts,
) -> GridFindings:
    pooled = {cell: figures for cell, figures in every.items() if cell.encoding == name}
    ranked = sorted(pooled, key=lambda cell: -pooled[cell]["throughput_fps"].point)
    single = next((cell for cell in pooled if cell.setting.split == (1, 1)), None)
    best, runner_up = ranked[0], ranked[1] if len(ranked) > 1 else None

    def ratio(a: Cell, b: Cell | None) -> Estimate | None:
        if b is None:
            return None
        return compare_groups(groups[a], groups[b], "throughput_fps")

    limit_fraction = None
    if single is not None:
        memory = host.memory_bandwidth
        points = memory.points if memory else ()
        bandwidth = max((point.bytes_per_s for point in points), default=None)
        rate = _single_pixel_rate(single, trials)
        limit = machine_speedup_limit(limiting_core_count(host), rate, bandwidth)
        limit_fraction = _share(ratio(best, single), limit)
    lead = ratio(best, runner_up)
    leads = [ratio(best, c) for c in groups if c.encoding == name and c != best]
    return GridFindings(
        encoding=name,
        splits=tuple(
            SplitFigures(
                job_count=cell.setting["jobs"],
                thread_count=cell.setting["threads"],
                figures=pooled[cell],
                efficiency=_share(ratio(cell, single), math.prod(cell.setting.split)),
            )
            for cell in sorted(pooled, key=lambda c: c.setting.split)
        ),
        best=best.setting.split,
        runner_up=runner_up and runner_up.setting.split,
        lead=lead,
        is_lead_certain=lead is not None and lead.low is not None and lead.low > 1,
        is_doubtful=any(one and (one.low is None or one.low <= 1) for one in leads),
        gain=None if single == best else ratio(best, single),
        limit_fraction=limit_fraction,
    )


def limiting_core_count(host: HostFacts) -> int:
    """Cores that can be as fast as one alone: physical ones that this process may use."""
    if host.threads_per_core and host.threads_per_core > 1 and host.physical_core_count:
        return min(host.usable_core_count, host.physical_core_count)
    return host.usable_core_count


def machine_speedup_limit(
    core_count: int, single_pixel_rate: float, bandwidth_bytes_per_s: float | None
) -> float:
    """How many times one job of one thread the machine could do at best: as many times as it has
    cores, unless reading the pictures alone would take more than memory carries."""
    if bandwidth_bytes_per_s is None or single_pixel_rate <= 0:
        return float(core_count)
    carried = bandwidth_bytes_per_s / (single_pixel_rate * BYTES_PER_PIXEL)
    return max(1.0, min(float(core_count), carried))


def _single_pixel_rate(single: Cell, trials: Sequence[Trial]) -> float:
    work = [pixel_work(trial) for trial in trials if trial.cell.but(clip="") == single]
    pixels, seconds = (sum(parts) for parts in zip(*work, strict=True)) if work else (0.0, 0.0)
    return pixels / seconds if seconds else 0.0


def best_split_by_core_count(findings: GridFindings) -> dict[int, SplitFigures]:
    """The split with the most throughput of each number of threads in all, fewest first."""
    fastest_last = sorted(findings.splits, key=lambda split: split.figures["throughput_fps"].point)
    best = {split.job_count * split.thread_count: split for split in fastest_last}
    return dict(sorted(best.items()))


def _share(ratio: Estimate | None, whole: float) -> Estimate | None:
    return ratio and ratio.map(lambda value: value / whole, "")

"""What the encode grid says: the best split of jobs × threads, and how near it is to the limit."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mezzmark.decide.estimate.observed_run import Observation, observe
from mezzmark.decide.estimate.pooling import compare_groups, group_over_clips, pool_clips
from mezzmark.decide.throughput.rates import encoded_work
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import NS_PER_S, Fact
from mezzmark.model.records import Trial
from mezzmark.model.run import HostFacts
from mezzmark.model.tasks.grid import GridMeasurement


class SplitFigures(Fact):
    """One split of jobs × threads. `efficiency` is its throughput over that of one job of one
    thread, per thread: 1 where every thread adds as much as the first; None without that cell."""

    job_count: int
    thread_count: int
    figures: dict[str, Estimate]
    efficiency: Estimate | None


class GridFindings(Fact):
    """One encoding's grid. Splits are (jobs, threads).

    `lead` is best over runner-up in throughput, paired by round; `is_lead_certain` when its
    interval lies above 1. `limit_fraction` is the best split's share of what the machine could
    do at best.
    """

    encoding: str
    splits: tuple[SplitFigures, ...]
    best: tuple[int, int]
    runner_up: tuple[int, int] | None
    lead: Estimate | None
    is_lead_certain: bool
    limit_fraction: Estimate | None


BYTES_PER_PIXEL: Final = 1.5
"""The least an encoder reads from memory: each sample of an 8-bit 4:2:0 picture once."""


def judge_grid(
    trials: Sequence[Trial], host: HostFacts, *, confidence_level: float
) -> tuple[GridFindings, ...]:
    """Findings of each encoding that has grid trials, in order of first appearance.

    Figures are over clips (geometric mean per round). The machine's limit is one job of one
    thread times the cores (physical ones where cores run several threads), and never more than
    what memory carries; `limit_fraction` is the best split's share of it, paired by round.
    """
    mine = [t for t in trials if t.cell.task == "grid" and not t.arm]
    observations = observe(mine)
    by_encoding: dict[str, list[Observation]] = {}
    for observation in observations:
        by_encoding.setdefault(observation.cell.encoding, []).append(observation)
    return tuple(
        _judge(name, group, mine, host, confidence_level) for name, group in by_encoding.items()
    )


def _judge(
    name: str,
    observations: Sequence[Observation],
    trials: Sequence[Trial],
    host: HostFacts,
    confidence_level: float,
) -> GridFindings:
    pooled = pool_clips(observations, confidence_level=confidence_level)
    groups = group_over_clips(observations)
    ranked = sorted(pooled, key=lambda cell: -pooled[cell]["throughput_fps"].point)
    single = next((cell for cell in pooled if cell.setting.split == (1, 1)), None)
    best, runner_up = ranked[0], ranked[1] if len(ranked) > 1 else None

    def ratio(a: Cell, b: Cell | None) -> Estimate | None:
        if b is None:
            return None
        return compare_groups(
            groups[a], groups[b], "throughput_fps", confidence_level=confidence_level
        )

    speedup = ratio(best, single)
    ceiling = None
    if single is not None:
        ceiling = machine_speedup_limit(
            limiting_core_count(host), _single_pixel_rate(single, trials), _bandwidth(host)
        )
    lead = ratio(best, runner_up)
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
        limit_fraction=None if ceiling is None else _share(speedup, ceiling),
    )


def limiting_core_count(host: HostFacts) -> int:
    """Cores that can be as fast as one alone: physical ones that this process may use."""
    if host.threads_per_core and host.threads_per_core > 1 and host.physical_core_count:
        return min(host.usable_core_count, host.physical_core_count)
    return host.usable_core_count


def machine_speedup_limit(
    core_count: int, single_pixel_rate: float, bandwidth_bytes_per_s: float | None
) -> float:
    """How many times one job of one thread the machine could do at best.

    As many times as it has cores, unless reading the pictures alone would take more than memory
    carries.
    """
    if bandwidth_bytes_per_s is None or single_pixel_rate <= 0:
        return float(core_count)
    carried = bandwidth_bytes_per_s / (single_pixel_rate * BYTES_PER_PIXEL)
    return max(1.0, min(float(core_count), carried))


def _bandwidth(host: HostFacts) -> float | None:
    if host.memory_bandwidth is None:
        return None
    return max(point.bytes_per_s for point in host.memory_bandwidth.points)


def _single_pixel_rate(single: Cell, trials: Sequence[Trial]) -> float:
    """Pixels a second of one job of one thread, over all clips and rounds."""
    pixels = seconds = 0.0
    for trial in trials:
        if trial.cell.but(clip="") == single:
            work = encoded_work(trial)
            pixels, seconds = pixels + work[0], seconds + work[1]
    return pixels / seconds if seconds else 0.0


def clip_seconds(
    trials: Sequence[Trial], encoding: str, *, job_count: int, thread_count: int
) -> dict[str, NDArray[np.float64]]:
    """Per clip, the seconds a frame takes one job of this split, one value per round.

    Loading (decode and conversion), encoding and proving, each as measured with all jobs at it:
    the way of a clip through an ingest pool of the same split.
    """
    found: dict[str, dict[int, float]] = {}
    for trial in trials:
        cell, measured = trial.cell, trial.measurement
        if (
            isinstance(measured, GridMeasurement)
            and trial.outcome == "finished"
            and not trial.arm
            and (cell.encoding, cell.setting["jobs"], cell.setting["threads"])
            == (encoding, job_count, thread_count)
            and measured.load_ns
            and measured.verify_ns
        ):
            spans = zip(
                measured.load_ns,
                measured.start_ns,
                measured.end_ns,
                measured.verify_ns,
                strict=True,
            )
            mean_ns = np.mean([load + end - start + proof for load, start, end, proof in spans])
            found.setdefault(cell.clip, {})[trial.round_index] = float(
                mean_ns / NS_PER_S / measured.frame_count
            )
    return {
        clip: np.array([seconds for _, seconds in sorted(rounds.items())])
        for clip, rounds in found.items()
        if all(math.isfinite(seconds) for seconds in rounds.values())
    }


def best_split_by_core_count(findings: GridFindings) -> dict[int, SplitFigures]:
    """The split with the most throughput of each number of threads in all, fewest first."""
    fastest_last = sorted(findings.splits, key=lambda split: split.figures["throughput_fps"].point)
    best = {split.job_count * split.thread_count: split for split in fastest_last}
    return dict(sorted(best.items()))


def _share(ratio: Estimate | None, whole: float) -> Estimate | None:
    """A ratio as a share of `whole`."""
    return ratio and ratio.map(lambda value: value / whole, "")

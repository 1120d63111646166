"""How many pixels a second each setting encodes, from the trials of one or more runs."""

import math
from collections.abc import Sequence
from typing import Final, Literal

import numpy as np

from mezzmark.decide.estimate.rounds import estimate_values
from mezzmark.model.cell import Setting
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.records import Trial
from mezzmark.model.tasks.encode import EncodeMeasurement
from mezzmark.model.tasks.grid import GridMeasurement
from mezzmark.model.tasks.ingest import ClipOrder, IngestMeasurement
from mezzmark.statistics.scaling import ScalingFit, fit_scaling

RateTask = Literal["ingest", "grid", "encode"]

RATE_TASKS: Final[tuple[RateTask, ...]] = ("ingest", "grid", "encode")
"""Where ingest speed may come from, best first: only `ingest` decodes and converts as well."""

Round = tuple[int, int]
"""Number of the run, and of the round in it."""


class RateSource(Fact):
    """The measurement that an ingest speed was taken from; `order` is that of an ingest's clips."""

    task: RateTask
    job_count: int
    thread_count: int
    order: ClipOrder | None = None


def find_pixel_rate(
    name: str, trials: Sequence[tuple[Round, Trial]], confidence_level: float
) -> tuple[Estimate, RateSource] | None:
    """Pixels a second of the fastest setting of the best task measured, and which that was."""
    for task in RATE_TASKS:
        rates = _rates_by_setting(name, task, trials)
        if rates:
            best = max(rates, key=lambda setting: float(np.mean(np.log(rates[setting]))))
            jobs, threads = best.split
            source = RateSource(
                task=task, job_count=jobs, thread_count=threads, order=best["clip_order"]
            )
            return estimate_values(rates[best], "px/s", len(rates[best]), confidence_level), source
    return None


def fit_grid(name: str, trials: Sequence[tuple[Round, Trial]]) -> ScalingFit | None:
    """The law through the best split of each core count of the grid; None for too few counts."""
    best: dict[int, list[float]] = {}
    for setting, rates in _rates_by_setting(name, "grid", trials).items():
        count = math.prod(setting.split)
        if count not in best or np.mean(rates) > np.mean(best[count]):
            best[count] = rates
    if len(best) < 2:
        return None
    rounds = min(map(len, best.values()))
    counts = sorted(best)
    matrix = np.array([best[count][:rounds] for count in counts]).T
    return fit_scaling(counts, matrix, law="usl" if len(counts) > 2 else "amdahl")


def encoded_work(trial: Trial) -> tuple[float, float]:
    """Pixels encoded and the seconds they took; (0, 0) for trials that encode nothing."""
    measured = trial.measurement
    if isinstance(measured, EncodeMeasurement):
        pixels = measured.frame_count * measured.width_px * measured.height_px
        return float(pixels), measured.wall_ns / 1e9
    if isinstance(measured, GridMeasurement):
        pixels = sum(measured.window_packets) * measured.width_px * measured.height_px
        return float(pixels), measured.window_ns / 1e9
    if isinstance(measured, IngestMeasurement):
        shapes = zip(measured.frame_count, measured.width_px, measured.height_px, strict=True)
        return float(sum(math.prod(shape) for shape in shapes)), max(measured.end_ns) / 1e9
    return 0.0, 0.0


def _rates_by_setting(
    name: str, task: RateTask, trials: Sequence[tuple[Round, Trial]]
) -> dict[Setting, list[float]]:
    """Total pixels / total seconds of each round in which every cell of the setting took part.

    Ingest that resizes is left out: its pixels are not those of the footage.
    """
    work: dict[Setting, dict[Round, dict[str, tuple[float, float]]]] = {}
    for key, trial in trials:
        cell = trial.cell
        if cell.task == task and cell.encoding == name and cell.setting["delivery_height"] is None:
            rounds = work.setdefault(cell.setting, {})
            rounds.setdefault(key, {})[cell.cell_id] = encoded_work(trial)
    found = {}
    for setting, rounds in work.items():
        full = max(map(len, rounds.values()))
        totals = [
            [sum(column) for column in zip(*cells.values(), strict=True)]
            for _, cells in sorted(rounds.items())
            if len(cells) == full
        ]
        found[setting] = [pixels / seconds for pixels, seconds in totals if seconds > 0]
    return {setting: rates for setting, rates in found.items() if rates}

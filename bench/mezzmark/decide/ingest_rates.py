"""How fast this machine turns footage into an encoding, from the trials that tell it best."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from mezzmark.decide.rounds import estimate_values
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.records import EncodeMeasurement, Trial
from mezzmark.facts.throughput import GridMeasurement, IngestMeasurement
from mezzmark.statistics.scaling import ScalingFit, fit_scaling

RATE_TASKS: Final = ("ingest", "grid", "encode")
"""Where ingest speed may come from, best first: only `ingest` decodes and converts as well."""

Round = tuple[int, int]
"""Number of the run, and of the round in it."""

Work = dict[Round, list[tuple[str, float, float]]]
"""Per round, what each cell encoded: its name, pixels, and seconds."""


def find_pixel_rate(
    name: str, trials: Sequence[tuple[Round, Trial]], confidence_level: float
) -> tuple[Estimate | None, str]:
    """Pixels a second of the fastest setting of the best task measured, and what that was.

    Ingest that resizes is left out: its pixels are not those of the footage.
    """
    for task in RATE_TASKS:
        settings: dict[tuple[int, int, str], Work] = {}
        for key, trial in trials:
            cell = trial.cell
            if cell.task == task and cell.encoding == name and cell.height_px is None:
                setting = (cell.job_count, cell.thread_count, cell.order or "")
                by_round = settings.setdefault(setting, {})
                by_round.setdefault(key, []).append((cell.cell_id, *_work(trial)))
        rates = {setting: _total_rates(by_round) for setting, by_round in settings.items()}
        rates = {setting: values for setting, values in rates.items() if values}
        if rates:
            best = max(rates, key=lambda setting: float(np.mean(np.log(rates[setting]))))
            jobs, threads, order = best
            source = f"{task}, {count_words(jobs, 'job')} × {count_words(threads, 'thread')}"
            source += f", {order}" if order else ""
            return estimate_values(rates[best], "px/s", len(rates[best]), confidence_level), source
    return None, ""


def count_words(number: int, noun: str) -> str:
    """`1 job`, `2 jobs`."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _work(trial: Trial) -> tuple[float, float]:
    """Pixels encoded and the seconds they took; (0, 0) for trials of other kinds."""
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


def _total_rates(by_round: Work) -> list[float]:
    """Total pixels / total seconds of each round in which every cell of the setting took part."""
    full = max(len({cell for cell, _, _ in work}) for work in by_round.values())
    return [
        sum(pixels for _, pixels, _ in work) / sum(seconds for *_, seconds in work)
        for _, work in sorted(by_round.items())
        if len({cell for cell, _, _ in work}) == full and sum(s for *_, s in work) > 0
    ]


def fit_grid(name: str, trials: Sequence[tuple[Round, Trial]]) -> ScalingFit | None:
    """The law through the best split of each core count of the grid; None for too few counts."""
    settings: dict[tuple[int, int], Work] = {}
    for key, trial in trials:
        cell = trial.cell
        if cell.task == "grid" and cell.encoding == name:
            by_round = settings.setdefault((cell.job_count, cell.thread_count), {})
            by_round.setdefault(key, []).append((cell.cell_id, *_work(trial)))
    best: dict[int, list[float]] = {}
    for (jobs, threads), by_round in settings.items():
        rates, count = _total_rates(by_round), jobs * threads
        if rates and (count not in best or np.mean(rates) > np.mean(best[count])):
            best[count] = rates
    rounds = min((len(rates) for rates in best.values()), default=0)
    if len(best) < 2 or rounds == 0:
        return None
    counts = sorted(best)
    matrix = np.array([best[count][:rounds] for count in counts]).T
    return fit_scaling(counts, matrix, law="usl" if len(counts) > 2 else "amdahl")

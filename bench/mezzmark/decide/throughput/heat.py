"""What going on does to an ingest: its speed in the first and in the last minutes of long trials,
and what the machine told of its clock, heat and battery meanwhile."""

from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np

from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.tasks.heat import HeatMoment, is_first, is_last
from mezzmark.model.tasks.ingest import IngestMeasurement

Pair = tuple[float, float]

Read = TypeVar("Read")


class HeatFindings(Fact):
    """One ingest cell that lasts. `first` and `last` are speeds in 10⁶ pixels a second, `ratio` is
    last / first; None where no clip was ingested in both.

    None too where the system did not tell it in every trial: the mean clock in first and last
    minutes, slowings for heat in all trials, if any ran on battery, and its least charge in them.
    """

    cell: Cell
    trial_count: int
    first: Estimate | None
    last: Estimate | None
    ratio: Estimate | None
    clock_mhz: Pair | None
    throttle_count: int | None
    on_battery: bool | None
    battery_fraction: Pair | None


def judge_heat(run: MeasuredRun) -> tuple[HeatFindings, ...]:
    """The findings of each ingest cell that lasts, in the order of settings."""
    ingests = [t for t in run.trials if t.cell.task == "ingest" and t.cell.setting["minutes"]]
    found = []
    for summary in summarise_cells(ingests):
        trials = [
            trial.measurement
            for trial in ingests
            if trial.cell == summary.cell
            and trial.is_counted
            and isinstance(trial.measurement, IngestMeasurement)
        ]
        if summary.arm or not trials:
            continue
        names = ("first_mpx_s", "last_mpx_s", "heat_ratio")
        first, last, ratio = (summary.estimates.get(name) for name in names)
        clock = _over(trials, lambda one: _ends(one, lambda m: m.frequency_mhz, np.mean))
        counts = _over(trials, lambda one: _counted(one.moments))
        battery = _over(trials, lambda one: _batteries(one.moments))
        charge = _over(trials, lambda one: _ends(one, lambda m: m.battery_fraction, np.min))
        found.append(
            HeatFindings(
                cell=summary.cell,
                trial_count=len(trials),
                first=first,
                last=last,
                ratio=ratio,
                clock_mhz=clock and _column(clock, np.mean),
                throttle_count=None if counts is None else sum(counts),
                on_battery=None if battery is None else any(battery),
                battery_fraction=charge and _column(charge, np.min),
            )
        )
    return tuple(found)


def _over(
    trials: Sequence[IngestMeasurement], read: Callable[[IngestMeasurement], Read | None]
) -> list[Read] | None:
    """What each trial tells; None where one tells nothing."""
    values = [value for value in map(read, trials) if value is not None]
    return values if len(values) == len(trials) else None


def _ends(
    trial: IngestMeasurement,
    read: Callable[[HeatMoment], float | None],
    pool: Callable[[list[float]], float],
) -> Pair | None:
    """A reading pooled over the moments of the first and of the last minutes; None where one of
    them was not told, or none was taken."""
    first, last = (
        [read(m) for m in trial.moments if lies(m.at_ns, m.at_ns, trial.lasting_ns)]
        for lies in (is_first, is_last)
    )
    told = [[value for value in values if value is not None] for values in (first, last)]
    if not (first and last) or [*map(len, told)] != [len(first), len(last)]:
        return None
    return float(pool(told[0])), float(pool(told[1]))


def _counted(moments: Sequence[HeatMoment]) -> int | None:
    counts = [moment.throttle_count for moment in moments]
    if len(counts) < 2 or counts[0] is None or counts[-1] is None:
        return None
    return counts[-1] - counts[0]


def _batteries(moments: Sequence[HeatMoment]) -> bool | None:
    told = [moment.on_battery for moment in moments]
    return None if None in told or not told else any(told)


def _column(pairs: Sequence[Pair], pool: Callable[[list[float]], float]) -> Pair:
    first, last = zip(*pairs, strict=True)
    return float(pool(list(first))), float(pool(list(last)))

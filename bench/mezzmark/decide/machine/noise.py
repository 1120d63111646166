"""Trials that were disturbed: flagged with the reason, never dropped.

What a machine does all the time is its nature; what it does in one trial and not in the cell's
others is a disturbance. So most limits are above the median of the same cell in the same run.
Where its states make whole trials fast or slow, a typical one between them is seldom met: both
levels are told, with their shares."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Annotated, Final, Literal

import numpy as np
from pydantic import PlainSerializer

from mezzmark.decide.estimate.observed_run import ObservedRun, Place, RunCosts
from mezzmark.model.cell import Cell
from mezzmark.model.fact import NS_PER_S, Fact, grouped
from mezzmark.model.records import Trial
from mezzmark.model.tasks import TASKS
from mezzmark.statistics.spread import split_in_two

STEAL_FRACTION: Final = 0.02
"""Processor time taken by the hypervisor; 2 % is the size of change that comparisons look for."""

FREQUENCY_DIP: Final = 0.10
"""Clock below the run's median by this share: the work takes that much longer."""

PRESSURE_RISE: Final = 0.10  # Waiting time above the cell's median by this share of the trial
SWITCH_FACTOR: Final = 4.0
SWITCH_RATE_PER_S: Final = 50.0
"""Involuntary switches a processor second: several times the cell's usual rate, and so many that
50 slices of some milliseconds were lost in a second."""

CauseKind = Literal[
    "steal", "heat", "clock", "processor_wait", "storage_wait", "memory_wait", "interruptions"
]


@dataclass(frozen=True, slots=True)
class Cause:
    """What disturbed a trial, and how much of it there was: the share of the trial that the
    hypervisor took (`steal`) or that work waited (`…_wait`), times slowed for heat, the clock in
    MHz, or `interruptions` by other work a processor second."""

    kind: CauseKind
    value: float


class CauseRange(Fact):
    """One kind of cause over many trials: its smallest and largest value, and their count."""

    kind: CauseKind
    low: float
    high: float
    trial_count: int


def summarise_causes(flagged: Iterable[Sequence[Cause]]) -> tuple[CauseRange, ...]:
    """Each kind of cause of disturbed trials once, the most frequent first."""
    values = grouped((cause.kind, cause.value) for causes in flagged for cause in causes)
    return tuple(
        CauseRange(kind=kind, low=min(found), high=max(found), trial_count=len(found))
        for kind, found in sorted(values.items(), key=lambda item: -len(item[1]))
    )


_Read = Callable[[Trial], float | None]


def _switch_rate_per_s(trial: Trial) -> float | None:
    process = trial.process
    if process is None or process.involuntary_switches is None or process.cpu_ns <= 0:
        return None
    return process.involuntary_switches / (process.cpu_ns / NS_PER_S)


def _has_risen(now: float, usual: float) -> bool:
    return now > usual + PRESSURE_RISE


_SIGNS: Final[dict[CauseKind, tuple[_Read, Callable[[float, float], bool]]]] = {
    "steal": (lambda t: t.host_during.steal_fraction, lambda now, _: now > STEAL_FRACTION),
    "heat": (lambda t: t.host_during.throttle_count, lambda now, _: now > 0),
    "clock": (
        lambda t: t.host_during.frequency_mhz,
        lambda now, usual: now < (1 - FREQUENCY_DIP) * usual,
    ),
    "processor_wait": (lambda t: t.host_during.cpu_pressure, _has_risen),
    "storage_wait": (lambda t: t.host_during.io_pressure, _has_risen),
    "memory_wait": (lambda t: t.host_during.memory_pressure, _has_risen),
    "interruptions": (
        _switch_rate_per_s,
        lambda now, usual: now > max(SWITCH_FACTOR * usual, usual + SWITCH_RATE_PER_S),
    ),
}
"""What is read of a trial, and whether it disturbs beside its cell's median (clock: its run's)."""


def flag_trials(trials: Sequence[Trial]) -> dict[Place, tuple[Cause, ...]]:
    """What disturbed trials of one run, by their places and in their order."""
    of_cells = grouped((trial.cell, place) for place, trial in enumerate(trials)).values()
    found: dict[int, list[Cause]] = {}
    for kind, (read, is_disturbed) in _SIGNS.items():
        told = [read(trial) for trial in trials]
        for places in [range(len(trials))] if kind == "clock" else of_cells:
            known = {place: now for place in places if (now := told[place]) is not None}
            usual = median(known.values()) if known else 0.0
            for place, now in known.items():
                if is_disturbed(now, usual):
                    found.setdefault(place, []).append(Cause(kind, now))
    return {(trials[p].round_index, trials[p].position): tuple(found[p]) for p in sorted(found)}


MANY_FRACTION: Final = 0.1
"""From this share of disturbed trials on a reader is warned, whatever they change."""

Leaders = Callable[[Sequence[ObservedRun]], frozenset[str]]
"""Who leads by these trials: the chosen encoding, or those that may be the fastest."""

Names = Annotated[frozenset[str], PlainSerializer(sorted, when_used="json")]


class Disturbance(Fact):
    """How many trials were disturbed, and who leads with and without them (see `Leaders`)."""

    disturbed_count: int
    trial_count: int
    leaders: Names = frozenset()
    leaders_without: Names = frozenset()
    is_choice: bool = False

    @property
    def is_warning(self) -> bool:
        """Whether a reader should know before relying on the answer."""
        are_many = self.disturbed_count >= MANY_FRACTION * self.trial_count > 0
        return self.leaders != self.leaders_without or are_many


def judge_disturbance(
    runs: Sequence[ObservedRun], leaders: Leaders, *, is_choice: bool
) -> Disturbance:
    """Disturbed trials of runs, and whether `leaders` names others without them."""
    flagged = [flag_trials(run.trials) for run in runs]
    disturbed = sum(map(len, flagged))
    counts = {"disturbed_count": disturbed, "trial_count": sum(len(run.trials) for run in runs)}
    if not disturbed:
        return Disturbance(**counts, is_choice=is_choice)
    without = [
        ObservedRun(
            run.manifest,
            tuple(t for t in run.trials if (t.round_index, t.position) not in places),
            tuple(o for o in run.observations if (o.round_index, o.position) not in places),
        )
        for run, places in zip(runs, flagged, strict=True)
    ]
    return Disturbance(
        **counts, leaders=leaders(runs), leaders_without=leaders(without), is_choice=is_choice
    )


class TwoKinds(Fact):
    """Geometric means of a cell's fast and slow trials, in the unit of its leading figure;
    `fast_count` of `count` are fast."""

    cell: Cell
    fast: float
    slow: float
    fast_count: int
    count: int
    unit: str


def find_two_kinds(cell: Cell, runs: Iterable[RunCosts]) -> TwoKinds | None:
    """Of a cell's trials in all these runs; None where they are not surely of two kinds."""
    logs = np.sort(np.log([cost for run in runs for cost in run.by_cell.get(cell, {}).values()]))
    if not (at := split_in_two(logs)):
        return None
    figure = TASKS[cell.task].figure(TASKS[cell.task].headline)
    sign = 1 if figure.better == "less" else -1
    fast, slow = (float(np.exp(sign * part.mean())) for part in (logs[:at], logs[at:]))
    return TwoKinds(
        cell=cell, fast=fast, slow=slow, fast_count=at, count=logs.size, unit=figure.unit
    )

"""Trials that were disturbed: flagged with the reason, never dropped.

What a machine does all the time is its nature; what it does in one trial and not in the cell's
others is a disturbance. So most limits are above the median of the same cell in the same run.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final, Literal

from mezzmark.decide.estimate.observed_run import ObservedRun
from mezzmark.model.cell import Cell
from mezzmark.model.fact import NS_PER_S, Fact, grouped
from mezzmark.model.records import Trial

STEAL_FRACTION: Final = 0.02
"""Processor time taken by the hypervisor; 2 % is the size of change that comparisons look for."""

FREQUENCY_DIP: Final = 0.10
"""Clock below the run's median by this share: the work takes that much longer."""

PRESSURE_RISE: Final = 0.10
"""Waiting time above the cell's median by this share of the trial."""

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


@dataclass(frozen=True, slots=True, kw_only=True)
class FlaggedTrial:
    """A disturbed trial of a run and by what."""

    round_index: int
    position: int
    cell: Cell
    causes: tuple[Cause, ...]


class CauseRange(Fact):
    """One kind of cause over many trials: its smallest and largest value, and their count."""

    kind: CauseKind
    low: float
    high: float
    trial_count: int


def summarise_causes(flagged: Sequence[FlaggedTrial]) -> tuple[CauseRange, ...]:
    """Each kind of cause once, the most frequent first."""
    values = grouped((cause.kind, cause.value) for trial in flagged for cause in trial.causes)
    return tuple(
        CauseRange(kind=kind, low=min(found), high=max(found), trial_count=len(found))
        for kind, found in sorted(values.items(), key=lambda item: -len(item[1]))
    )


def flag_trials(trials: Sequence[Trial]) -> tuple[FlaggedTrial, ...]:
    """The disturbed ones among the trials of one run, in their order."""
    by_cell = grouped((trial.cell, trial) for trial in trials)
    usual = {
        cell: {kind: _median(group, read) for kind, read in _ABOVE_USUAL.items()}
        for cell, group in by_cell.items()
    }
    clock = _median(trials, lambda trial: trial.host_during.frequency_mhz)
    return tuple(
        FlaggedTrial(
            round_index=trial.round_index, position=trial.position, cell=trial.cell, causes=causes
        )
        for trial in trials
        if (causes := _causes(trial, usual[trial.cell], clock))
    )


def _causes(
    trial: Trial, usual: Mapping[CauseKind, float | None], clock_mhz: float | None
) -> tuple[Cause, ...]:
    """What disturbed a trial, given the `usual` values of its cell and the run's clock."""
    during = trial.host_during
    causes = []
    if during.steal_fraction is not None and during.steal_fraction > STEAL_FRACTION:
        causes.append(Cause("steal", during.steal_fraction))
    if during.throttle_count:
        causes.append(Cause("heat", during.throttle_count))
    clock = during.frequency_mhz
    if clock is not None and clock_mhz is not None and clock < (1 - FREQUENCY_DIP) * clock_mhz:
        causes.append(Cause("clock", clock))
    for kind, read in _ABOVE_USUAL.items():
        now, normal = read(trial), usual[kind]
        if now is not None and normal is not None and now > _limit(kind, normal):
            causes.append(Cause(kind, now))
    return tuple(causes)


def _limit(kind: CauseKind, usual: float) -> float:
    if kind == "interruptions":
        return max(SWITCH_FACTOR * usual, usual + SWITCH_RATE_PER_S)
    return usual + PRESSURE_RISE


def _switch_rate_per_s(trial: Trial) -> float | None:
    process = trial.process
    if process is None or process.involuntary_switches is None or process.cpu_ns <= 0:
        return None
    return process.involuntary_switches / (process.cpu_ns / NS_PER_S)


_Read = Callable[[Trial], float | None]

_ABOVE_USUAL: Final[dict[CauseKind, _Read]] = {
    "processor_wait": lambda trial: trial.host_during.cpu_pressure,
    "storage_wait": lambda trial: trial.host_during.io_pressure,
    "memory_wait": lambda trial: trial.host_during.memory_pressure,
    "interruptions": _switch_rate_per_s,
}
"""Causes that are told from what the same cell shows in its other trials."""


def _median(trials: Sequence[Trial], read: _Read) -> float | None:
    values = [value for trial in trials if (value := read(trial)) is not None]
    return median(values) if values else None


MANY_FRACTION: Final = 0.1
"""From this share of disturbed trials on a reader is warned, whatever they change."""

Leaders = Callable[[ObservedRun], frozenset[str]]
"""Who leads, by all or some of a run's trials: the chosen encoding, or those that may be the
fastest."""


class Disturbance(Fact):
    """How many trials were disturbed, and who leads with and without them: the chosen encoding
    where `is_choice`, else those that may be the fastest."""

    disturbed_count: int
    trial_count: int
    leaders: frozenset[str] = frozenset()
    leaders_without: frozenset[str] = frozenset()
    is_choice: bool = False

    @property
    def is_warning(self) -> bool:
        """Whether a reader should know before relying on the answer."""
        return (
            self.leaders != self.leaders_without
            or self.disturbed_count >= MANY_FRACTION * self.trial_count > 0
        )


def judge_disturbance(run: ObservedRun, leaders: Leaders, *, is_choice: bool) -> Disturbance:
    """Disturbed trials of a run, and whether `leaders` names others without them."""
    places = {(trial.round_index, trial.position) for trial in flag_trials(run.trials)}
    counts = {"disturbed_count": len(places), "trial_count": len(run.trials)}
    if not places:
        return Disturbance(**counts, is_choice=is_choice)
    without = ObservedRun(
        run.manifest,
        tuple(t for t in run.trials if (t.round_index, t.position) not in places),
        tuple(o for o in run.observations if (o.round_index, o.position) not in places),
    )
    return Disturbance(
        **counts, leaders=leaders(run), leaders_without=leaders(without), is_choice=is_choice
    )

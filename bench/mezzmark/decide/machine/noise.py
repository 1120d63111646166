"""Trials that were disturbed: flagged with the reason, never dropped.

What a machine does all the time is its nature; what it does in one trial and not in the cell's
others is a disturbance. So most limits are above the median of the same cell in the same run.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final, Literal

from mezzmark.decide.estimate.observed_run import Observation
from mezzmark.model.cell import Cell
from mezzmark.model.fact import Fact
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
    "steal",
    "heat",
    "clock",
    "processor_wait",
    "storage_wait",
    "memory_wait",
    "interruptions",
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
    values: dict[CauseKind, list[float]] = {}
    for trial in flagged:
        for cause in trial.causes:
            values.setdefault(cause.kind, []).append(cause.value)
    return tuple(
        CauseRange(kind=kind, low=min(found), high=max(found), trial_count=len(found))
        for kind, found in sorted(values.items(), key=lambda item: -len(item[1]))
    )


def flag_trials(trials: Sequence[Trial]) -> tuple[FlaggedTrial, ...]:
    """The disturbed ones among the trials of one run, in their order."""
    by_cell: dict[Cell, list[Trial]] = {}
    for trial in trials:
        by_cell.setdefault(trial.cell, []).append(trial)
    usual = {cell: _usual(group) for cell, group in by_cell.items()}
    clock = _median(trials, lambda trial: trial.host_during.frequency_mhz)
    flagged = []
    for trial in trials:
        if causes := _causes(trial, usual[trial.cell], clock):
            flagged.append(
                FlaggedTrial(
                    round_index=trial.round_index,
                    position=trial.position,
                    cell=trial.cell,
                    causes=causes,
                )
            )
    return tuple(flagged)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Usual:
    cpu_pressure: float | None
    io_pressure: float | None
    memory_pressure: float | None
    switch_rate_per_s: float | None


def _usual(trials: Sequence[Trial]) -> _Usual:
    return _Usual(
        cpu_pressure=_median(trials, lambda trial: trial.host_during.cpu_pressure),
        io_pressure=_median(trials, lambda trial: trial.host_during.io_pressure),
        memory_pressure=_median(trials, lambda trial: trial.host_during.memory_pressure),
        switch_rate_per_s=_median(trials, _switch_rate_per_s),
    )


def _causes(trial: Trial, usual: _Usual, clock_mhz: float | None) -> tuple[Cause, ...]:
    during = trial.host_during
    causes = []
    if during.steal_fraction is not None and during.steal_fraction > STEAL_FRACTION:
        causes.append(Cause("steal", during.steal_fraction))
    if during.throttle_count:
        causes.append(Cause("heat", during.throttle_count))
    if during.frequency_mhz is not None and _is_below(during.frequency_mhz, clock_mhz):
        causes.append(Cause("clock", during.frequency_mhz))
    waits: tuple[tuple[CauseKind, float | None, float | None], ...] = (
        ("processor_wait", during.cpu_pressure, usual.cpu_pressure),
        ("storage_wait", during.io_pressure, usual.io_pressure),
        ("memory_wait", during.memory_pressure, usual.memory_pressure),
    )
    for kind, now, normal in waits:
        if now is not None and normal is not None and now > normal + PRESSURE_RISE:
            causes.append(Cause(kind, now))
    rate, normal_rate = _switch_rate_per_s(trial), usual.switch_rate_per_s
    if rate is not None and normal_rate is not None:
        limit = max(SWITCH_FACTOR * normal_rate, normal_rate + SWITCH_RATE_PER_S)
        if rate > limit:
            causes.append(Cause("interruptions", rate))
    return tuple(causes)


def _is_below(now_mhz: float, usual_mhz: float | None) -> bool:
    return usual_mhz is not None and now_mhz < (1 - FREQUENCY_DIP) * usual_mhz


def _switch_rate_per_s(trial: Trial) -> float | None:
    process = trial.process
    if process is None or process.involuntary_switches is None or process.cpu_ns <= 0:
        return None
    return process.involuntary_switches / (process.cpu_ns / 1e9)


def _median(trials: Sequence[Trial], read: Callable[[Trial], float | None]) -> float | None:
    values = [value for trial in trials if (value := read(trial)) is not None]
    return median(values) if values else None


MANY_FRACTION: Final = 0.1
"""From this share of disturbed trials on a reader is warned, whatever they change."""

Leaders = Callable[[Sequence[Trial], Sequence[Observation]], frozenset[str]]
"""Who leads, from trials and their observations: the chosen encoding, or those that may be the
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


def judge_disturbance(
    trials: Sequence[Trial],
    observations: Sequence[Observation],
    leaders: Leaders,
    *,
    is_choice: bool = False,
) -> Disturbance:
    """Disturbed trials of one run, and whether `leaders` names others without them."""
    places = {(trial.round_index, trial.position) for trial in flag_trials(trials)}
    if not places:
        return Disturbance(disturbed_count=0, trial_count=len(trials), is_choice=is_choice)
    return Disturbance(
        disturbed_count=len(places),
        trial_count=len(trials),
        leaders=leaders(trials, observations),
        leaders_without=leaders(
            [t for t in trials if (t.round_index, t.position) not in places],
            [o for o in observations if (o.round_index, o.position) not in places],
        ),
        is_choice=is_choice,
    )

"""Trials that were disturbed: flagged with the reason, never dropped.

What a machine does all the time is its nature; what it does in one trial and not in the cell's
others is a disturbance. So most limits are above the median of the same cell in the same run.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from mezzmark.facts.cells import Cell
from mezzmark.facts.records import Trial

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


@dataclass(frozen=True, slots=True, kw_only=True)
class FlaggedTrial:
    """A disturbed trial of a run and why, in words."""

    round_index: int
    position: int
    cell: Cell
    reasons: tuple[str, ...]


def flag_trials(trials: Sequence[Trial]) -> tuple[FlaggedTrial, ...]:
    """The disturbed ones among the trials of one run, in their order."""
    by_cell: dict[Cell, list[Trial]] = {}
    for trial in trials:
        by_cell.setdefault(trial.cell, []).append(trial)
    usual = {cell: _usual(group) for cell, group in by_cell.items()}
    clock = _median(trials, lambda trial: trial.host_during.frequency_mhz)
    flagged = []
    for trial in trials:
        if reasons := _reasons(trial, usual[trial.cell], clock):
            flagged.append(
                FlaggedTrial(
                    round_index=trial.round_index,
                    position=trial.position,
                    cell=trial.cell,
                    reasons=reasons,
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


def _reasons(trial: Trial, usual: _Usual, clock_mhz: float | None) -> tuple[str, ...]:
    during = trial.host_during
    reasons = []
    if during.steal_fraction is not None and during.steal_fraction > STEAL_FRACTION:
        reasons.append(f"the hypervisor took {during.steal_fraction:.0%} of the processor")
    if during.throttle_count:
        reasons.append(f"the processor was slowed for heat {during.throttle_count} times")
    if _is_below(during.frequency_mhz, clock_mhz):
        reasons.append(f"the clock fell to {during.frequency_mhz:.0f} MHz")
    for name, now, normal in (
        ("the processor", during.cpu_pressure, usual.cpu_pressure),
        ("storage", during.io_pressure, usual.io_pressure),
        ("memory", during.memory_pressure, usual.memory_pressure),
    ):
        if now is not None and normal is not None and now > normal + PRESSURE_RISE:
            reasons.append(f"work waited for {name} {now:.0%} of the time")
    rate, normal_rate = _switch_rate_per_s(trial), usual.switch_rate_per_s
    if rate is not None and normal_rate is not None:
        limit = max(SWITCH_FACTOR * normal_rate, normal_rate + SWITCH_RATE_PER_S)
        if rate > limit:
            reasons.append(f"other work interrupted it {rate:.0f} times a second")
    return tuple(reasons)


def _is_below(now_mhz: float | None, usual_mhz: float | None) -> bool:
    if now_mhz is None or usual_mhz is None:
        return False
    return now_mhz < (1 - FREQUENCY_DIP) * usual_mhz


def _switch_rate_per_s(trial: Trial) -> float | None:
    process = trial.process
    if process is None or process.involuntary_switches is None or process.cpu_ns <= 0:
        return None
    return process.involuntary_switches / (process.cpu_ns / 1e9)


def _median(trials: Sequence[Trial], read: Callable[[Trial], float | None]) -> float | None:
    values = [value for trial in trials if (value := read(trial)) is not None]
    return median(values) if values else None

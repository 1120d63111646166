"""How far a run's intervals are from the precision asked for, and what a few more rounds bring.

The cell that spreads most decides when a run may stop, but says little of the others: both are
given. Nothing is predicted beyond a number of rounds that a person would wait for.
"""

import math
import statistics
from collections.abc import Sequence
from typing import Final, Literal

import numpy as np

from mezzmark.decide.estimate.observed_run import Observation, ObservedRun, observe
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import CONFIDENCE_LEVEL
from mezzmark.model.fact import NS_PER_S, Fact, grouped
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.statistics.spread import expected_log_half_width, rounds_for_width

MOST_MORE_ROUNDS: Final = 12
"""More rounds than these are not proposed: intervals shrink with the square root of their number,
so whoever needs more needs a steadier machine."""

MOST_SHARE: Final = 0.75
"""Share of the cells that a typical width is not exceeded by."""


class CellSpread(Fact):
    """How one cell's headline figure (median, speed) spread over its rounds, as a log sd."""

    cell: Cell
    round_sd: float
    round_count: int

    def half_width_fraction(self, round_count: int | None = None) -> float:
        """The relative half-width of its interval, now or after so many rounds."""
        count, level = round_count or self.round_count, CONFIDENCE_LEVEL
        half = expected_log_half_width(count, round_sd=self.round_sd, confidence_level=level)
        return math.expm1(half)


def measure_spreads(observations: Sequence[Observation]) -> tuple[CellSpread, ...]:
    """Scrub and encode cells that varied, the one that spreads most first."""
    logs = grouped(
        (o.cell, float(np.log(figure)))
        for o in observations
        if o.cell.task in ("scrub", "encode")
        and (figure := o.figures.get("p50_ms") or o.figures.get("throughput_fps"))
    )
    varied = [
        CellSpread(cell=cell, round_sd=sd, round_count=len(found))
        for cell, found in logs.items()
        if len(found) >= MINIMUM_ROUNDS and (sd := statistics.stdev(found)) > 0
    ]
    return tuple(sorted(varied, key=lambda spread: -spread.half_width_fraction()))


class Precision(Fact):
    """What a run's intervals reached, as half-widths relative to the point. `typical_fraction` is
    not exceeded by `MOST_SHARE` of the cells; `widest` is the cell that spreads most. `more_rounds`
    (0 where all cells reach the goal) take about `more_duration_s` and would bring it to
    `reached_fraction`."""

    goal_fraction: float
    typical_fraction: float
    widest: Cell
    widest_fraction: float
    more_rounds: int
    more_duration_s: float
    reached_fraction: float


class PrecisionPlan(Fact):
    """What a scenario would reach, going by an earlier run; half-widths as in `Precision`, None
    where so few rounds give no interval. `limited_by` says what sets the number of rounds."""

    round_count: int
    limited_by: Literal["rounds", "time"]
    round_duration_s: float
    goal_fraction: float
    widest: Cell
    typical_fraction: float | None
    widest_fraction: float | None


def judge_precision(run: ObservedRun) -> Precision | None:
    """What the cells reached, and what more rounds would bring; None where too little was
    measured."""
    spreads = measure_spreads(run.observations)
    if not spreads:
        return None
    goal, widest = run.manifest.scenario.precision_fraction, spreads[0]
    more = 0
    if widest.half_width_fraction() > goal:
        needed = rounds_for_width(goal, round_sd=widest.round_sd, confidence_level=CONFIDENCE_LEVEL)
        lacking = needed - widest.round_count if needed else MOST_MORE_ROUNDS
        more = max(1, min(lacking, MOST_MORE_ROUNDS))
    return Precision(
        goal_fraction=goal,
        typical_fraction=_typical_fraction(spreads),
        widest=widest.cell,
        widest_fraction=widest.half_width_fraction(),
        more_rounds=more,
        more_duration_s=more * _round_duration_s(run.trials),
        reached_fraction=max(goal, widest.half_width_fraction(widest.round_count + more)),
    )


def plan_precision(
    manifest: Manifest, trials: Sequence[Trial], trial_count: int
) -> PrecisionPlan | None:
    """What the scenario's own rounds of so many trials and time budget would bring, going by trials
    of an earlier run, however many cells that had; None where too little was measured."""
    spreads = measure_spreads(observe(trials))
    if not spreads:
        return None
    scenario = manifest.scenario
    walls_ns = [trial.wall_ns for trial in trials if not trial.arm]
    round_s = trial_count * statistics.fmean(walls_ns) / NS_PER_S
    rounds = scenario.rounds
    if scenario.time_budget_s is not None:
        affordable = max(scenario.minimum_rounds, int(scenario.time_budget_s // round_s))
        rounds = min(rounds, affordable)
    widest = max(spreads, key=lambda spread: spread.round_sd)
    has_intervals = rounds >= MINIMUM_ROUNDS
    return PrecisionPlan(
        round_count=rounds,
        limited_by="time" if rounds < scenario.rounds else "rounds",
        round_duration_s=round_s,
        goal_fraction=scenario.precision_fraction,
        widest=widest.cell,
        typical_fraction=_typical_fraction(spreads, rounds) if has_intervals else None,
        widest_fraction=widest.half_width_fraction(rounds) if has_intervals else None,
    )


def _typical_fraction(spreads: Sequence[CellSpread], round_count: int | None = None) -> float:
    """The relative half-width that `MOST_SHARE` of the cells do not exceed."""
    widths = sorted(spread.half_width_fraction(round_count) for spread in spreads)
    return widths[math.ceil(MOST_SHARE * len(widths)) - 1]


def _round_duration_s(trials: Sequence[Trial]) -> float:
    rounds = len({trial.round_index for trial in trials})
    return sum(trial.wall_ns for trial in trials) / NS_PER_S / max(1, rounds)

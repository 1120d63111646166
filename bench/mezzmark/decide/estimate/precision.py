"""How far a run's intervals are from the precision asked for, and what a few more rounds bring.

The cell that spreads most decides when a run may stop, but says little of the others: both are
told. Nothing is foretold beyond a number of rounds that a person would wait for.
"""

import math
import statistics
from collections.abc import Sequence
from typing import Final

import numpy as np

from mezzmark.decide.estimate.observations import Observation, observe
from mezzmark.model.cell import Cell
from mezzmark.model.fact import NS_PER_S, Fact
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.report.prose.numbers import PATTERN_PHRASES, count_text, number_text, shown_name
from mezzmark.statistics.power import expected_log_half_width, rounds_for_width

MINIMUM_TRIALS: Final = 3
"""Fewer trials of a cell say too little of how it spreads."""

MOST_MORE_ROUNDS: Final = 12
"""More rounds than these are not proposed: intervals shrink with the square root of their number,
so whoever needs more needs a steadier machine."""

MOST_SHARE: Final = 0.75
"""Share of the cells that "most" stands for."""


class CellSpread(Fact):
    """How one cell's headline figure (median, speed) spread over its rounds, as a log sd."""

    cell: Cell
    round_sd: float
    round_count: int
    confidence_level: float

    def half_width_fraction(self, round_count: int | None = None) -> float:
        """The relative half-width of its interval, now or after so many rounds."""
        half = expected_log_half_width(
            round_count or self.round_count,
            round_sd=self.round_sd,
            confidence_level=self.confidence_level,
        )
        return math.expm1(half)


def measure_spreads(
    observations: Sequence[Observation], *, confidence_level: float
) -> tuple[CellSpread, ...]:
    """Scrub and encode cells that varied, the one that spreads most first."""
    logs: dict[Cell, list[float]] = {}
    for observation in observations:
        figure = observation.figures.get("p50_ms") or observation.figures.get("throughput_fps")
        if figure and observation.cell.task in ("scrub", "encode"):
            logs.setdefault(observation.cell, []).append(float(np.log(figure)))
    spreads = [
        CellSpread(
            cell=cell,
            round_sd=statistics.stdev(found),
            round_count=len(found),
            confidence_level=confidence_level,
        )
        for cell, found in logs.items()
        if len(found) >= MINIMUM_TRIALS
    ]
    varied = [spread for spread in spreads if spread.round_sd > 0]
    return tuple(sorted(varied, key=lambda spread: -spread.half_width_fraction()))


def describe_precision(
    manifest: Manifest,
    trials: Sequence[Trial],
    observations: Sequence[Observation],
    *,
    confidence_level: float,
) -> str:
    """What most cells reached, which one spreads most, and what more rounds would bring; empty
    where too little was measured."""
    spreads = measure_spreads(observations, confidence_level=confidence_level)
    if not spreads:
        return ""
    goal, widest = manifest.scenario.precision_fraction, spreads[0]
    if widest.half_width_fraction() <= goal:
        return f"Every cell is within {width_text(goal)}, the precision asked for."
    needed = rounds_for_width(goal, round_sd=widest.round_sd, confidence_level=confidence_level)
    more = MOST_MORE_ROUNDS
    if needed is not None:
        more = max(1, min(more, needed - widest.round_count))
    reached = max(goal, widest.half_width_fraction(widest.round_count + more))
    time = _duration(more * _round_duration_s(trials))
    return (
        f"{_most(spreads)}; the widest, {cell_words(widest.cell, manifest)}, is within "
        f"{width_text(widest.half_width_fraction())}: another {count_text(more, 'round')} (about "
        f"{time}) would bring it to about {width_text(reached)}."
    )


def plan_precision(
    manifest: Manifest, trials: Sequence[Trial], *, confidence_level: float = 0.95
) -> str:
    """What the scenario's own rounds and time budget would bring, going by trials of an earlier
    run; empty where too little was measured."""
    spreads = measure_spreads(observe(trials), confidence_level=confidence_level)
    if not spreads:
        return ""
    scenario, round_s = manifest.scenario, _round_duration_s(trials)
    rounds, limit = scenario.rounds, "the most the scenario allows"
    if scenario.time_budget_s is not None:
        affordable = max(scenario.minimum_rounds, int(scenario.time_budget_s // round_s))
        if affordable < rounds:
            rounds, limit = affordable, "what the time budget holds"
    if rounds < MINIMUM_TRIALS:
        return (
            f"A round takes about {_duration(round_s)}; {count_text(rounds, 'round')} ({limit}) "
            f"give no intervals: {MINIMUM_TRIALS} are needed."
        )
    widest = max(spreads, key=lambda spread: spread.round_sd)
    return (
        f"A round takes about {_duration(round_s)}. {count_text(rounds, 'round')} ({limit}; about "
        f"{_duration(rounds * round_s)}) would bring most cells within "
        f"{width_text(_most_width(spreads, rounds))} and the widest, "
        f"{cell_words(widest.cell, manifest)}, within "
        f"{width_text(widest.half_width_fraction(rounds))}; asked for is "
        f"{width_text(scenario.precision_fraction)}."
    )


def _most(spreads: Sequence[CellSpread]) -> str:
    return f"Most cells are within {width_text(_most_width(spreads))}"


def _most_width(spreads: Sequence[CellSpread], round_count: int | None = None) -> float:
    """The relative half-width that `MOST_SHARE` of the cells do not exceed."""
    widths = sorted(spread.half_width_fraction(round_count) for spread in spreads)
    return widths[math.ceil(MOST_SHARE * len(widths)) - 1]


def width_text(half_width_fraction: float) -> str:
    """`±4 %`; from 100 % on `a factor of 4.4`, since a share below nothing means nothing."""
    if half_width_fraction >= 1:
        factor = 1 + half_width_fraction
        return f"a factor of {factor:,.0f}" if factor >= 10 else f"a factor of {factor:.2g}"
    percent = 100 * half_width_fraction
    return f"±{percent:.0f} %" if percent >= 2 else f"±{percent:.1f} %"


def cell_words(cell: Cell, manifest: Manifest) -> str:
    """`vc3-sq stepping back frame by frame`; with its clip where the run has several."""
    name = shown_name(cell.encoding)
    if cell.task == "scrub":
        text = f"{name} {PATTERN_PHRASES[cell.setting['pattern'] or 'jump']}"
    else:
        text = f"encoding to {name} with {count_text(cell.setting['threads'], 'thread')}"
    return f"{text} ({shown_name(cell.clip)})" if len(manifest.clips) > 1 else text


def _round_duration_s(trials: Sequence[Trial]) -> float:
    rounds = len({trial.round_index for trial in trials})
    return sum(trial.wall_ns for trial in trials) / NS_PER_S / max(1, rounds)


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 2 * 3600 else f"{number_text(seconds / 3600)} h"

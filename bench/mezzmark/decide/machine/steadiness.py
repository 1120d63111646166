"""What a run says of its own spread: where it comes from, what would narrow it, what disturbed it.

Every statement is a sentence; nothing here removes a trial, it only says what would change.
"""

import statistics
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mezzmark.decide.estimate.observations import Observation
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.decide.estimate.precision import describe_precision
from mezzmark.decide.estimate.ranking import rank_encodings, scrub_settings
from mezzmark.decide.machine.noise import Leaders, judge_disturbance
from mezzmark.decide.machine.state import judge_machine
from mezzmark.model.cell import Cell
from mezzmark.model.fact import NS_PER_S, Fact
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.scrub import ScrubMeasurement, latencies_ms
from mezzmark.report.prose.numbers import count_text
from mezzmark.statistics.variance import (
    VarianceComponents,
    components_in_words,
    estimate_components,
    plan_sampling,
)

MINIMUM_TRIALS: Final = 3
"""Fewer trials of a cell say too little of what differs between process starts."""

MINIMUM_MOVES: Final = 2

MOST_ROUNDS: Final = 24
"""A plan of more rounds than these is not told: nobody waits for it."""


class Steadiness(Fact):
    """`sentences` say all; `warnings` are those of them that a reader must know before relying on
    the answer, the gravest first."""

    sentences: tuple[str, ...]
    warnings: tuple[str, ...]


def judge_steadiness(
    manifest: Manifest,
    trials: Sequence[Trial],
    observations: Sequence[Observation],
    *,
    confidence_level: float = 0.95,
    chosen_by: Leaders | None = None,
) -> Steadiness:
    """The machine's course, disturbed trials, spread, and the next run.

    `chosen_by` names the chosen encoding from any trials of this run; without it those that may
    be the fastest count as leaders.
    """
    machine = judge_machine(manifest.host, trials)
    disturbance = judge_disturbance(
        trials,
        observations,
        chosen_by or (lambda kept, seen: _fastest(kept, seen, confidence_level)),
        verb="would be chosen" if chosen_by else "may be the fastest",
    )
    precision = describe_precision(
        manifest, trials, observations, confidence_level=confidence_level
    )
    return Steadiness(
        sentences=(
            machine.words,
            *(text for text in machine.warnings if text != machine.words),
            disturbance.words,
            *([precision] if precision else []),
            *_spread_sentences(manifest, trials, confidence_level),
        ),
        warnings=(*machine.warnings, *([disturbance.words] if disturbance.is_warning else [])),
    )


def _spread_sentences(
    manifest: Manifest, trials: Sequence[Trial], confidence_level: float
) -> list[str]:
    """Components are averaged over the scrub cells: those of one cell are known badly, and the
    cell that spreads most is often just the unluckiest."""
    moves: dict[Cell, list[NDArray[np.float64]]] = {}
    start_costs_s: list[float] = []
    for trial in trials:
        if isinstance(trial.measurement, ScrubMeasurement) and not trial.arm:
            found = latencies_ms(trial.measurement)
            if found.size >= MINIMUM_MOVES:
                moves.setdefault(trial.cell, []).append(found)
                start_costs_s.append(trial.wall_ns / NS_PER_S - float(found.sum()) / 1e3)
    cells = [found for found in moves.values() if len(found) >= MINIMUM_TRIALS]
    if not cells:
        return []
    each = [estimate_components(found) for found in cells]
    components = VarianceComponents(
        between=statistics.fmean(found.between for found in each),
        within=statistics.fmean(found.within for found in each),
        trial_count=sum(found.trial_count for found in each),
        samples_per_trial=statistics.fmean(found.samples_per_trial for found in each),
    )
    every_move = [move for found in cells for move in found]
    plan = _plan(manifest, components, every_move, start_costs_s, confidence_level)
    return [f"Over all cells of scrubbing: {components_in_words(components)}", plan]


def _plan(
    manifest: Manifest,
    components: VarianceComponents,
    moves: Sequence[NDArray[np.float64]],
    start_costs_s: Sequence[float],
    confidence_level: float,
) -> str:
    goal = manifest.scenario.precision_fraction
    plan = plan_sampling(
        components,
        trial_cost_s=max(statistics.median(start_costs_s), 1e-3),
        sample_cost_s=float(np.median(np.concatenate(list(moves)))) / 1e3,
        half_width_fraction=goal,
        confidence_level=confidence_level,
    )
    moves_each = count_text(plan.samples_per_trial, "move")
    if plan.trial_count > MOST_ROUNDS:
        return (
            f"A typical cell is measured at the least cost with {moves_each} a round (Kalibera & "
            "Jones 2013)."
        )
    return (
        f"The cheapest way to ±{100 * goal:g} % for a typical cell: "
        f"{count_text(plan.trial_count, 'round')} of {moves_each} (Kalibera & Jones 2013)."
    )


def _fastest(
    trials: Sequence[Trial], observations: Sequence[Observation], confidence_level: float
) -> frozenset[str]:
    """The encodings that may be the fastest in the leading setting."""
    settings = scrub_settings(observations)
    if not settings:
        return frozenset()
    ranking = rank_encodings(
        observations,
        summarise_cells(trials, confidence_level=confidence_level, observations=observations),
        settings[0],
        confidence_level=confidence_level,
    )
    if ranking.fastest is None:
        return frozenset()
    return frozenset({ranking.fastest.encoding, *(entry.encoding for entry in ranking.tied)})

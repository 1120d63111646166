"""What a run says of its own spread: where it comes from, what would narrow it, what disturbed it.

Every statement is a sentence; nothing here removes a trial, it only says what would change.
"""

import statistics
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mezzmark.decide.estimates import summarise_cells
from mezzmark.decide.noise import flag_trials
from mezzmark.decide.observations import Observation, latencies_ms, observe
from mezzmark.decide.ranking import rank_encodings, scrub_settings
from mezzmark.decide.regress_words import course_words
from mezzmark.decide.wording import count_text, list_text
from mezzmark.facts.cells import Cell
from mezzmark.facts.records import ScrubMeasurement, Trial
from mezzmark.facts.run import Manifest
from mezzmark.statistics.stopping import plan_in_words, plan_rounds
from mezzmark.statistics.variance import (
    VarianceComponents,
    components_in_words,
    estimate_components,
    plan_sampling,
)

MINIMUM_TRIALS: Final = 3
"""Fewer trials of a cell say too little of what differs between process starts."""

MINIMUM_MOVES: Final = 2

NS_PER_S: Final = 1e9


def describe_steadiness(
    manifest: Manifest,
    trials: Sequence[Trial],
    *,
    confidence_level: float = 0.95,
    observations: Sequence[Observation] | None = None,
) -> tuple[str, ...]:
    """Sentences on spread, the next run, the machine's course, and disturbed trials.

    `observations` are those of these trials where they are known.
    """
    observed = observe(trials) if observations is None else observations
    sentences: list[str] = []
    sentences += _spread_sentences(manifest, trials, confidence_level)
    precision = plan_precision(
        manifest, trials, confidence_level=confidence_level, observations=observed
    )
    if precision:
        sentences.append(f"For another run of this scenario: {precision}")
    sentences.append(_machine_sentence(trials))
    sentences.append(_disturbance_sentence(trials, observed, confidence_level))
    return tuple(sentences)


def plan_precision(
    manifest: Manifest,
    trials: Sequence[Trial],
    *,
    confidence_level: float = 0.95,
    observations: Sequence[Observation] | None = None,
) -> str:
    """How many rounds the scenario's precision takes, from the cell that spreads most, and what
    the time budget buys; empty where too little was measured."""
    by_cell: dict[Cell, list[float]] = {}
    for observation in observe(trials) if observations is None else observations:
        figure = observation.figures.get("p50_ms") or observation.figures.get("throughput_fps")
        if figure and observation.cell.task in ("scrub", "encode") and not observation.cell.arm:
            by_cell.setdefault(observation.cell, []).append(float(np.log(figure)))
    spreads = [statistics.stdev(logs) for logs in by_cell.values() if len(logs) >= MINIMUM_TRIALS]
    round_count = len({trial.round_index for trial in trials})
    if not spreads or max(spreads) == 0 or round_count == 0:
        return ""
    scenario = manifest.scenario
    plan = plan_rounds(
        precision_fraction=scenario.precision_fraction,
        round_sd=max(spreads),
        round_duration_s=sum(trial.wall_ns for trial in trials) / NS_PER_S / round_count,
        confidence_level=confidence_level,
        budget_s=scenario.time_budget_s,
    )
    return plan_in_words(plan, precision_fraction=scenario.precision_fraction)


def _spread_sentences(
    manifest: Manifest, trials: Sequence[Trial], confidence_level: float
) -> list[str]:
    """Components are averaged over the scrub cells: those of one cell are known badly, and the
    cell that spreads most is often just the unluckiest."""
    moves: dict[Cell, list[NDArray[np.float64]]] = {}
    start_costs_s: list[float] = []
    for trial in trials:
        if isinstance(trial.measurement, ScrubMeasurement) and not trial.cell.arm:
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
    rounds, moves_each = (
        count_text(plan.trial_count, "round"),
        count_text(plan.samples_per_trial, "move"),
    )
    return (
        f"The cheapest way to ±{goal:.0%} for a typical cell: {rounds} of {moves_each} "
        "(Kalibera & Jones 2013)."
    )


def _machine_sentence(trials: Sequence[Trial]) -> str:
    kernels = [trial for trial in trials if trial.cell.task == "kernel"]
    words = course_words(kernels)
    if not words:
        return "The machine was steady, as far as the reference kernel tells."
    return f"{words[0].upper()}{words[1:]}."


def _disturbance_sentence(
    trials: Sequence[Trial], observations: Sequence[Observation], confidence_level: float
) -> str:
    flagged = flag_trials(trials)
    if not flagged:
        return "No trial was disturbed as far as the system tells."
    places = {(trial.round_index, trial.position) for trial in flagged}
    kept = [trial for trial in trials if (trial.round_index, trial.position) not in places]
    undisturbed = [o for o in observations if (o.round_index, o.position) not in places]
    before = _fastest(trials, observations, confidence_level)
    after = _fastest(kept, undisturbed, confidence_level)
    count = f"{len(flagged)} of {count_text(len(trials), 'trial')}"
    if before == after:
        return f"{count} were disturbed and kept; without them the same encodings lead."
    names = list_text(sorted(after)) if after else "none"
    return f"{count} were disturbed and kept; without them {names} would lead instead."


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

"""When runs were at work: whether two of them disturbed each other, or took turns.

A trial is at work from its start for as long as its clock says. Starts come from the calendar
clock, which may be set during a run; a few parts in a hundred of shared time are no proof of
anything, and a run of seconds inside another is.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import accumulate, combinations, pairwise
from typing import Final

from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.model.fact import NS_PER_S, grouped
from mezzmark.model.records import Trial

SHARED_FRACTION: Final = 0.01
"""Share of the shorter run's time from which two runs count as at work at the same time: a trial
or two that touch are disturbed trials, which stay in and are counted; beyond that the runs are."""

GREATEST_LEAD_ROUNDS: Final = 2
"""Sides count as measured in turn while neither is ever further ahead: a round and its mirror."""


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """From start to end, in seconds since 1970."""

    start_s: float
    end_s: float


def trial_span(trial: Trial) -> Span | None:
    """When a trial was at work; None where its start is no date."""
    try:
        start_s = datetime.fromisoformat(trial.started_utc).timestamp()
    except ValueError:
        return None
    return Span(start_s, start_s + trial.wall_ns / NS_PER_S)


def shared_fraction(first: Sequence[Trial], second: Sequence[Trial]) -> float:
    """The share of the shorter run's trial time during which a trial of the other ran too."""
    spans = [sorted(span for t in side if (span := trial_span(t))) for side in (first, second)]
    totals_s = [math.fsum(span.end_s - span.start_s for span in side) for side in spans]
    shorter_s = min(totals_s)
    return _shared_s(*spans) / shorter_s if shorter_s > 0 else 0.0


def _shared_s(first: Sequence[Span], second: Sequence[Span]) -> float:
    """Seconds in which both sides are at work; within a side no spans overlap."""
    at_first = at_second = 0
    shared_s = 0.0
    while at_first < len(first) and at_second < len(second):
        one, other = first[at_first], second[at_second]
        shared_s += max(0.0, min(one.end_s, other.end_s) - max(one.start_s, other.start_s))
        if one.end_s <= other.end_s:
            at_first += 1
        else:
            at_second += 1
    return shared_s


def runs_at_once(runs: Sequence[MeasuredRun]) -> tuple[tuple[int, int], ...]:
    """Which of the runs, two by two, were at work at the same time."""
    return tuple(
        (first, second)
        for first, second in combinations(range(len(runs)), 2)
        if shared_fraction(runs[first].trials, runs[second].trials) > SHARED_FRACTION
    )


def took_turns(first: Sequence[Trial], second: Sequence[Trial]) -> bool:
    """Whether rounds of two runs alternate in time, none begun before the other side's had ended.

    Needs more rounds in all than two runs in a row may be ahead by chance.
    """
    rounds = sorted(
        (span, side) for side, trials in ((1, first), (-1, second)) for span in _rounds(trials)
    )
    if len(rounds) <= 2 * GREATEST_LEAD_ROUNDS:
        return False
    greatest_lead = max(abs(lead) for lead in accumulate(side for _, side in rounds))
    is_apart = all(
        before[0].end_s <= after[0].start_s or before[1] == after[1]
        for before, after in pairwise(rounds)
    )
    return greatest_lead <= GREATEST_LEAD_ROUNDS and is_apart


def _rounds(trials: Sequence[Trial]) -> list[Span]:
    """From the first start to the last end of each round."""
    spans = grouped((t.round_index, span) for t in trials if (span := trial_span(t)))
    return [
        Span(min(span.start_s for span in found), max(span.end_s for span in found))
        for found in spans.values()
    ]

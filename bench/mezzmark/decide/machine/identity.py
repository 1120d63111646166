"""Whether runs are of one machine, what else of their hosts differs, and when each was at work:
whether two of them disturbed each other, or took turns.

"The same machine" depends on what is concluded from it. Each meaning is a list of facts of
`HostFacts`, here side by side; that of a run that is resumed is `RESUME_FACTS` in `model.run`.

A trial is at work from its start for as long as its clock says. Starts come from the calendar
clock, which may be set during a run; a few parts in a hundred of shared time are no proof of
anything, and a run of seconds inside another is."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import accumulate, combinations, pairwise
from statistics import median
from typing import Final

from mezzmark.decide.estimate.observed_run import MeasuredRun, Runs, run_names
from mezzmark.model.errors import RunError
from mezzmark.model.fact import NS_PER_S, Fact, grouped
from mezzmark.model.records import HostMoment, Trial
from mezzmark.model.run import MACHINE_FACTS, HostFacts

MACHINE: Final = MACHINE_FACTS
"""One computer (`host_id` stands for it): its runs disturb each other when they overlap in time."""

HARDWARE: Final = ("cpu_model", "logical_core_count", "memory_bytes")
"""Hardware of one kind: a change of cost between two runs is one of the work, or of the machine
over time. Without the label: a machine that was given another name is the one that it was."""

HOST_OVER_TIME: Final = ("host_label", "cpu_model", "logical_core_count")
"""A host whose history is shown. Without the memory: it may be exchanged in the life of a host, and
systems report a little more or less of it from one version to the next."""

POOLED: Final = (*MACHINE, "usable_core_count")
"""Runs that are put together as if they were one: they had the same cores to work with, too."""

FactValue = str | int | float | bool | None
HostKey = tuple[FactValue, ...]


def host_key(host: HostFacts, facts: Sequence[str]) -> HostKey:
    """What these facts are: equal for hosts that count as the same."""
    return tuple(_compared(name, getattr(host, name)) for name in facts)


def differing_facts(first: HostFacts, second: HostFacts, facts: Sequence[str]) -> tuple[str, ...]:
    """Which of these facts differ; empty where the hosts count as the same."""
    pairs = zip(facts, host_key(first, facts), host_key(second, facts), strict=True)
    return tuple(name for name, one, other in pairs if one != other)


def _compared(name: str, value: FactValue) -> FactValue:
    """Memory in steps of 19 % around powers of two, since systems report a little more or less."""
    return round(4 * math.log2(float(value))) if name == "memory_bytes" and value else value


def refuse_other_machines(runs: Runs) -> None:
    """RunError for runs that cannot be `POOLED`."""
    names = run_names(runs)
    for run, name in zip(runs[1:], names[1:], strict=True):
        if differing := differing_facts(runs[0].manifest.host, run.manifest.host, POOLED):
            facts = ", ".join(fact.replace("_", " ") for fact in differing)
            raise RunError(
                where=name,
                what=f"it was made on another machine than {names[0]}: its {facts} differs",
                remedy="Give runs of one machine",
            )


PASSING_FACTS: Final = {
    "memory_bandwidth_bytes_per_s",
    "load_average_before",
    "frequency_during_mhz",
    "steal_most_fraction",
}
"""What every run finds otherwise, on one machine too."""


def host_facts(run: MeasuredRun) -> dict[str, FactValue]:
    """The facts of a run's machine, system and software by name; None where not reported. Trials
    noted the median load before them, the median clock, and the largest share that was stolen."""
    host = run.manifest.host
    during = [trial.host_during for trial in run.trials]
    points = host.memory_bandwidth.points if host.memory_bandwidth else ()
    loads = _known([trial.host_before for trial in run.trials], "load_average_1m")
    clocks, steals = (_known(during, name) for name in ("frequency_mhz", "steal_fraction"))
    return {
        **host.model_dump(exclude={"memory_bandwidth", "library_versions", "storage_free_bytes"}),
        "memory_bandwidth_bytes_per_s": max((p.bytes_per_s for p in points), default=None),
        "load_average_before": median(loads) if loads else None,
        "frequency_during_mhz": median(clocks) if clocks else None,
        "steal_most_fraction": max(steals, default=None),
        "mezzmark": run.manifest.mezzmark_version,
        **dict(sorted(host.library_versions.items())),
    }


def _known(moments: Sequence[HostMoment], name: str) -> list[float]:
    return [value for moment in moments if (value := getattr(moment, name)) is not None]


class FactChange(Fact):
    """A fact that differs between the runs before and after, or within a side: each value once."""

    name: str
    before: tuple[FactValue, ...]
    after: tuple[FactValue, ...]


def changed_facts(
    before: Runs, after: Runs, *, with_passing: bool = False
) -> tuple[FactChange, ...]:
    """What the hosts of the runs differ in, as recorded; a fact that varies within one side too."""
    sides = [[host_facts(run) for run in side] for side in (before, after)]
    names = dict.fromkeys(name for side in sides for facts in side for name in facts)
    changes = []
    for name in names:
        first, second = ({facts.get(name) for facts in side} for side in sides)
        is_shown = with_passing or name not in PASSING_FACTS
        same = {_compared(name, value) for value in first | second}
        if is_shown and len(same) > 1:
            values = (tuple(sorted(side, key=str)) for side in (first, second))
            changes.append(FactChange(name=name, before=next(values), after=next(values)))
    return tuple(changes)


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


def runs_at_once(runs: Runs) -> tuple[tuple[int, int], ...]:
    """Which of the runs, two by two, were at work at the same time."""
    return tuple(
        (first, second)
        for first, second in combinations(range(len(runs)), 2)
        if shared_fraction(runs[first].trials, runs[second].trials) > SHARED_FRACTION
    )


def took_turns(first: Sequence[Trial], second: Sequence[Trial]) -> bool:
    """Whether rounds of two runs alternate in time, none begun before the other side's had ended.
    Needs more rounds in all than two runs in a row may be ahead by chance."""
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

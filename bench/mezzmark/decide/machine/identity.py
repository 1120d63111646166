"""Whether runs are of one machine, and what else of their hosts differs.

"The same machine" depends on what is concluded from it. Each meaning is a list of facts of
`HostFacts`, here side by side; that of a run that is resumed is `RESUME_FACTS` in `model.run`.
"""

import math
from collections.abc import Sequence
from statistics import median
from typing import Final

from mezzmark.decide.estimate.observed_run import MeasuredRun, run_names
from mezzmark.model.errors import RunError
from mezzmark.model.fact import Fact
from mezzmark.model.records import HostMoment
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
    """The memory in steps of 19 % around powers of two, since systems report a little more or less
    of it from one version to the next; any other fact as it is."""
    return round(4 * math.log2(float(value))) if name == "memory_bytes" and value else value


def refuse_other_machines(runs: Sequence[MeasuredRun]) -> None:
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
    """The facts of a run's machine, system and software by name; None where it is not reported.

    Those that trials noted are the median load before them, the median clock during them and the
    largest share of a trial that the hypervisor took.
    """
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
    before: Sequence[MeasuredRun], after: Sequence[MeasuredRun], *, with_passing: bool = False
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

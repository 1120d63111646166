"""Whether the machine was steady while a run was measured: one verdict, and what to warn of.

The reference kernel does the same work in every round, so what moves in its times is the machine.
Course (step, drift) and spread are judged together, so that no two sentences can disagree.
"""

import statistics
from collections.abc import Sequence
from typing import Final

import numpy as np

from mezzmark.decide.estimate.observations import observe
from mezzmark.decide.estimate.precision import width_text
from mezzmark.model.fact import Fact
from mezzmark.model.records import Trial
from mezzmark.model.run import HostFacts
from mezzmark.report.prose.numbers import count_text, number_text
from mezzmark.statistics.drift import Course, classify_course

MATTERS_FRACTION: Final = 0.05
"""A change or a spread of the machine below this is no reason to doubt: comparisons of runs let
5 % pass as the same unless told otherwise."""

MINIMUM_KERNELS: Final = 3
"""Fewer times of the kernel say nothing of how they spread."""

FOREIGN_LOAD_PER_CORE: Final = 0.5
"""Load beyond the run's own threads, for each core, from which on other programs are told of; our
own choice, above the half thread or so that the run's bookkeeping adds."""

REMEDY: Final = "Close other programs and measure again."


class MachineState(Fact):
    """The verdict. `words` is one sentence and the only one on steadiness; `is_steady` is None
    where too little was measured to tell; `warnings` are whole sentences for a reader in a hurry,
    the verdict among them where it is bad."""

    is_steady: bool | None
    words: str
    warnings: tuple[str, ...]


def judge_machine(host: HostFacts, trials: Sequence[Trial]) -> MachineState:
    """How steady the machine was in these trials, and whether other programs were at work."""
    is_steady, words = _steadiness(trials)
    load = _foreign_load(host, trials, remedy="" if is_steady is False else f" {REMEDY}")
    return MachineState(
        is_steady=is_steady,
        words=words,
        warnings=(*([words] if is_steady is False else []), *load),
    )


def _steadiness(trials: Sequence[Trial]) -> tuple[bool | None, str]:
    observations = observe(trial for trial in trials if trial.cell.task == "kernel")
    kernels = sorted(
        (o for o in observations if o.figures.get("kernel_ms", 0) > 0),
        key=lambda o: (o.round_index, o.position),
    )
    times_ms = [kernel.figures["kernel_ms"] for kernel in kernels]
    if len(times_ms) < MINIMUM_KERNELS:
        return None, (
            "Whether the machine was steady is not known: the reference kernel was measured "
            f"{count_text(len(times_ms), 'time')}, and {MINIMUM_KERNELS} are needed."
        )
    course = classify_course(np.asarray(times_ms))
    if abs(course.change_fraction) >= MATTERS_FRACTION and course.kind in ("step", "drift"):
        at_round = None if course.at is None else kernels[course.at].round_index + 1
        return False, f"The machine changed {_change(course, at_round)} {REMEDY}"
    spread = float(np.expm1(statistics.stdev(np.log(times_ms))))
    told = f"the same small piece of work (the reference kernel) took {_range(times_ms)}"
    typical = f"typically {width_text(spread)}"
    if spread >= MATTERS_FRACTION:
        return False, f"The machine was not steady: {told}, {typical}. {REMEDY}"
    return True, f"The machine was steady: {told}, {typical}."


def _range(times_ms: Sequence[float]) -> str:
    low, high = (number_text(pick(times_ms)) for pick in (min, max))
    return f"{low} ms each time" if low == high else f"{low} to {high} ms"


def _change(course: Course, at_round: int | None) -> str:
    percent = f"{100 * abs(course.change_fraction):.0f} %"
    direction = "more" if course.change_fraction > 0 else "less"
    if at_round is None:
        return (
            f"little by little: the same small piece of work (the reference kernel) came to take "
            f"{percent} {direction} time."
        )
    return (
        f"suddenly in round {at_round}: from then on the same small piece of work (the reference "
        f"kernel) took {percent} {direction} time."
    )


def _foreign_load(host: HostFacts, trials: Sequence[Trial], *, remedy: str) -> list[str]:
    """A warning where the load before trials was more than the run by itself can make; `remedy`
    is empty where another sentence says what to do.

    The most it can make is all cores even where its trials use fewer threads: encodings are
    prepared with several, and the average of a minute still holds that when trials begin. So less
    than the cores of other work goes untold beside a run of few threads.
    """
    loads = [
        trial.host_before.load_average_1m
        for trial in trials
        if trial.host_before.load_average_1m is not None
    ]
    if not loads:
        return []
    cores = host.usable_core_count
    most_own = max(
        cores, *(trial.cell.setting["threads"] * trial.cell.setting["jobs"] for trial in trials)
    )
    if statistics.median(loads) <= most_own + FOREIGN_LOAD_PER_CORE * cores:
        return []
    return [
        f"Other programs were at work: a load of {min(loads):.1f} to {max(loads):.1f} before "
        f"trials, where this run by itself makes at most about {most_own} on "
        f"{count_text(cores, 'core')}.{remedy}"
    ]

"""What a comparison of runs means, in words that a person or a log can be given."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from mezzmark.decide.evidence import MeasuredRun, trial_cost
from mezzmark.decide.judgement import Judgement
from mezzmark.decide.verdicts import Design
from mezzmark.facts.records import Trial
from mezzmark.statistics.drift import classify_course

_ASSUMPTIONS: Final[dict[Design, str]] = {
    "interleaved": (
        "Both sides were measured in turn, round by round: whatever the machine did hit both. "
        "Nothing further is assumed."
    ),
    "separate": (
        "The sides were measured at different times. A change is claimed only where it shows "
        "both as measured and relative to the reference kernel. This is right if the machine's "
        "own change between the runs hit the work in the kernel's direction and by no more than "
        "it hit the kernel. What hits the work and not the kernel (storage, memory taken by "
        "others) counts as a change of the work: measure in turn, or several runs a side, to "
        "rule it out."
    ),
    "several runs": (
        "Whole runs are the unit: their spread within a side holds days and reboots. Assumed is "
        "that the runs of a side are fair draws of such days."
    ),
    "two machines": (
        "The sides are different machines. The verdicts say which machine is slower as it was "
        "found, not that one became slower; what either did at that time only counts as part "
        "of it."
    ),
}

_NO_KERNEL: Final = (
    "The sides were measured at different times and lack reference kernels to compare: any "
    "change of the machine between them counts as a change of the work."
)


def describe_assumption(design: Design, *, has_kernel: bool) -> str:
    """What must be believed beyond the data for the verdicts to hold."""
    if design == "separate" and not has_kernel:
        return _NO_KERNEL
    return _ASSUMPTIONS[design]


def describe_judgement(judgement: Judgement, *, tolerance_fraction: float, design: Design) -> str:
    """One clause for a cell: the change with its interval, and what it lacks or means."""
    change = _change_text(judgement)
    tolerance = f"{100 * tolerance_fraction:g} %"
    if judgement.verdict == "equivalent":
        return f"{change}: surely less than {tolerance} either way"
    if judgement.verdict != "inconclusive":
        size = "more than" if judgement.is_beyond_tolerance else "perhaps less than"
        return f"{change}: {size} {tolerance}"
    unit = "runs" if design == "several runs" else "rounds"
    if judgement.units_needed is None:
        return (
            f"{change}: cannot be told from the machine's own change, however many {unit}; "
            "measure both sides in turn"
        )
    whose = "in all" if design == "several runs" else "a side"
    return f"{change}: about {judgement.units_needed} {unit} {whose} would tell"


def _change_text(judgement: Judgement) -> str:
    interval = judgement.interval
    percents = [100 * (value - 1) for value in (interval.point, interval.low, interval.high)]
    point, low, high = (f"{value:+.1f}" for value in percents)
    return f"cost {point} % [{low}, {high}]"


def describe_machine(
    baseline: Sequence[MeasuredRun], contender: Sequence[MeasuredRun]
) -> tuple[str, ...]:
    """What the reference kernel says of the machine during each run that was not steady."""
    notes = []
    for side, runs in (("baseline", baseline), ("contender", contender)):
        for run in runs:
            text = course_words([trial for trial in run.trials if trial.cell.task == "kernel"])
            if text:
                notes.append(f"{side} run {run.manifest.run_id}: {text}")
    return tuple(notes)


def course_words(kernels: Sequence[Trial]) -> str:
    """What the reference kernel's trials say of the machine's course; empty where it was steady."""
    ordered = sorted(kernels, key=lambda trial: (trial.round_index, trial.position))
    kernel_ms = [cost for trial in ordered if (cost := trial_cost(trial)) is not None]
    if not kernel_ms:
        return "no reference kernel was measured"
    course = classify_course(np.asarray(kernel_ms))
    percent = f"{100 * course.change_fraction:+.1f} %"
    texts = {
        "steady": "",
        "too short": "too few reference kernels to see drift",
        "drift": f"the machine drifted: the reference kernel's time by {percent} over the run",
        "step": f"the machine changed at once: the reference kernel's time by {percent}",
        "unsteady": "the machine was never steady: the reference kernel's times wander",
    }
    return texts[course.kind]

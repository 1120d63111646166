"""What a comparison of runs means, in words that a person or a log can be given."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.decide.compare.judgement import Judgement
from mezzmark.decide.compare.verdicts import Design, RegressionReport, Verdict
from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.decide.machine.state import judge_machine
from mezzmark.report.prose.numbers import clause, count_text

_ASSUMPTIONS: Final[dict[Design, str]] = {
    "interleaved": (
        "Both sides were measured in turn, round by round, never at once: whatever the machine did "
        "hit both. "
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
    "at the same time": (
        "The runs were at work at the same time on one machine and disturbed each other: neither "
        "“slower” nor “no change” can be trusted, so no verdict is given. The ratios are worked "
        "out as for runs at different times. Measure again, one run after the other. Where these "
        "were two machines of one kind, give each a label of its own (MEZZMARK_HOST_LABEL)."
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

MOST_UNITS_TOLD: Final = 200
"""Rounds or runs that somebody might still measure."""

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
    if judgement.units_needed > MOST_UNITS_TOLD:
        return (
            f"{change}: no number of {unit} that one would wait for ({MOST_UNITS_TOLD} {whose}) "
            "would tell; make the machine quieter first"
        )
    return f"{change}: about {judgement.units_needed} {unit} {whose} would tell"


def _change_text(judgement: Judgement) -> str:
    interval = judgement.interval
    percents = [100 * (value - 1) for value in (interval.point, interval.low, interval.high)]
    point, low, high = (f"{value:+.1f}" for value in percents)
    return f"cost {point} % [{low}, {high}]"


def describe_machine(
    baseline: Sequence[MeasuredRun], candidate: Sequence[MeasuredRun], names: Sequence[str]
) -> tuple[str, ...]:
    """What is said of the machine during each run in which it was not steady, or nobody knows; as
    the run's own report says it. `names` are those of all runs, baseline first."""
    sides = ["baseline"] * len(baseline) + ["candidate"] * len(candidate)
    notes = []
    for side, run, name in zip(sides, (*baseline, *candidate), names, strict=True):
        state = judge_machine(run.manifest.host, run.trials)
        if not state.is_steady:
            notes.append(f"{side} run {name}: {clause(state.words)}")
    return tuple(notes)


def describe_overlap(names: Sequence[str], pairs: Sequence[tuple[int, int]]) -> str:
    """Which runs were at work at the same time, and what that means; empty where none were."""
    if not pairs:
        return ""
    told = "; ".join(f"{names[first]} and {names[second]}" for first, second in pairs)
    return f"{_ASSUMPTIONS['at the same time']} Runs that overlapped: {told}."


@dataclass(frozen=True, slots=True, kw_only=True)
class Unjudged:
    """Cells without a ratio that share verdict and reason."""

    verdict: Verdict
    reason: str
    cell_ids: tuple[str, ...]


def unjudged_groups(report: RegressionReport) -> tuple[Unjudged, ...]:
    """Cells that could not be judged, by reason; the largest group first."""
    groups: dict[tuple[Verdict, str], list[str]] = {}
    for cell in report.cells:
        if cell.cost_ratio is None:
            groups.setdefault((cell.verdict, cell.reason), []).append(cell.cell.cell_id)
    return tuple(
        Unjudged(verdict=verdict, reason=reason, cell_ids=tuple(ids))
        for (verdict, reason), ids in sorted(groups.items(), key=lambda item: -len(item[1]))
    )


_SUMMARY_ORDER: Final[tuple[Verdict, ...]] = (
    "regressed",
    "improved",
    "equivalent",
    "inconclusive",
    "not comparable",
)


def summarise_regression(report: RegressionReport) -> str:
    """The whole comparison in a sentence: how many cells came out how, or the one reason why none
    could be judged."""
    groups = unjudged_groups(report)
    if not report.cells:
        return "The runs hold no finished trial to compare."
    if len(groups) == 1 and len(groups[0].cell_ids) == len(report.cells):
        counted = count_text(len(report.cells), "cell")
        end = " Nothing to compare." if report.verdict == "not comparable" else ""
        return f"{counted}: {groups[0].reason}.{end}"
    verdicts = [cell.verdict for cell in report.cells]
    counts = [
        f"{verdicts.count(verdict)} {verdict}" for verdict in _SUMMARY_ORDER if verdict in verdicts
    ]
    text = f"{count_text(len(verdicts), 'cell')}: {', '.join(counts)}."
    if report.design == "at the same time":
        return f"The runs ran at the same time and disturbed each other: no verdict. {text}"
    return text

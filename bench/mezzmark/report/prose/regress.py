"""What a comparison of runs means, and what change a machine could find, in words that a person or
a log can be given."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.decide.compare.judgement import Judgement
from mezzmark.decide.compare.self_test import RigFindings
from mezzmark.decide.compare.verdicts import CellVerdict, Design, RegressionReport, Verdict
from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.decide.machine.state import judge_machine
from mezzmark.report.prose.numbers import count_text

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
            notes.append(f"{side} run {name}: {state.words}")
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


MOST_NAMED: Final = 3
"""Cells of a group, and changed verdicts, that are named; JSON has all."""


def _is_judged(report: RegressionReport) -> bool:
    return any(cell.cost_ratio is not None for cell in report.cells)


def unjudged_lines(report: RegressionReport) -> list[str]:
    """`47 cells not comparable: the runs measured different clips (harbour; C0001.MP4)`; the cells
    themselves are named where they are few. Empty where the summary tells the one reason of all."""
    lines = []
    groups = unjudged_groups(report)
    if len(groups) == 1 and not _is_judged(report):
        return []
    for group in groups:
        line = f"{count_text(len(group.cell_ids), 'cell')} {group.verdict}: {group.reason}"
        if len(group.cell_ids) <= MOST_NAMED:
            line += f" ({'; '.join(group.cell_ids)})"
        lines.append(line)
    return lines


def remark_text(cell: CellVerdict) -> str:
    """Why, and how many more rounds or runs would settle it; no reason where verdict and ratio say
    all."""
    is_plain = cell.verdict in ("equivalent", "improved")
    parts = [cell.reason] if cell.reason and not is_plain else []
    wrong = cell.candidate_wrong_count
    if wrong:
        parts.append(f"{wrong} wrong {'picture' if wrong == 1 else 'pictures'} in the candidate")
    return "; ".join(parts)


def context_lines(report: RegressionReport) -> list[str]:
    """What the verdicts rest on, one statement a line; less where no cell could be judged."""
    is_judged = _is_judged(report)
    lines = [_error_levels(report)] if is_judged else []
    if is_judged or report.design == "at the same time":
        lines.append(f"Design: {report.design}. {report.assumption}")
    lines += report.machine_notes
    lines += [
        f"Changed on the host: {change.name}: {change.baseline} → {change.candidate}"
        for change in report.host_changes
    ]
    for arm in report.null_arms:
        state = (
            "fired, so every verdict of this comparison is taken back" if arm.has_fired else "quiet"
        )
        lines.append(f"Null arm ({arm.cell.cell_id}): {state}.")
    if is_judged:
        lines.append(_sensitivity(report))
    return lines


def _error_levels(report: RegressionReport) -> str:
    return (
        f"Tolerance {100 * report.tolerance_fraction:g} %; intervals at "
        f"{100 * report.confidence_level:g} %, each for its own cell; the chance of any false "
        f"verdict over all cells is held at {100 * (1 - report.confidence_level):g} % (Holm). "
        "Detectable is a change that is found nine times in ten."
    )


def _sensitivity(report: RegressionReport) -> str:
    if report.changed_without_flagged is None:
        return "No trial was disturbed as far as the system tells."
    flagged = f"{count_text(report.flagged_trial_count, 'disturbed trial')} kept in"
    if report.flag_reasons:
        flagged += f": {'; '.join(report.flag_reasons)}"
    changed = report.changed_without_flagged
    if not changed:
        return f"{flagged}. Without them every verdict is the same."
    more = len(changed) - MOST_NAMED
    named = "; ".join(changed[:MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")
    return f"{flagged}. Without them {count_text(len(changed), 'verdict')} would change: {named}"


def rig_lines(found: RigFindings) -> list[str]:
    """What comparisons of a player with itself, and with a slowed one, say of a machine."""
    share = found.false_alarm_share
    lines = [
        f"Identical players compared {found.comparison_count} times, {found.round_count} rounds "
        f"each: {found.false_alarm_count} false alarms "
        f"({share.point:.0%}, {share.confidence_level:.0%} interval {share.low:.1%} to "
        f"{share.high:.1%}).",
        "Two identical trials of a round differ by "
        f"{found.round_sd_fraction:.1%} (standard deviation of the ratio).",
    ]
    for planted in found.planted:
        seen = planted.found_share
        lines.append(
            f"A slowdown of {planted.slowdown_fraction:.0%} was found in {planted.found_count} of "
            f"{planted.comparison_count} ({seen.low:.0%} to {seen.high:.0%}); theory predicts "
            f"{planted.predicted_share:.0%}."
        )
    limits = ", ".join(
        f"{limit.slowdown_fraction:.1%} with {limit.round_count}" for limit in found.detectable
    )
    lines.append(f"Smallest slowdown found nine times in ten, by rounds: {limits}.")
    return lines

"""A comparison of runs in sentences: what was found, what was not compared, what it rests on."""

import shlex
from collections.abc import Iterator, Sequence
from typing import Final

from mezzmark.decide.compare.matching import group_refusals
from mezzmark.decide.compare.verdicts import (
    CellVerdict,
    ChangedVerdict,
    Design,
    ReasonKind,
    Refusal,
    RegressionReport,
    Verdict,
)
from mezzmark.decide.estimate.observed_run import MeasuredRun, run_names, start_of
from mezzmark.model.cell import Cell
from mezzmark.report.prose.machine import cause_text, fact_change_text, machine_predicate
from mezzmark.report.prose.numbers import (
    count_text,
    few_text,
    joined_text,
    level_text,
    list_text,
    shown_name,
    visible_text,
)
from mezzmark.report.prose.terms import task_label

MOST_UNITS: Final = 200
"""Rounds or runs that somebody might still measure."""

MOST_NAMED: Final = 3
"""Cells and clips that are named in a sentence; JSON has all."""

_ASSUMPTIONS: Final[dict[Design, str]] = {
    "interleaved": (
        "Both sides were measured in turn, round by round, never at once: whatever the machine did "
        "affected both. Nothing further is assumed."
    ),
    "separate": (
        "The sides were measured at different times. A change is claimed only where it shows both "
        "as measured and relative to the reference kernel: a machine-wide change between the runs "
        "is assumed to affect the work by 0 to 100 % of its effect on the kernel. What affects the "
        "work alone (storage, memory used by others) counts as a change of the work: measure in "
        "turn, or several runs a side, to rule it out."
    ),
    "at the same time": (
        "The runs were at work on one machine at the same time and disturbed each other, so no "
        "verdict is given; ratios are those of runs at different times. Measure again, one run "
        "after the other. If these were two machines of one kind, give each its own label "
        "(MEZZMARK_HOST_LABEL)."
    ),
    "several runs": (
        "The run is the unit: the spread within a side includes days and reboots. The runs of a "
        "side are assumed to be a fair sample of such days."
    ),
    "two machines": (
        "The sides are different machines: a verdict says which machine is slower as it was found, "
        "not that one became slower."
    ),
}

_NO_KERNEL: Final = (
    "The sides were measured at different times and lack reference kernels to compare: any change "
    "of the machine between them counts as a change of the work."
)


def assumption_text(design: Design, *, has_kernel: bool) -> str:
    """What must be believed beyond the data for the verdicts to hold."""
    return _NO_KERNEL if design == "separate" and not has_kernel else _ASSUMPTIONS[design]


_REASONS: Final[dict[ReasonKind, str]] = {
    "few_rounds": "fewer than {needed} finished rounds",
    "other_setting": "the scenario's {task}.{name} was {before}, is {after}",
    "other_footage": 'clip "{name}" is not the same footage',
    "other_encoding": 'encoding "{name}" is defined differently',
    "other_file": (
        'the file of "{name}" is not the same (encoded by other software?); share the cache of '
        "encoded files between the runs"
    ),
    "no_common_clip": "the runs measured different clips ({before}; {after})",
    "renamed_clips": "the runs gave the same footage different clip names ({before}; {after})",
    "task_missing": "{label} was not measured {where}",
    "clip_missing": '{label} with clip "{name}" was not measured {where}',
    "encoding_missing": '{label} with "{name}" was not measured {where}',
    "setting_missing": "{label} with {settings} was not measured {where}",
}


def reasons_text(refusal: Refusal, *, preposition: str = "in") -> str:
    """Why these cells are not compared; what is missing somewhere is missing `in` a run or `on` a
    host."""
    return "; ".join(
        _REASONS[reason.kind].format(
            needed=reason.needed,
            task=reason.task,
            name=shown_name(reason.name),
            before=list_text(reason.before, limit=MOST_NAMED) or "not set",
            after=list_text(reason.after, limit=MOST_NAMED) or "not set",
            label=task_label(reason.task),
            where=f"{preposition} {visible_text(reason.place)}",
            settings=joined_text([_axis_text(axis, refusal.cells) for axis in reason.axes]),
        )
        for reason in refusal.reasons
    )


def _axis_text(axis: str, cells: Sequence[Cell]) -> str:
    """One axis with all its values among the cells: `4, 6 or 8 jobs`, `pattern hop`."""
    values = sorted({cell.setting[axis] for cell in cells}, key=lambda v: (str(type(v)), v))
    plain = {None: "unset", True: "yes", False: "no"}
    texts = [plain[v] if v is None or isinstance(v, bool) else shown_name(str(v)) for v in values]
    shown = joined_text(texts, word="or")
    if axis in ("threads", "jobs"):
        return f"{shown} {axis if shown != '1' else axis[:-1]}"
    return f"{axis.replace('_', ' ')} {shown}"


def remark_text(cell: CellVerdict, report: RegressionReport) -> str:
    """What a cell's ratio means or lacks, in a clause."""
    if cell.cost_ratio is None:
        return reasons_text(Refusal(reasons=cell.reasons, cells=(cell.cell,)))
    text = _finding_text(cell, report)
    if cell.candidate_wrong_count:
        new = ", the baseline none" if cell.shows_new_wrong_pictures else ""
        wrong = count_text(cell.candidate_wrong_count, "wrong picture")
        return f"{wrong} in the candidate{new}; {text}"
    return text


def _finding_text(cell: CellVerdict, report: RegressionReport) -> str:
    if cell.withheld_verdict is not None:
        why = "the runs overlapped" if report.overlaps else "a self-comparison is significant"
        return f"would be {cell.withheld_verdict}, but {why}"
    tolerance = level_text(report.tolerance_fraction)
    if cell.verdict == "equivalent":
        return f"changed by less than {tolerance}"
    if cell.verdict != "inconclusive":
        extent = "more" if cell.is_beyond_tolerance else "perhaps less"
        return f"changed by {extent} than {tolerance}"
    is_by_run = report.design == "several runs"
    unit, whose = ("runs", "in all") if is_by_run else ("rounds", "a side")
    if cell.units_needed is None:
        return (
            f"not separable from the machine's own change, however many {unit}; measure both sides "
            "in turn"
        )
    if cell.units_needed > MOST_UNITS:
        return f"more than {MOST_UNITS} {unit} {whose} needed; make the machine quieter first"
    return f"about {cell.units_needed} {unit} {whose} would settle it"


def unjudged_groups(report: RegressionReport) -> tuple[Refusal, ...]:
    """Cells without a ratio, by reason; the largest group first."""
    groups = group_refusals({c.cell: c.reasons for c in report.cells if c.cost_ratio is None})
    return tuple(sorted(groups, key=lambda group: -len(group.cells)))


def unjudged_lines(report: RegressionReport) -> list[str]:
    """`47 cells not comparable: the runs measured different clips (harbour; C0001.MP4)`; the cells
    themselves are named where they are few. Empty where the summary tells the one reason of all."""
    groups = unjudged_groups(report)
    if _is_of_one_reason(report, groups):
        return []
    verdicts = {cell.cell: cell.verdict for cell in report.cells}
    lines = []
    for group in groups:
        counted = f"{count_text(len(group.cells), 'cell')} {verdicts[group.cells[0]]}"
        ids = "; ".join(cell.cell_id for cell in group.cells)
        named = f" ({ids})" if len(group.cells) <= MOST_NAMED else ""
        lines.append(f"{counted}: {reasons_text(group)}{named}")
    return lines


def _is_of_one_reason(report: RegressionReport, groups: Sequence[Refusal]) -> bool:
    return len(groups) == 1 and len(groups[0].cells) == len(report.cells)


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
    if not report.cells:
        return "The runs hold no finished trial to compare."
    groups = unjudged_groups(report)
    counted = count_text(len(report.cells), "cell")
    if _is_of_one_reason(report, groups):
        return f"{counted} {report.verdict}: {reasons_text(groups[0])}."
    verdicts = [cell.verdict for cell in report.cells]
    counts = [f"{verdicts.count(v)} {v}" for v in _SUMMARY_ORDER if v in verdicts]
    overlap = " The runs overlapped: no difference in time is claimed." if report.overlaps else ""
    return f"{', '.join(counts)} ({counted}).{overlap}"


def doubt_lines(report: RegressionReport) -> list[str]:
    """What to know before relying on the verdicts, a statement each."""
    return [
        *(
            f"{run.side.capitalize()} run {run.name}: the machine {machine_predicate(run.state)}."
            for run in report.unsteady_runs
        ),
        *(
            f"Self-comparison ({c.cell.cell_id}): significant, so no difference in time is claimed."
            for c in report.self_comparisons
            if c.is_significant
        ),
    ]


def basis_lines(report: RegressionReport) -> list[str]:
    """What the verdicts rest on, a statement each; less where no cell could be judged."""
    is_judged = any(cell.cost_ratio is not None for cell in report.cells)
    changes = "; ".join(fact_change_text(change) for change in report.host_changes)
    return [
        *([_error_levels(report)] if is_judged else []),
        *([_design_text(report)] if is_judged or report.overlaps else []),
        *([f"Changed on the host: {changes}."] if changes else []),
        *(
            f"Self-comparison ({item.cell.cell_id}): not significant."
            for item in report.self_comparisons
            if not item.is_significant
        ),
        *([_sensitivity(report)] if is_judged else []),
    ]


def context_lines(report: RegressionReport) -> list[str]:
    """All that stands beside the verdicts."""
    return [*doubt_lines(report), *basis_lines(report)]


def _design_text(report: RegressionReport) -> str:
    assumption = assumption_text(report.design, has_kernel=report.machine_ratio is not None)
    pairs = "; ".join(" and ".join(pair) for pair in report.overlaps)
    overlaps = f" Runs that overlapped: {pairs}." if pairs else ""
    return f"Design: {report.design}. {assumption}{overlaps}"


def _error_levels(report: RegressionReport) -> str:
    return (
        f"Tolerance {level_text(report.tolerance_fraction)}; intervals at "
        f"{level_text(report.confidence_level)}, each for its own cell; the chance of any false "
        f"verdict over all cells is held at {level_text(1 - report.confidence_level)} (Holm). "
        "Detectable is a change that is found with 90 % power."
    )


def _sensitivity(report: RegressionReport) -> str:
    if report.changed_without_flagged is None:
        return "No trial was disturbed, as far as the system reports."
    causes = "; ".join(cause_text(cause) for cause in report.flag_causes)
    counted = count_text(report.flagged_trial_count, "disturbed trial")
    flagged = f"{counted} kept in{f': {causes}' if causes else ''}."
    changed = report.changed_without_flagged
    if not changed:
        return f"{flagged} Without them every verdict is the same."
    return (
        f"{flagged} Without them {count_text(len(changed), 'verdict')} would change: "
        f"{changed_verdicts_text(changed)}."
    )


def changed_verdicts_text(changed: Sequence[ChangedVerdict]) -> str:
    """The first few cells, with both verdicts."""
    named = [f"{c.cell.cell_id}: {c.verdict} → {c.verdict_without}" for c in changed]
    return few_text(named, MOST_NAMED, lambda more: f"and {more} more")


def regression_sentences(report: RegressionReport) -> Iterator[str]:
    """All of it in English, as the terminal has it."""
    yield summarise_regression(report)
    yield from unjudged_lines(report)
    yield from context_lines(report)


def before_after_headline(report: RegressionReport, host: str) -> str:
    """Of two runs of one host in a report."""
    return f"{shown_name(host)}, before and after: {summarise_regression(report)}"


def before_after_basis(earlier: MeasuredRun, later: MeasuredRun, confidence_level: float) -> str:
    """Which two runs, and when they began."""
    first, second = (
        f"{start_of(run)[:16].replace('T', ' ')} ({shown_name(name)})"
        for run, name in zip((earlier, later), run_names([earlier, later]), strict=True)
    )
    return f"{first} and {second}, both in UTC · {100 * confidence_level:g} % intervals in brackets"


def next_steps(earlier: str, later: str) -> tuple[str, str]:
    """What else can be had of two runs, by their names."""
    first, second = (visible_text(shlex.quote(name)) for name in (earlier, later))
    return (
        "The same on the command line, with an exit code for other programs: mezzmark regress "
        f"--baseline {first} --candidate {second}",
        "A third run of this machine adds its history: where its level changed.",
    )

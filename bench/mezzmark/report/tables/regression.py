"""A comparison of runs as Markdown, JSON or JUnit XML; the verdicts are made elsewhere."""

from typing import Final
from xml.etree import ElementTree

from mezzmark.decide.compare.verdicts import CellVerdict, RegressionReport, Verdict
from mezzmark.report.prose.numbers import count_text, markdown_text, visible_text
from mezzmark.report.prose.regress import summarise_regression, unjudged_groups

MARKS: Final[dict[Verdict, str]] = {
    "improved": "−",
    "equivalent": "=",
    "regressed": "+",
    "inconclusive": "?",
    "not comparable": "×",
}
"""A sign beside each verdict, so that colour is never the only carrier: the sign of the change in
cost, `?` for cannot tell, `×` for cannot compare."""


MOST_NAMED: Final = 3
"""Cells of a group that are named; JSON has all."""


def ratio_text(cell: CellVerdict) -> str:
    """`1.052 [1.031, 1.074]`, or a dash without an interval."""
    ratio = cell.cost_ratio
    if ratio is None:
        return "–"
    if ratio.low is None or ratio.high is None:
        return f"{ratio.point:.3f}"
    return f"{ratio.point:.3f} [{ratio.low:.3f}, {ratio.high:.3f}]"


FINDABLE_HEADING: Final = "smallest change it could find"
"""The column of `detectable_text`."""


def detectable_text(cell: CellVerdict) -> str:
    """The smallest change that would have been found nine times in ten, in percent."""
    if cell.detectable_fraction is None:
        return "–"
    if cell.detectable_fraction > 1:
        return "nothing short of a doubling"
    return f"{100 * cell.detectable_fraction:.1f} %"


def judged_cells(report: RegressionReport) -> list[CellVerdict]:
    """Cells that have a ratio; the others are told by reason (`unjudged_lines`)."""
    return [cell for cell in report.cells if cell.cost_ratio is not None]


def unjudged_lines(report: RegressionReport) -> list[str]:
    """`47 cells not comparable: the runs measured different clips (harbour; C0001.MP4)`; the cells
    themselves are named where they are few. Empty where the summary tells the one reason of all."""
    lines = []
    groups = unjudged_groups(report)
    if len(groups) == 1 and not judged_cells(report):
        return []
    for group in groups:
        line = f"{count_text(len(group.cell_ids), 'cell')} {group.verdict}: {group.reason}"
        if len(group.cell_ids) <= MOST_NAMED:
            line += f" ({'; '.join(group.cell_ids)})"
        lines.append(line)
    return lines


def remark_text(cell: CellVerdict) -> str:
    """Why, and how many more rounds or runs would settle it."""
    parts = [cell.reason] if cell.reason else []
    wrong = cell.candidate_wrong_count
    if wrong:
        parts.append(f"{wrong} wrong {'picture' if wrong == 1 else 'pictures'} in the candidate")
    return "; ".join(parts)


def context_lines(report: RegressionReport) -> list[str]:
    """What the verdicts rest on, one statement a line; less where no cell could be judged."""
    is_judged = bool(judged_cells(report))
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
        f"verdict over all cells is held at {100 * (1 - report.confidence_level):g} % (Holm). The "
        f"{FINDABLE_HEADING} is one that it finds nine times in ten."
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


def as_markdown(report: RegressionReport) -> str:
    """A Markdown table with its context, for a pull request or a wiki."""
    lines = [
        f"## {report.verdict.capitalize()}",
        "",
        _cell_text(summarise_regression(report)),
        "",
    ]
    lines += [f"- {_cell_text(line)}" for line in unjudged_lines(report)]
    judged = judged_cells(report)
    if judged:
        lines += [
            "",
            f"| | cell | verdict | cost ratio (candidate / baseline) | {FINDABLE_HEADING} | "
            "remark |",
            "|---|---|---|---|---|---|",
        ]
    lines += [
        f"| {MARKS[cell.verdict]} | {_cell_text(cell.cell.cell_id)} | {cell.verdict} | "
        f"{ratio_text(cell)} | {detectable_text(cell)} | {_cell_text(remark_text(cell))} |"
        for cell in judged
    ]
    lines += ["", *(f"- {_cell_text(line)}" for line in context_lines(report))]
    return "\n".join(lines) + "\n"


def _cell_text(text: str) -> str:
    return markdown_text(visible_text(text))


def as_junit(report: RegressionReport) -> str:
    """JUnit XML as build servers read it: a regression is a failure, a cell that cannot be told or
    compared is skipped with its reason."""
    counts = dict.fromkeys(MARKS, 0)
    for cell in report.cells:
        counts[cell.verdict] += 1
    suite = ElementTree.Element(
        "testsuite",
        name="mezzmark regress",
        tests=str(len(report.cells)),
        failures=str(counts["regressed"]),
        errors="0",
        skipped=str(counts["inconclusive"] + counts["not comparable"]),
    )
    for cell in report.cells:
        case = ElementTree.SubElement(
            suite,
            "testcase",
            classname=f"mezzmark.{cell.cell.task}",
            name=_legal(cell.cell.cell_id),
        )
        message = _legal(f"{cell.verdict}: {ratio_text(cell)}. {remark_text(cell)}".strip())
        if cell.verdict == "regressed":
            ElementTree.SubElement(case, "failure", message=message, type="regressed")
        elif cell.verdict in ("inconclusive", "not comparable"):
            ElementTree.SubElement(case, "skipped", message=message)
    ElementTree.SubElement(suite, "system-out").text = "\n".join(
        _legal(line) for line in context_lines(report)
    )
    ElementTree.indent(suite)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        + ElementTree.tostring(suite, encoding="unicode")
        + "\n"
    )


def _legal(text: str) -> str:
    """Without what XML 1.0 forbids (section 2.2, Char); control characters are written out."""
    return "".join(c for c in visible_text(text) if c not in "\ufffe\uffff")


def as_json(report: RegressionReport) -> str:
    """The whole comparison for other programs."""
    return report.model_dump_json(indent=2) + "\n"

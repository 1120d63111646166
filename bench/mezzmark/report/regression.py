"""A comparison of runs as Markdown, JSON or JUnit XML; the verdicts are made elsewhere."""

from typing import Final
from xml.etree import ElementTree

from mezzmark.decide.verdicts import CellVerdict, RegressionReport, Verdict
from mezzmark.decide.wording import markdown_text, visible_text

MARKS: Final[dict[Verdict, str]] = {
    "improved": "−",
    "equivalent": "=",
    "regressed": "+",
    "inconclusive": "?",
    "not comparable": "×",
}
"""A sign beside each verdict, so that colour is never the only carrier: the sign of the change in
cost, `?` for cannot tell, `×` for cannot compare."""


def ratio_text(cell: CellVerdict) -> str:
    """`1.052 [1.031, 1.074]`, or a dash without an interval."""
    ratio = cell.cost_ratio
    if ratio is None:
        return "–"
    if ratio.low is None or ratio.high is None:
        return f"{ratio.point:.3f}"
    return f"{ratio.point:.3f} [{ratio.low:.3f}, {ratio.high:.3f}]"


def detectable_text(cell: CellVerdict) -> str:
    """The smallest change that would have been found nine times in ten, in percent."""
    return "–" if cell.detectable_fraction is None else f"{cell.detectable_fraction:.1%}"


def remark_text(cell: CellVerdict) -> str:
    """Why, and how many more rounds or runs would settle it."""
    parts = [cell.reason] if cell.reason else []
    wrong = cell.contender_wrong_count
    if wrong:
        parts.append(f"{wrong} wrong {'picture' if wrong == 1 else 'pictures'} in the contender")
    return "; ".join(parts)


def context_lines(report: RegressionReport) -> list[str]:
    """What the verdicts rest on, one statement a line."""
    level = f"{report.confidence_level:.0%}"
    lines = [
        f"Tolerance {report.tolerance_fraction:.1%}; intervals at {level}, each for its own cell; "
        "the chance of any false verdict over all cells is held at "
        f"{1 - report.confidence_level:.0%} (Holm).",
        f"Design: {report.design}. {report.assumption}",
    ]
    lines += report.machine_notes
    lines += [
        f"Changed on the host: {change.name}: {change.baseline} → {change.contender}"
        for change in report.host_changes
    ]
    for arm in report.null_arms:
        state = (
            "fired, so every verdict of this comparison is taken back" if arm.has_fired else "quiet"
        )
        lines.append(f"Null arm ({arm.cell.cell_id}): {state}.")
    lines.append(_sensitivity(report))
    return lines


def _sensitivity(report: RegressionReport) -> str:
    if report.changed_without_flagged is None:
        return "No trial was disturbed as far as the system tells."
    count = report.flagged_trial_count
    flagged = f"{count} disturbed {'trial' if count == 1 else 'trials'} kept in"
    if report.flag_reasons:
        flagged += f" ({'; '.join(report.flag_reasons)})"
    if not report.changed_without_flagged:
        return f"{flagged}; without them every verdict is the same."
    return f"{flagged}; without them these verdicts change: " + ", ".join(
        report.changed_without_flagged
    )


def as_markdown(report: RegressionReport) -> str:
    """A Markdown table with its context, for a pull request or a wiki."""
    lines = [
        f"## {report.verdict.capitalize()}",
        "",
        "| | cell | verdict | cost ratio (contender / baseline) | would have seen | remark |",
        "|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {MARKS[cell.verdict]} | {_cell_text(cell.cell.cell_id)} | {cell.verdict} | "
        f"{ratio_text(cell)} | {detectable_text(cell)} | {_cell_text(remark_text(cell))} |"
        for cell in report.cells
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

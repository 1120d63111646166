"""A comparison of runs as a table, Markdown, JSON or JUnit XML; verdicts are made elsewhere."""

import json
from typing import Final
from xml.etree import ElementTree

from mezzmark.decide.compare.verdicts import CellVerdict, RegressionReport, Verdict
from mezzmark.report.prose.numbers import markdown_text, visible_text
from mezzmark.report.prose.regress import (
    context_lines,
    regression_sentences,
    remark_text,
    summarise_regression,
    unjudged_lines,
)
from mezzmark.report.tables.table import Entry, Table

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


FINDABLE_HEADING: Final = "smallest change detectable"
"""The column of `detectable_text`."""


def detectable_text(cell: CellVerdict) -> str:
    """The smallest change that would have been found nine times in ten, in percent."""
    if cell.detectable_fraction is None:
        return "–"
    if cell.detectable_fraction > 1:
        return "> 100 %"
    return f"{100 * cell.detectable_fraction:.1f} %"


def judged_cells(report: RegressionReport) -> list[CellVerdict]:
    """Cells that have a ratio; the others are given by reason (`unjudged_lines`)."""
    return [cell for cell in report.cells if cell.cost_ratio is not None]


def regression_table(report: RegressionReport, *, table_id: str = "regression") -> Table:
    """Every cell that has a ratio: verdict, ratio, the smallest change detectable, and a remark."""
    cells = judged_cells(report)
    return Table(
        table_id=table_id,
        title="Cells before and after",
        note=(
            "Time, later / earlier: above 1 the later run is slower. Verdicts are adjusted for all "
            "cells."
        ),
        columns=("cell", "verdict", "cost ratio", FINDABLE_HEADING, "remark"),
        rows=tuple(
            (
                Entry(text=visible_text(cell.cell.cell_id), sort=cell.cell.cell_id.lower()),
                Entry(text=f"{MARKS[cell.verdict]} {cell.verdict}", sort=cell.verdict),
                Entry(
                    text=ratio_text(cell), sort=cell.cost_ratio.point if cell.cost_ratio else None
                ),
                Entry(text=detectable_text(cell), sort=cell.detectable_fraction),
                Entry(text=visible_text(remark_text(cell, report))),
            )
            for cell in cells
        ),
        anchors=tuple(f"{table_id}-{index}" for index in range(len(cells))),
        texts=(0, 1, 4),
    )


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
        f"{ratio_text(cell)} | {detectable_text(cell)} | {_cell_text(remark_text(cell, report))} |"
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
        message = _legal(f"{cell.verdict}: {ratio_text(cell)}. {remark_text(cell, report)}".strip())
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


JSON_SCHEMA: Final = 1
"""Version of `as_json`; results/README.md describes it."""


def as_json(report: RegressionReport) -> str:
    """The whole comparison for other programs: its fields, and the same in English."""
    facts = report.model_dump(mode="json")
    shown = {"schema": JSON_SCHEMA, **facts, "sentences": list(regression_sentences(report))}
    return json.dumps(shown, indent=2) + "\n"

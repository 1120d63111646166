"""A comparison of runs as a table, as Markdown and as JUnit XML; verdicts are made elsewhere."""

from collections.abc import Sequence
from typing import Final
from xml.etree import ElementTree

from mezzmark.decide.compare.verdicts import CellVerdict, RegressionReport, Verdict
from mezzmark.model.estimate import Estimate
from mezzmark.report.prose.numbers import visible_text
from mezzmark.report.prose.regress import (
    context_lines,
    remark_text,
    summarise_regression,
    unjudged_lines,
)
from mezzmark.report.prose.table_notes import NOTES
from mezzmark.report.tables.table import (
    DASH,
    Column,
    Entry,
    Table,
    markdown_table,
    markdown_text,
    tabulate,
)
from mezzmark.statistics.paired import UNDISTURBED_ROUNDS

MARKS: Final[dict[Verdict, str]] = {
    "improved": "−",
    "equivalent": "=",
    "regressed": "+",
    "slower": "+?",
    "inconclusive": "?",
    "not comparable": "×",
}
"""A sign beside each verdict, so that colour is never the only carrier: the sign of the change in
cost, `?` for what is open, `×` for cannot compare."""

SIGNS: Final[dict[Verdict, str]] = {"improved": "leader", "regressed": "wrong"}
_UNDECIDED: Final[tuple[Verdict, ...]] = ("slower", "inconclusive", "not comparable")


CHANGED: Final[tuple[Verdict, ...]] = ("regressed", "slower", "improved")
UNCHANGED: Final = tuple(verdict for verdict in MARKS if verdict not in CHANGED)


def regression_table(
    report: RegressionReport,
    *,
    table_id: str = "regression",
    title: str = "Cells before and after",
    verdicts: Sequence[Verdict] = tuple(MARKS),
) -> Table:
    """Every cell of these verdicts that has a ratio: verdict, ratios, the smallest change
    detectable, a remark."""
    return tabulate(
        [c for c in report.cells if c.cost_ratio is not None and c.verdict in verdicts],
        [
            Column("cell", lambda c: c.cell.cell_id, "left", is_long=True),
            Column("verdict", verdict_entry, "left"),
            Column("cost ratio", lambda c: ratio_entry(c.cost_ratio), "left"),
            Column("typical trial", _typical, "left"),
            Column("smallest change detectable", detectable_text),
            Column("remark", lambda c: remark_text(c, report), "left", is_long=True),
        ],
        table_id=table_id,
        title=title,
        note=NOTES["regression"],
        key=lambda c: c.cell,
    )


def verdict_entry(cell: CellVerdict) -> Entry:
    """With its sign."""
    return Entry(f"{MARKS[cell.verdict]} {cell.verdict}", sign=SIGNS.get(cell.verdict, ""))


def _typical(cell: CellVerdict) -> Entry:
    """Of all rounds; of three both ratios are, and nothing is told by saying it twice."""
    decides, typical = cell.cost_ratio, ratio_entry(cell.typical_ratio)
    is_few = decides is not None and decides.round_count <= UNDISTURBED_ROUNDS
    return Entry("too few rounds") if is_few and typical == ratio_entry(decides) else typical


def ratio_entry(ratio: Estimate | None) -> Entry:
    """`1.052` and `[1.031, 1.074]`."""
    if ratio is None:
        return Entry(DASH)
    is_bare = ratio.low is None or ratio.high is None
    return Entry(f"{ratio.point:.3f}", "" if is_bare else f"[{ratio.low:.3f}, {ratio.high:.3f}]")


def detectable_text(cell: CellVerdict) -> str:
    """The smallest change that would have been found nine times in ten, in percent."""
    if (change := cell.detectable_fraction) is None:
        return DASH
    return "> 100 %" if change > 1 else f"{100 * change:.1f} %"


def as_markdown(report: RegressionReport) -> str:
    """A Markdown table with its context, for a pull request or a wiki."""
    table = regression_table(report)
    parts = [
        f"## {report.verdict.capitalize()}",
        _line(summarise_regression(report)),
        "\n".join(f"- {_line(text)}" for text in unjudged_lines(report)),
        markdown_table(table).rstrip() if table else "",
        "\n".join(f"- {_line(text)}" for text in context_lines(report)),
    ]
    return "\n\n".join(filter(None, parts)) + "\n"


def _line(text: str) -> str:
    return markdown_text(visible_text(text))


def as_junit(report: RegressionReport) -> str:
    """JUnit XML as build servers read it: a regression is a failure, a cell that cannot be told or
    compared is skipped with its reason."""
    return junit_text([junit_suite(report, name="mezzmark regress")])


def junit_suite(report: RegressionReport, *, name: str) -> ElementTree.Element:
    """The suite of one comparison."""
    verdicts = [cell.verdict for cell in report.cells]
    suite = ElementTree.Element(
        "testsuite",
        name=_legal(name),
        tests=str(len(verdicts)),
        failures=str(verdicts.count("regressed")),
        errors="0",
        skipped=str(sum(verdict in _UNDECIDED for verdict in verdicts)),
    )
    for cell in report.cells:
        names = {"classname": f"mezzmark.{cell.cell.task}", "name": _legal(cell.cell.cell_id)}
        case = ElementTree.SubElement(suite, "testcase", names)
        ratio = ratio_entry(cell.cost_ratio).text
        message = _legal(f"{cell.verdict}: {ratio}. {remark_text(cell, report)}".strip())
        if cell.verdict == "regressed":
            ElementTree.SubElement(case, "failure", message=message, type="regressed")
        elif cell.verdict in _UNDECIDED:
            ElementTree.SubElement(case, "skipped", message=message)
    ElementTree.SubElement(suite, "system-out").text = "\n".join(map(_legal, context_lines(report)))
    return suite


def junit_text(suites: Sequence[ElementTree.Element]) -> str:
    """One suite as the document, or several within one."""
    root = suites[0] if len(suites) == 1 else ElementTree.Element("testsuites")
    root.extend(suites if len(suites) != 1 else ())
    ElementTree.indent(root)
    text = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def _legal(text: str) -> str:
    """Without what XML 1.0 forbids (section 2.2, Char); control characters are written out."""
    return "".join(c for c in visible_text(text) if c not in "\ufffe\uffff")

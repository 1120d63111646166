"""Comparisons of runs, and checks of many hosts, as tables, as Markdown and as JUnit XML."""

from collections.abc import Callable, Iterable, Sequence
from typing import Final
from xml.etree import ElementTree

from mezzmark.decide.compare.fleet import FleetCheck, HostCheck
from mezzmark.decide.compare.verdicts import CellVerdict, RegressionReport, Verdict
from mezzmark.model.estimate import Estimate
from mezzmark.report.prose import fleet as fleet_words
from mezzmark.report.prose import regress as words
from mezzmark.report.prose.numbers import visible_text
from mezzmark.report.prose.table_notes import NOTES
from mezzmark.report.tables.table import (
    DASH,
    Column,
    Content,
    Entry,
    Table,
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

_SIGNS: Final[dict[Verdict | None, str]] = {"improved": "leader", "regressed": "wrong"}
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
    """Every cell of these verdicts that has a ratio; rows are found by cell."""
    return tabulate(
        [c for c in report.cells if c.cost_ratio is not None and c.verdict in verdicts],
        Column("cell", lambda c: c.cell.cell_id, "left", is_long=True),
        Column("verdict", lambda c: verdict_entry(c.verdict), "left"),
        Column("cost ratio", lambda c: ratio_entry(c.cost_ratio), "left"),
        Column("typical trial", _typical, "left"),
        Column("smallest change detectable", detectable_text),
        Column("remark", lambda c: words.remark_text(c, report), "left", is_long=True),
        table_id=table_id,
        title=title,
        note=NOTES["regression"],
        key=lambda c: c.cell,
    )


def verdict_entry(verdict: Verdict) -> Entry:
    """With its sign."""
    return Entry(f"{MARKS[verdict]} {verdict}", sign=_SIGNS.get(verdict, ""))


def _typical(cell: CellVerdict) -> Content:
    """Of all rounds; of three both ratios are, and nothing is told by saying it twice."""
    decides, typical = cell.cost_ratio, ratio_entry(cell.typical_ratio)
    is_few = decides is not None and decides.round_count <= UNDISTURBED_ROUNDS
    return "too few rounds" if is_few and typical == ratio_entry(decides) else typical


def ratio_entry(ratio: Estimate | None) -> Entry | None:
    """`1.052` and `[1.031, 1.074]`."""
    if ratio is None:
        return None
    is_bare = ratio.low is None or ratio.high is None
    return Entry(f"{ratio.point:.3f}", "" if is_bare else f"[{ratio.low:.3f}, {ratio.high:.3f}]")


def detectable_text(cell: CellVerdict) -> str:
    """The smallest change that would have been found nine times in ten, in percent."""
    if (change := cell.detectable_fraction) is None:
        return DASH
    return "> 100 %" if change > 1 else f"{100 * change:.1f} %"


def fleet_hosts_table(check: FleetCheck) -> Table:
    """A row a host, told by its cell that changed most; rows are found by host."""
    return tabulate(
        check.hosts,
        Column("host", _host_entry, "left"),
        Column("verdict", _host_verdict, "left"),
        Column("cost ratio", lambda h: _told(h, lambda c: ratio_entry(c.cost_ratio))),
        Column("smallest change detectable", _detectable_span),
        Column("earlier runs", lambda h: len(h.baseline_utc)),
        Column("of cell", lambda h: _told(h, lambda c: c.cell.cell_id), "left", is_long=True),
        Column("remark", fleet_words.host_remark, "left", is_long=True),
        table_id="fleet-hosts",
        title="Each host by its cell that changed most",
        note=NOTES["fleet"],
        key=lambda h: h.host,
    )


def _host_entry(host: HostCheck) -> Entry:
    return Entry(fleet_words.host_name(host), sign=_SIGNS.get(host.verdict, ""))


def _host_verdict(host: HostCheck) -> str | Entry:
    return verdict_entry(host.verdict) if host.verdict else fleet_words.NO_HISTORY


def _told(host: HostCheck, of: Callable[[CellVerdict], Content]) -> Content:
    return of(host.telling_cell) if host.telling_cell else None


def _detectable_span(host: HostCheck) -> Entry | None:
    """Over the host's cells."""
    cells = host.report.cells if host.report else ()
    found = [100 * cell.detectable_fraction for cell in cells if cell.detectable_fraction]
    if not found:
        return None
    low, high = (f"{value:.1f}" for value in (min(found), max(found)))
    return Entry(f"{low} %" if low == high else f"{low} to {high} %", sort=max(found))


def changed_cells_table(check: FleetCheck) -> Table:
    """Every cell that changed, host by host."""
    return tabulate(
        [
            (host, report, cell)
            for host, report in fleet_words.judged_hosts(check)
            for cell in report.cells
            if cell.verdict in CHANGED
        ],
        Column("host", lambda r: fleet_words.host_name(r[0]), "left"),
        Column("cell", lambda r: r[2].cell.cell_id, "left"),
        Column("verdict", lambda r: verdict_entry(r[2].verdict), "left"),
        Column("cost ratio", lambda r: ratio_entry(r[2].cost_ratio)),
        Column("smallest change detectable", lambda r: detectable_text(r[2])),
        Column("remark", lambda r: words.remark_text(r[2], r[1]), "left"),
        table_id="fleet-changes",
        title="Cells that changed",
        note=NOTES["regression"],
    )


def disturbed_table(check: FleetCheck) -> Table:
    """Hosts on which a run was disturbed."""
    told = [(host, fleet_words.disturbance_texts(host)) for host in check.hosts]
    return tabulate(
        [(host, texts) for host, texts in told if any(texts)],
        Column("host", lambda r: fleet_words.host_name(r[0]), "left"),
        Column("machine", lambda r: r[1][0], "left"),
        Column("disturbed trials, kept in", lambda r: r[1][1], "left"),
        Column("verdicts that change without them", lambda r: r[1][2], "left"),
        table_id="fleet-disturbed",
        title="Hosts that were disturbed, or not known to be steady",
    )


def as_markdown(report: RegressionReport) -> str:
    """A Markdown table with its context, for a pull request or a wiki."""
    return _document(
        f"## {report.verdict.capitalize()}",
        markdown_text(visible_text(words.summarise_regression(report))),
        _bullets(words.unjudged_lines(report)),
        regression_table(report),
        _bullets(words.context_lines(report)),
    )


def fleet_markdown(check: FleetCheck) -> str:
    """The hosts as a Markdown table with its context."""
    head = f"## {markdown_text(fleet_words.fleet_headline(check))}"
    return _document(head, fleet_hosts_table(check), _bullets(fleet_words.context_lines(check)))


def _document(*parts: str | Table) -> str:
    """What there is of these, with a blank line between."""
    texts = (str(part).rstrip() for part in parts if part)
    return "\n\n".join(filter(None, texts)) + "\n"


def _bullets(lines: Iterable[str]) -> str:
    return "\n".join(f"- {markdown_text(visible_text(line))}" for line in lines)


def as_junit(report: RegressionReport) -> str:
    """JUnit XML: a regression is a failure; what cannot be told or compared is skipped."""
    return _junit_text([_junit_suite(report, name="mezzmark regress")])


def fleet_junit(check: FleetCheck) -> str:
    """JUnit XML, a suite for each host that has a history."""
    return _junit_text(
        [
            _junit_suite(report, name=f"{fleet_words.TITLE}: {visible_text(host.label)}")
            for host, report in fleet_words.judged_hosts(check)
        ]
    )


def _junit_suite(report: RegressionReport, *, name: str) -> ElementTree.Element:
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
        ratio = f"{found.text}. " if (found := ratio_entry(cell.cost_ratio)) else ""
        told = f"{ratio}{words.remark_text(cell, report)}".strip()
        message = _legal(f"{cell.verdict}: {told}" if told else cell.verdict)
        if cell.verdict == "regressed":
            ElementTree.SubElement(case, "failure", message=message, type="regressed")
        elif cell.verdict in _UNDECIDED:
            ElementTree.SubElement(case, "skipped", message=message)
    context = "\n".join(map(_legal, words.context_lines(report)))
    ElementTree.SubElement(suite, "system-out").text = context
    return suite


def _junit_text(suites: Sequence[ElementTree.Element]) -> str:
    """One suite as the document, or several within one."""
    root = suites[0] if len(suites) == 1 else ElementTree.Element("testsuites")
    root.extend(suites if len(suites) != 1 else ())
    ElementTree.indent(root)
    text = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def _legal(text: str) -> str:
    """Without what XML 1.0 forbids (section 2.2, Char); control characters are written out."""
    return "".join(c for c in visible_text(text) if c not in "\ufffe\uffff")

"""A check of many hosts as tables, as Markdown and as JUnit XML."""

from mezzmark.decide.compare.fleet import FleetCheck, HostCheck
from mezzmark.report.prose.fleet import (
    NO_HISTORY,
    TITLE,
    context_lines,
    disturbance_texts,
    fleet_headline,
    host_name,
    host_remark,
    judged_hosts,
)
from mezzmark.report.prose.numbers import visible_text
from mezzmark.report.prose.regress import remark_text
from mezzmark.report.prose.table_notes import NOTES
from mezzmark.report.tables.regression import (
    CHANGED,
    MARKS,
    SIGNS,
    detectable_text,
    junit_suite,
    junit_text,
    ratio_entry,
    verdict_entry,
)
from mezzmark.report.tables.table import (
    DASH,
    Column,
    Entry,
    Table,
    markdown_table,
    markdown_text,
    tabulate,
)


def fleet_hosts_table(check: FleetCheck) -> Table:
    """A row a host: verdict, the cell that tells most, its ratio, what would have been found, how
    many earlier runs, a remark."""
    return tabulate(
        check.hosts,
        [
            Column("host", lambda h: Entry(host_name(h), sign=_sign(h)), "left"),
            Column("verdict", _verdict, "left"),
            Column("cost ratio", _ratio),
            Column("smallest change detectable", _detectable),
            Column("earlier runs", lambda h: len(h.baseline_utc)),
            Column("of cell", _cell, "left", is_long=True),
            Column("remark", host_remark, "left", is_long=True),
        ],
        table_id="fleet-hosts",
        title="Each host by its cell that changed most",
        note=NOTES["fleet"],
        key=lambda h: h.host,
    )


def _sign(host: HostCheck) -> str:
    return SIGNS.get(host.verdict, "") if host.verdict else ""


def _verdict(host: HostCheck) -> Entry:
    if host.verdict is None:
        return Entry(NO_HISTORY)
    return Entry(f"{MARKS[host.verdict]} {host.verdict}", sign=_sign(host))


def _cell(host: HostCheck) -> str:
    return host.telling_cell.cell.cell_id if host.telling_cell else ""


def _ratio(host: HostCheck) -> Entry:
    return ratio_entry(host.telling_cell.cost_ratio if host.telling_cell else None)


def _detectable(host: HostCheck) -> Entry:
    """Over the host's cells."""
    cells = host.report.cells if host.report else ()
    found = [100 * cell.detectable_fraction for cell in cells if cell.detectable_fraction]
    if not found:
        return Entry(DASH)
    low, high = (f"{value:.1f}" for value in (min(found), max(found)))
    return Entry(f"{low} %" if low == high else f"{low} to {high} %", sort=max(found))


def changed_cells_table(check: FleetCheck) -> Table:
    """Every cell that changed, host by host."""
    return tabulate(
        [
            (host, report, cell)
            for host, report in judged_hosts(check)
            for cell in report.cells
            if cell.verdict in CHANGED
        ],
        [
            Column("host", lambda r: host_name(r[0]), "left"),
            Column("cell", lambda r: r[2].cell.cell_id, "left"),
            Column("verdict", lambda r: verdict_entry(r[2]), "left"),
            Column("cost ratio", lambda r: ratio_entry(r[2].cost_ratio)),
            Column("smallest change detectable", lambda r: detectable_text(r[2])),
            Column("remark", lambda r: remark_text(r[2], r[1]), "left"),
        ],
        table_id="fleet-changes",
        title="Cells that changed",
        note=NOTES["regression"],
    )


def disturbed_table(check: FleetCheck) -> Table:
    """Hosts on which a run was disturbed."""
    told = [(host, disturbance_texts(host)) for host in check.hosts]
    return tabulate(
        [(host, texts) for host, texts in told if any(texts)],
        [
            Column("host", lambda r: host_name(r[0]), "left"),
            Column("machine", lambda r: r[1][0], "left"),
            Column("disturbed trials, kept in", lambda r: r[1][1], "left"),
            Column("verdicts that change without them", lambda r: r[1][2], "left"),
        ],
        table_id="fleet-disturbed",
        title="Hosts that were disturbed",
    )


def fleet_markdown(check: FleetCheck) -> str:
    """The hosts as a Markdown table with its context."""
    lines = [f"- {markdown_text(visible_text(text))}" for text in context_lines(check)]
    parts = [
        f"## {markdown_text(fleet_headline(check))}",
        markdown_table(fleet_hosts_table(check)).rstrip(),
        "\n".join(lines),
    ]
    return "\n\n".join(filter(None, parts)) + "\n"


def fleet_junit(check: FleetCheck) -> str:
    """JUnit XML, a suite for each host that has a history."""
    suites = [
        junit_suite(host.report, name=f"{TITLE}: {visible_text(host.label)}")
        for host in check.hosts
        if host.report
    ]
    return junit_text(suites)

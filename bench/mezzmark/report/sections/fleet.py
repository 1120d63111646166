"""The page of a check of many hosts, as a comparison without runs of its own."""

from functools import partial

from mezzmark.decide.compare.fleet import FleetCheck
from mezzmark.report.figures.fleet import HOSTS_A_FIGURE, draw_fleet, shown_hosts
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.prose import fleet as prose
from mezzmark.report.prose.numbers import shown_name
from mezzmark.report.sections.parts import ComparisonSection, Section, filled_sections
from mezzmark.report.tables.fleet import changed_cells_table, disturbed_table, fleet_hosts_table
from mezzmark.report.tables.regression import regression_table
from mezzmark.report.tables.table import Table


def build_fleet(check: FleetCheck) -> ComparisonSection:
    """Who got slower, the hosts × cells in a figure, then each question in a section."""
    hosts = fleet_hosts_table(check)
    every = {
        host.host: regression_table(
            report, table_id=f"fleet-{number}", title=shown_name(host.label)
        )
        for number, (host, report) in enumerate(prose.judged_hosts(check), start=1)
    }
    pictures = _pictures(check, hosts, every)
    sections = filled_sections(
        Section(anchor="fleet-found", title="Host by host", pictures=pictures[1:], tables=(hosts,)),
        Section(
            anchor="fleet-cells",
            title="Every cell of every host",
            tables=(changed_cells_table(check),),
            folded=tuple(every.values()),
        ),
        Section(
            anchor="fleet-power",
            title="What could have been found",
            sentences=tuple(prose.power_lines(check)),
        ),
        Section(
            anchor="fleet-changed",
            title="What changed on the hosts since their earlier runs",
            sentences=tuple(prose.change_lines(check)),
        ),
        Section(
            anchor="fleet-disturbed-trials",
            title="What was disturbed",
            tables=(disturbed_table(check),),
        ),
        Section(
            anchor="fleet-refused",
            title="What cannot be compared, and why",
            sentences=tuple(prose.unjudged_fleet_lines(check)),
        ),
        Section(
            anchor="fleet-rules",
            title="How hosts are judged",
            sentences=tuple(prose.fleet_rules(check)),
        ),
    )
    return ComparisonSection(
        anchor="fleet",
        kicker=prose.TITLE,
        headline=prose.fleet_headline(check),
        basis=prose.fleet_basis(check),
        cautions=tuple(prose.fleet_cautions(check)),
        pictures=pictures[:1],
        groups=sections,
    )


def _pictures(check: FleetCheck, hosts: Table, every: dict[str, Table]) -> tuple[Picture, ...]:
    shown = shown_hosts(check)
    anchors = {(host, cell): a for host, table in every.items() for cell, a in table.links.items()}
    anchors |= {(host, None): anchor for host, anchor in hosts.links.items()}
    parts = [shown[at : at + HOSTS_A_FIGURE] for at in range(0, len(shown), HOSTS_A_FIGURE)]
    return tuple(
        make_picture(
            f"fleet-ratios-{number}",
            partial(
                draw_fleet,
                check,
                part,
                of_all=shown,
                anchors=anchors,
                place=(number, len(parts)),
            ),
        )
        for number, part in enumerate(parts, start=1)
    )

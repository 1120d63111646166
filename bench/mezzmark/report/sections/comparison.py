"""What several runs say together: hosts, before and after, a history, a check of a fleet."""

from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from typing import Final

from mezzmark.decide.compare.fleet import FleetCheck
from mezzmark.decide.compare.history import History, trace_history
from mezzmark.decide.compare.host_runs import group_by_host
from mezzmark.decide.compare.hosts import (
    COMPARED_TASKS,
    HardwareComparison,
    HostComparison,
    compare_hosts,
)
from mezzmark.decide.compare.regress import TOLERANCE_FRACTION, compare_runs
from mezzmark.decide.estimate.observed_run import MeasuredRun, run_names
from mezzmark.report.figures.drawing import Picture, make_picture
from mezzmark.report.figures.runs import HOSTS_A_FIGURE, draw_fleet, draw_history, shown_hosts
from mezzmark.report.figures.speeds import draw_comparison, draw_regression
from mezzmark.report.prose import fleet as fleet_words
from mezzmark.report.prose import history as history_words
from mezzmark.report.prose import hosts as host_words
from mezzmark.report.prose import regress as regress_words
from mezzmark.report.prose.numbers import shown_name, visible_text
from mezzmark.report.sections.parts import ComparisonSection, Section, filled_sections
from mezzmark.report.tables import comparison as tables
from mezzmark.report.tables import regression
from mezzmark.report.tables.table import Table

REFUSED: Final = "What cannot be compared, and why"


def _group(
    prefix: str,
    name: str,
    title: str,
    sentences: Iterable[str] = (),
    *shown: Table,
    folded: Iterable[Table] = (),
    pictures: tuple[Picture, ...] = (),
) -> Section:
    """One question of a comparison, its anchor begun by the comparison's."""
    return Section(
        anchor=f"{prefix}-{name}",
        title=title,
        sentences=tuple(sentences),
        pictures=pictures,
        tables=shown,
        folded=tuple(folded),
    )


def build_comparison(
    runs: Sequence[MeasuredRun], names: Sequence[str], *, prices: Sequence[str] = ()
) -> tuple[ComparisonSection, ...]:
    """The sections before the runs' own articles, none for a single run; `names` are of folders."""
    hosts = group_by_host(runs, names, prices)
    sections = []
    if hosts.compared:
        found = compare_hosts([runs[index] for index in hosts.compared], hosts.labels)
        sections.append(_build_hosts(found))
    for number, (earlier, later) in enumerate(hosts.pairs, start=1):
        sections.append(_build_pair(runs[earlier], runs[later], prefix=f"dates{number}"))
    for number, indices in enumerate(hosts.histories, start=1):
        history = trace_history([runs[index] for index in indices])
        sections.append(build_history(history, prefix=f"history{number}"))
    return tuple(sections)


def _build_hosts(found: HardwareComparison) -> ComparisonSection:
    ratios, differences, refused = list[Table](), list[Table](), list[Table]()
    pictures: list[Picture] = []
    for number, one in enumerate(found.others, start=1):
        table_id, other = f"hosts-{number}", shown_name(one.other.label)
        for task in COMPARED_TASKS:
            table = tables.ratio_table(one, task, found, table_id=f"{table_id}-{task}")
            ratios.append(table)
            pictures += _ratio_pictures(one, task, found, table)
        differences.append(tables.difference_table(one, found, table_id=f"{table_id}-differences"))
        reason = partial(regress_words.reasons_text, preposition="on")
        title, refused_id = f"Not compared with {other}", f"{table_id}-refused"
        refused.append(tables.refusal_table(one.refusals, reason, title=title, table_id=refused_id))
    of, differing = partial(_group, "hosts"), "What differs between the hosts"
    side_by_side, best = tables.task_table(found), tables.best_table(found)
    return ComparisonSection(
        anchor="hosts",
        kicker="Runs side by side",
        headline=host_words.hardware_headline(found),
        basis=host_words.hosts_basis(found),
        cautions=tuple(map(visible_text, host_words.host_cautions(found))),
        pictures=tuple(pictures),
        groups=filled_sections(
            of("found", "Side by side", host_words.price_sentences(found), side_by_side, *ratios),
            of("best", "Each host at its best setting", (), best),
            of("differences", differing, host_words.unreported_sentences(found), *differences),
            of("refused", REFUSED, (), *refused),
            of("rules", "How the hosts were compared", host_words.rule_sentences(found)),
        ),
    )


def _ratio_pictures(
    comparison: HostComparison, name: str, found: HardwareComparison, table: Table
) -> list[Picture]:
    ratios = [r for r in comparison.cells if r.cell.task == name and r.speedup_ratio]
    labels = (comparison.other.label, found.reference.label)
    return [
        make_picture(
            f"{table.table_id}-ratios",
            partial(draw_comparison, labels, task, ratios, anchors=table.links),
        )
        for task in comparison.tasks
        if task.task == name and ratios
    ]


def _build_pair(earlier: MeasuredRun, later: MeasuredRun, *, prefix: str) -> ComparisonSection:
    """Two runs of one host, as `regress` compares them; `prefix` begins the section's ids."""
    report = compare_runs([earlier], [later], tolerance_fraction=TOLERANCE_FRACTION)
    table = partial(regression.regression_table, report)
    changed = table(
        table_id=f"{prefix}-changed", title="Cells that changed", verdicts=regression.CHANGED
    )
    rest = "All other cells" if changed else "Every cell"
    same = table(table_id=f"{prefix}-cells", title=rest, verdicts=regression.UNCHANGED)
    links = {**changed.links, **same.links}
    draw = partial(draw_regression, report, anchors=links)
    lines = (
        *regress_words.unjudged_lines(report),
        *regress_words.basis_lines(report),
        regress_words.next_step(*run_names([earlier, later])),
    )
    title = "The same cells before and after"
    return ComparisonSection(
        anchor=prefix,
        kicker="One host before and after",
        headline=regress_words.before_after_headline(report, earlier.manifest.host.host_label),
        basis=regress_words.before_after_basis(earlier, later),
        cautions=tuple(map(visible_text, regress_words.doubt_lines(report))),
        pictures=(make_picture(f"{prefix}-ratios", draw),) if links else (),
        groups=filled_sections(
            _group(prefix, "found", title, map(visible_text, lines), changed, folded=(same,))
        ),
    )


def build_history(history: History, *, prefix: str) -> ComparisonSection:
    """The section of one host; `prefix` begins its ids and figure names."""
    levels = tables.level_table(history, table_id=f"{prefix}-runs")
    changes = tables.change_table(history, table_id=f"{prefix}-changes")
    cells = tables.history_cells_table(history, table_id=f"{prefix}-cells")
    refused = tables.refusal_table(
        history.refusals,
        history_words.refusal_text,
        title="Left out of the history",
        table_id=f"{prefix}-refused",
    )
    draw, of = partial(draw_history, history, anchors=levels.anchors), partial(_group, prefix)
    steps = history_words.step_sentences(history)
    return ComparisonSection(
        anchor=prefix,
        kicker="One host over time",
        headline=history_words.history_headline(history),
        basis=history_words.history_basis(history),
        cautions=tuple(history_words.history_cautions(history)),
        pictures=(make_picture(f"{prefix}-levels", draw),) if history.tasks else (),
        groups=filled_sections(
            of("found", "Changes over the runs", steps, changes, levels),
            of("every", "Every cell over the runs", folded=(cells,)),
            of("left-out", REFUSED, (), refused),
            of("rules", "How changes are found", history_words.history_rules()),
        ),
    )


def build_fleet(check: FleetCheck) -> ComparisonSection:
    """The page of a check: who got slower, the hosts × cells in a figure, then each question."""
    hosts = regression.fleet_hosts_table(check)
    every = {
        host.host: regression.regression_table(
            report, table_id=f"fleet-{number}", title=shown_name(host.label)
        )
        for number, (host, report) in enumerate(fleet_words.judged_hosts(check), start=1)
    }
    pictures = _fleet_pictures(check, hosts, every)
    changed, disturbed = regression.changed_cells_table(check), regression.disturbed_table(check)
    of, since = partial(_group, "fleet"), "What changed on the hosts since their earlier runs"
    return ComparisonSection(
        anchor="fleet",
        kicker=fleet_words.TITLE,
        headline=fleet_words.fleet_headline(check),
        basis=fleet_words.fleet_basis(check),
        cautions=tuple(fleet_words.fleet_cautions(check)),
        pictures=pictures[:1],
        groups=filled_sections(
            of("found", "Host by host", (), hosts, pictures=pictures[1:]),
            of("cells", "Every cell of every host", (), changed, folded=every.values()),
            of("power", "What could have been found", fleet_words.power_lines(check)),
            of("changed", since, fleet_words.change_lines(check)),
            of("disturbed-trials", "What was disturbed", (), disturbed),
            of("refused", REFUSED, fleet_words.unjudged_fleet_lines(check)),
            of("rules", "How hosts are judged", fleet_words.fleet_rules(check)),
        ),
    )


def _fleet_pictures(
    check: FleetCheck, hosts: Table, every: Mapping[str, Table]
) -> tuple[Picture, ...]:
    shown = shown_hosts(check)
    anchors = {(host, cell): a for host, table in every.items() for cell, a in table.links.items()}
    anchors |= {(host, None): anchor for host, anchor in hosts.links.items()}
    parts = [shown[at : at + HOSTS_A_FIGURE] for at in range(0, len(shown), HOSTS_A_FIGURE)]
    draw = partial(draw_fleet, check, of_all=shown, anchors=anchors)
    return tuple(
        make_picture(f"fleet-ratios-{number}", partial(draw, part, place=(number, len(parts))))
        for number, part in enumerate(parts, start=1)
    )

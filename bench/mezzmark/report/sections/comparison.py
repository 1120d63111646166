"""What several runs say together: hosts side by side, a host before and after, its history."""

from collections.abc import Iterable, Sequence
from functools import partial
from typing import Final

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
from mezzmark.model.estimate import CONFIDENCE_LEVEL
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.history import draw_history
from mezzmark.report.figures.speeds import draw_comparison, draw_regression
from mezzmark.report.prose.history import (
    history_basis,
    history_cautions,
    history_headline,
    history_refusal_text,
    history_rules,
    step_sentences,
)
from mezzmark.report.prose.hosts import (
    hardware_headline,
    host_cautions,
    host_refusal_text,
    hosts_basis,
    price_sentences,
    rule_sentences,
    unreported_sentences,
)
from mezzmark.report.prose.numbers import shown_name, visible_text
from mezzmark.report.prose.regress import (
    basis_lines,
    before_after_basis,
    before_after_headline,
    doubt_lines,
    next_step,
    unjudged_lines,
)
from mezzmark.report.sections.parts import ComparisonSection, Section, filled_sections
from mezzmark.report.tables.comparison import (
    best_table,
    change_table,
    difference_table,
    history_cells_table,
    level_table,
    ratio_table,
    refusal_table,
    task_table,
)
from mezzmark.report.tables.regression import CHANGED, UNCHANGED, regression_table
from mezzmark.report.tables.table import Table


def build_history(history: History, *, prefix: str) -> ComparisonSection:
    """The section of one host; `prefix` begins its ids and figure names."""
    levels = level_table(history, table_id=f"{prefix}-runs")
    changes = change_table(history, table_id=f"{prefix}-changes")
    cells = history_cells_table(history, table_id=f"{prefix}-cells")
    refused = refusal_table(
        history.refusals,
        history_refusal_text,
        title="Left out of the history",
        table_id=f"{prefix}-refused",
    )
    draw, of = partial(draw_history, history, anchors=levels.anchors), partial(_group, prefix)
    return ComparisonSection(
        anchor=prefix,
        kicker="One host over time",
        headline=history_headline(history),
        basis=history_basis(history),
        cautions=tuple(history_cautions(history)),
        pictures=(make_picture(f"{prefix}-levels", draw),) if history.tasks else (),
        groups=filled_sections(
            of("found", "Changes over the runs", step_sentences(history), changes, levels),
            of("every", "Every cell over the runs", folded=(cells,)),
            of("left-out", _REFUSED, (), refused),
            of("rules", "How changes are found", history_rules(history)),
        ),
    )


_REFUSED: Final = "What cannot be compared, and why"


def _group(
    prefix: str,
    name: str,
    title: str,
    sentences: Iterable[str] = (),
    *tables: Table,
    folded: tuple[Table, ...] = (),
) -> Section:
    """One question of a comparison, its anchor begun by the comparison's."""
    return Section(
        anchor=f"{prefix}-{name}",
        title=title,
        sentences=tuple(sentences),
        tables=tables,
        folded=folded,
    )


def build_comparison(
    runs: Sequence[MeasuredRun], names: Sequence[str], *, prices: Sequence[str] = ()
) -> tuple[ComparisonSection, ...]:
    """The sections before the runs' own articles; none for a single run. `names` are the runs'
    folder names."""
    hosts = group_by_host(runs, names, prices)
    sections = []
    if hosts.compared:
        found = compare_hosts([runs[index] for index in hosts.compared], hosts.labels)
        sections.append(_hosts(found, run_count=len(runs)))
    for number, (earlier, later) in enumerate(hosts.pairs, start=1):
        sections.append(_before_after(runs[earlier], runs[later], prefix=f"dates{number}"))
    for number, indices in enumerate(hosts.histories, start=1):
        history = trace_history([runs[index] for index in indices])
        sections.append(build_history(history, prefix=f"history{number}"))
    return tuple(sections)


def _hosts(found: HardwareComparison, *, run_count: int) -> ComparisonSection:
    tables, pictures = [], []
    for number, comparison in enumerate(found.others, start=1):
        for task in COMPARED_TASKS:
            table = ratio_table(comparison, task, found, table_id=f"hosts-{number}-{task}")
            if table:
                tables.append(table)
                pictures += _ratio_pictures(comparison, task, found, table)
    differences = [
        difference_table(c, found, table_id=f"hosts-{number}-differences")
        for number, c in enumerate(found.others, start=1)
    ]
    refused = [
        refusal_table(
            c.refusals,
            host_refusal_text,
            title=f"Not compared with {shown_name(c.other.label)}",
            table_id=f"hosts-{number}-refused",
        )
        for number, c in enumerate(found.others, start=1)
    ]
    of, differing = partial(_group, "hosts"), "What differs between the hosts"
    return ComparisonSection(
        anchor="hosts",
        kicker="Runs side by side",
        headline=hardware_headline(found),
        basis=hosts_basis(found, run_count),
        cautions=tuple(visible_text(text) for text in host_cautions(found)),
        pictures=tuple(pictures),
        groups=filled_sections(
            of("found", "Side by side", price_sentences(found), task_table(found), *tables),
            of("best", "Each host at its best setting", (), best_table(found)),
            of("differences", differing, unreported_sentences(found), *differences),
            of("refused", _REFUSED, (), *refused),
            of("rules", "How the hosts were compared", rule_sentences(found)),
        ),
    )


def _before_after(earlier: MeasuredRun, later: MeasuredRun, *, prefix: str) -> ComparisonSection:
    """Two runs of one host, as `regress` compares them; `prefix` begins the section's ids."""
    report = compare_runs([earlier], [later], tolerance_fraction=TOLERANCE_FRACTION)
    table = partial(regression_table, report)
    changed = table(table_id=f"{prefix}-changed", title="Cells that changed", verdicts=CHANGED)
    rest = "All other cells" if changed else "Every cell"
    same = table(table_id=f"{prefix}-cells", title=rest, verdicts=UNCHANGED)
    links, step = {**changed.links, **same.links}, next_step(*run_names([earlier, later]))
    draw = partial(draw_regression, report, anchors=links)
    return ComparisonSection(
        anchor=prefix,
        kicker="One host before and after",
        headline=before_after_headline(report, earlier.manifest.host.host_label),
        basis=before_after_basis(earlier, later),
        cautions=tuple(visible_text(text) for text in doubt_lines(report)),
        pictures=(make_picture(f"{prefix}-ratios", draw),) if links else (),
        groups=filled_sections(
            _group(
                prefix,
                "found",
                "The same cells before and after",
                map(visible_text, (*unjudged_lines(report), *basis_lines(report), step)),
                changed,
                folded=(same,),
            )
        ),
    )


def _ratio_pictures(
    comparison: HostComparison, name: str, found: HardwareComparison, table: Table
) -> list[Picture]:
    ratios = [r for r in comparison.cells if r.cell.task == name and r.speedup_ratio]
    labels = (comparison.other.label, found.reference.label)
    draw = partial(draw_comparison, anchors=table.links, confidence_level=CONFIDENCE_LEVEL)
    return [
        make_picture(f"{table.table_id}-ratios", partial(draw, labels, task, ratios))
        for task in comparison.tasks
        if task.task == name and ratios
    ]

"""What several runs say together: hosts side by side, a host before and after, its history."""

from collections.abc import Sequence
from functools import partial

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
    refused = refusal_table(
        history.refusals,
        history_refusal_text,
        title="Left out of the history",
        table_id=f"{prefix}-refused",
    )
    return ComparisonSection(
        anchor=prefix,
        kicker="One host over time",
        headline=history_headline(history),
        basis=history_basis(history),
        cautions=tuple(history_cautions(history)),
        pictures=_pictures(history, levels, prefix),
        groups=filled_sections(
            Section(
                anchor=f"{prefix}-found",
                title="Changes over the runs",
                sentences=tuple(step_sentences(history)),
                tables=(change_table(history, table_id=f"{prefix}-changes"), levels),
            ),
            Section(
                anchor=f"{prefix}-every",
                title="Every cell over the runs",
                folded=(history_cells_table(history, table_id=f"{prefix}-cells"),),
            ),
            Section(
                anchor=f"{prefix}-left-out",
                title="What cannot be compared, and why",
                tables=(refused,),
            ),
            Section(
                anchor=f"{prefix}-rules",
                title="How changes are found",
                sentences=tuple(history_rules(history)),
            ),
        ),
    )


def _pictures(history: History, levels: Table, prefix: str) -> tuple[Picture, ...]:
    if not history.tasks:
        return ()
    draw = partial(draw_history, history, anchors=levels.anchors)
    return (make_picture(f"{prefix}-levels", draw),)


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
    return ComparisonSection(
        anchor="hosts",
        kicker="Runs side by side",
        headline=hardware_headline(found),
        basis=hosts_basis(found, run_count),
        cautions=tuple(visible_text(text) for text in host_cautions(found)),
        pictures=tuple(pictures),
        groups=filled_sections(
            Section(
                anchor="hosts-found",
                title="Side by side",
                sentences=tuple(price_sentences(found)),
                tables=(
                    task_table(found),
                    *tables,
                ),
            ),
            Section(
                anchor="hosts-best",
                title="Each host at its best setting",
                tables=(best_table(found),),
            ),
            _differences_group(found),
            _refused_group(found),
            Section(
                anchor="hosts-rules",
                title="How the hosts were compared",
                sentences=tuple(rule_sentences(found)),
            ),
        ),
    )


def _differences_group(found: HardwareComparison) -> Section:
    return Section(
        anchor="hosts-differences",
        title="What differs between the hosts",
        sentences=tuple(unreported_sentences(found)),
        tables=tuple(
            difference_table(c, found, table_id=f"hosts-{number + 1}-differences")
            for number, c in enumerate(found.others)
        ),
    )


def _refused_group(found: HardwareComparison) -> Section:
    return Section(
        anchor="hosts-refused",
        title="What cannot be compared, and why",
        tables=tuple(
            refusal_table(
                c.refusals,
                host_refusal_text,
                title=f"Not compared with {shown_name(c.other.label)}",
                table_id=f"hosts-{number + 1}-refused",
            )
            for number, c in enumerate(found.others)
        ),
    )


def _before_after(earlier: MeasuredRun, later: MeasuredRun, *, prefix: str) -> ComparisonSection:
    """Two runs of one host, as `regress` compares them; `prefix` begins the section's ids."""
    report = compare_runs([earlier], [later], tolerance_fraction=TOLERANCE_FRACTION)
    changed, same = (
        regression_table(report, table_id=f"{prefix}-{kind}", title=title, verdicts=verdicts)
        for kind, title, verdicts in (
            ("changed", "Cells that changed", CHANGED),
            ("cells", "All other cells", UNCHANGED),
        )
    )
    links = {**changed.links, **same.links}
    draw = partial(draw_regression, report, anchors=links)
    return ComparisonSection(
        anchor=prefix,
        kicker="One host before and after",
        headline=before_after_headline(report, earlier.manifest.host.host_label),
        basis=before_after_basis(earlier, later),
        cautions=tuple(visible_text(text) for text in doubt_lines(report)),
        pictures=(make_picture(f"{prefix}-ratios", draw),) if links else (),
        groups=filled_sections(
            Section(
                anchor=f"{prefix}-found",
                title="The same cells before and after",
                sentences=(
                    *(visible_text(text) for text in unjudged_lines(report)),
                    *(visible_text(text) for text in basis_lines(report)),
                    next_step(*run_names([earlier, later])),
                ),
                tables=(changed,),
                folded=(same,),
            )
        ),
    )


def _ratio_pictures(
    comparison: HostComparison, name: str, found: HardwareComparison, table: Table
) -> list[Picture]:
    ratios = [
        ratio for ratio in comparison.cells if ratio.cell.task == name and ratio.speedup_ratio
    ]
    return [
        make_picture(
            f"{table.table_id}-ratios",
            partial(
                draw_comparison,
                (comparison.other.label, found.reference.label),
                task,
                ratios,
                anchors=table.links,
                confidence_level=CONFIDENCE_LEVEL,
            ),
        )
        for task in comparison.tasks
        if task.task == name and ratios
    ]

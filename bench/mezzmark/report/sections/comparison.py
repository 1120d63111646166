"""What several runs say together: hosts side by side, a host before and after, its history."""

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from mezzmark.decide.compare.history import trace_history
from mezzmark.decide.compare.host_runs import group_by_host
from mezzmark.decide.compare.hosts import (
    COMPARED_TASKS,
    HardwareComparison,
    HostComparison,
    compare_hosts,
)
from mezzmark.decide.compare.regress import TOLERANCE_FRACTION, compare_runs
from mezzmark.decide.estimate.complete_rounds import run_names
from mezzmark.decide.estimate.observed_run import MeasuredRun, start_of
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.speeds import draw_comparison
from mezzmark.report.prose.history import MINUTE_LENGTH
from mezzmark.report.prose.hosts import (
    hardware_headline,
    host_cautions,
    host_refusal_text,
    price_sentences,
    rule_sentences,
    unreported_sentences,
)
from mezzmark.report.prose.numbers import (
    count_text,
    list_text,
    shown_name,
    visible_text,
)
from mezzmark.report.prose.regress import (
    basis_lines,
    doubt_lines,
    reasons_text,
    summarise_regression,
    unjudged_groups,
)
from mezzmark.report.sections.history import build_history
from mezzmark.report.sections.parts import ComparisonSection, Section, filled_sections
from mezzmark.report.tables.comparison import (
    best_table,
    difference_table,
    ratio_table,
    refusal_table,
    task_table,
)
from mezzmark.report.tables.regression import regression_table
from mezzmark.report.tables.table import Table

MOST_ALT_CELLS = 5
"""Cells read out in a figure's text alternative; the table beside it has all."""


def build_comparison(
    runs: Sequence[MeasuredRun],
    names: Sequence[str],
    *,
    prices: Sequence[str] = (),
    confidence_level: float,
) -> tuple[ComparisonSection, ...]:
    """The sections before the runs' own articles; none for a single run. `names` are the runs'
    folder names."""
    hosts = group_by_host(runs, names, prices)
    sections = []
    if hosts.compared:
        found = compare_hosts(
            [runs[index] for index in hosts.compared],
            hosts.labels,
            confidence_level=confidence_level,
        )
        sections.append(_hosts(found, run_count=len(runs)))
    for number, (earlier, later) in enumerate(hosts.pairs, start=1):
        sections.append(
            _before_after(
                runs[earlier],
                runs[later],
                prefix=f"dates{number}",
                confidence_level=confidence_level,
            )
        )
    for number, indices in enumerate(hosts.histories, start=1):
        history = trace_history(
            [runs[index] for index in indices], confidence_level=confidence_level
        )
        sections.append(build_history(history, prefix=f"history{number}"))
    return tuple(sections)


@dataclass(frozen=True, slots=True)
class _TaskTable:
    comparison: HostComparison
    task: str
    table: Table


def _hosts(found: HardwareComparison, *, run_count: int) -> ComparisonSection:
    tables = [
        _TaskTable(comparison, task, ratio_table(comparison, task, found, table_id=table_id))
        for number, comparison in enumerate(found.others)
        for task in COMPARED_TASKS
        if any(ratio.cell.task == task for ratio in comparison.cells)
        for table_id in [f"hosts-{number + 1}-{task}"]
    ]
    pictures = tuple(p for item in tables if (p := _picture(item, found)) is not None)
    return ComparisonSection(
        anchor="hosts",
        kicker="Runs side by side",
        headline=hardware_headline(found),
        basis=_hosts_basis(found, run_count),
        cautions=tuple(visible_text(text) for text in host_cautions(found)),
        pictures=pictures,
        groups=filled_sections(
            (
                Section(
                    anchor="hosts-found",
                    title="Side by side",
                    sentences=tuple(price_sentences(found)),
                    tables=(
                        task_table(found),
                        *(item.table for item in tables),
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
            )
        ),
    )


def _hosts_basis(found: HardwareComparison, run_count: int) -> str:
    labels = [run.label for run in found.runs]
    cells = sum(len(comparison.cells) for comparison in found.others)
    parts = [
        f"{shown_name(found.reference.label)} ({found.reference.started_utc[:10]}) is the "
        f"reference; beside it {list_text(labels[1:], limit=6)}",
        count_text(cells, "compared cell"),
        f"{found.confidence_level * 100:g} % intervals in brackets",
    ]
    if left := run_count - len(labels):
        parts.append(
            f"{count_text(left, 'earlier run')} of a host shown here {'is' if left == 1 else 'are'}"
            " below, with its own latest run"
        )
    return " · ".join(parts)


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


def _before_after(
    earlier: MeasuredRun, later: MeasuredRun, *, prefix: str, confidence_level: float
) -> ComparisonSection:
    """Two runs of one host, as `regress` compares them; `prefix` begins the section's ids."""
    report = compare_runs(
        [earlier],
        [later],
        tolerance_fraction=TOLERANCE_FRACTION,
        confidence_level=confidence_level,
    )
    host = shown_name(earlier.manifest.host.host_label)
    names = run_names([earlier, later])
    dates = [start_of(run)[:MINUTE_LENGTH].replace("T", " ") for run in (earlier, later)]
    first, second = (visible_text(shlex.quote(name)) for name in names)
    return ComparisonSection(
        anchor=prefix,
        kicker="One host before and after",
        headline=f"{host}, before and after: {summarise_regression(report)}",
        basis=(
            f"{dates[0]} ({shown_name(names[0])}) and {dates[1]} ({shown_name(names[1])}), both in "
            f"UTC · {100 * confidence_level:g} % intervals in brackets"
        ),
        cautions=tuple(visible_text(text) for text in doubt_lines(report)),
        pictures=(),
        groups=filled_sections(
            (
                Section(
                    anchor=f"{prefix}-found",
                    title="The same cells before and after",
                    sentences=(
                        "The same on the command line, with an exit code for other programs: "
                        f"mezzmark regress --baseline {first} --candidate {second}",
                        "A third run of this machine adds its history: where its level changed.",
                        *(visible_text(text) for text in basis_lines(report)),
                    ),
                    tables=(regression_table(report, table_id=f"{prefix}-cells"),),
                ),
                Section(
                    anchor=f"{prefix}-left-out",
                    title="What cannot be compared, and why",
                    tables=(
                        refusal_table(
                            unjudged_groups(report),
                            reasons_text,
                            title="Left out of the comparison",
                            table_id=f"{prefix}-refused",
                        ),
                    ),
                ),
            )
        ),
    )


def _picture(item: _TaskTable, found: HardwareComparison) -> Picture | None:
    ratios = tuple(
        ratio
        for ratio in item.comparison.cells
        if ratio.cell.task == item.task and ratio.speedup_ratio is not None
    )
    task = next((t for t in item.comparison.tasks if t.task == item.task), None)
    if not ratios or task is None:
        return None
    names = (item.comparison.other.label, found.reference.label)
    draw = partial(
        draw_comparison,
        names,
        task,
        ratios,
        anchors=item.table.links,
        confidence_level=found.confidence_level,
    )
    return make_picture(f"{item.table.table_id}-ratios", draw)

"""What several runs say together: one section for hosts beside each other, one per history."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from mezzmark.decide.compare.history import trace_history
from mezzmark.decide.compare.host_comparison import HardwareComparison, HostComparison
from mezzmark.decide.compare.host_sides import choose_sides
from mezzmark.decide.compare.host_tasks import TASK_ORDER
from mezzmark.decide.compare.hosts import compare_hosts
from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.model.cell import Task
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.speeds import draw_comparison
from mezzmark.report.prose.best_host import unused_price_sentence
from mezzmark.report.prose.hosts import (
    bearing_sentences,
    finding_sentences,
    hardware_headline,
    refusal_sentence,
    rule_sentences,
)
from mezzmark.report.prose.numbers import count_text, list_text, sentence, shown_name, visible_text
from mezzmark.report.sections.history import build_history
from mezzmark.report.sections.parts import Group, Together
from mezzmark.report.sections.two_dates import build_two_dates
from mezzmark.report.tables.comparison import (
    best_table,
    difference_table,
    ratio_anchors,
    ratio_table,
    refusal_table,
)
from mezzmark.report.tables.table import Table

MOST_ALT_CELLS = 5
"""Cells read out in a figure's text alternative; the table beside it has all."""


def build_together(
    runs: Sequence[MeasuredRun],
    names: Sequence[str],
    *,
    prices: Sequence[str] = (),
    confidence_level: float,
) -> tuple[Together, ...]:
    """The sections before the runs' own articles; none for a single run. `names` are the runs'
    folder names."""
    sides = choose_sides(runs, names, prices)
    sections = []
    if sides.compared:
        found = compare_hosts(
            [runs[index] for index in sides.compared],
            sides.labels,
            confidence_level=confidence_level,
        )
        sections.append(_comparison(found, run_count=len(runs)))
    for number, pair in enumerate(sides.pairs):
        earlier, later = (runs[index] for index in pair)
        sections.append(
            build_two_dates(
                earlier, later, prefix=f"dates{number + 1}", confidence_level=confidence_level
            )
        )
    for number, indices in enumerate(sides.histories):
        history = trace_history(
            [runs[index] for index in indices], confidence_level=confidence_level
        )
        sections.append(build_history(history, prefix=f"history{number + 1}"))
    return tuple(sections)


@dataclass(frozen=True, slots=True)
class _TaskTable:
    comparison: HostComparison
    task: Task
    table: Table


def _comparison(found: HardwareComparison, *, run_count: int) -> Together:
    tables = [
        _TaskTable(comparison, task, ratio_table(comparison, task, found, table_id=table_id))
        for number, comparison in enumerate(found.others)
        for task in TASK_ORDER
        if any(ratio.cell.task == task for ratio in comparison.cells)
        for table_id in [f"hosts-{number + 1}-{task}"]
    ]
    pictures = tuple(p for item in tables if (p := _picture(item, found)) is not None)
    return Together(
        anchor="hosts",
        kicker="Runs side by side",
        headline=hardware_headline(found),
        basis=_basis(found, run_count),
        cautions=_cautions(found),
        pictures=pictures,
        groups=tuple(_groups(found, [item.table for item in tables])),
    )


def _basis(found: HardwareComparison, run_count: int) -> str:
    labels = [found.reference.label, *(c.other.label for c in found.others)]
    cells = sum(len(comparison.cells) for comparison in found.others)
    left = run_count - len(labels)
    parts = [
        sentence(
            f"{shown_name(found.reference.label)} ({found.reference.started_utc[:10]}) is the "
            f"reference; beside it {list_text(labels[1:], limit=6)}"
        ),
        count_text(cells, "compared cell"),
        f"{found.confidence_level * 100:g} % intervals in brackets",
    ]
    if left:
        parts.append(
            f"{count_text(left, 'earlier run')} of a host shown here {'is' if left == 1 else 'are'}"
            " below, with its own latest run"
        )
    return " · ".join(parts)


def _cautions(found: HardwareComparison) -> tuple[str, ...]:
    texts = []
    if refused := refusal_sentence(found.others):
        texts.append(refused)
    if unused := unused_price_sentence(found):
        texts.append(unused)
    for comparison in found.others:
        library = [
            difference.name
            for difference in comparison.differences
            if difference.name in ("mezzmark", "av", "libavcodec")
        ]
        if library and comparison.cells:
            texts.append(
                f"{shown_name(comparison.other.label)} ran other software "
                f"({list_text(library)}): the ratio is of machine and software together."
            )
        texts += comparison.cautions
    return tuple(visible_text(text) for text in dict.fromkeys(texts))


def _groups(found: HardwareComparison, ratio_tables: Sequence[Table]) -> list[Group]:
    is_priced = any(row.per_fps for row in found.best)
    ratios = Group(
        anchor="hosts-found",
        title="Side by side",
        sentences=tuple(finding_sentences(found)),
        tables=tuple(ratio_tables),
    )
    rules = Group(
        anchor="hosts-rules",
        title="How the hosts were compared",
        sentences=tuple(rule_sentences(found, is_priced=is_priced)),
        tables=(),
    )
    groups = (
        ratios,
        _best_group(found, is_priced=is_priced),
        _differences_group(found),
        _refused_group(found),
        rules,
    )
    return [group for group in groups if group is not None]


def _best_group(found: HardwareComparison, *, is_priced: bool) -> Group | None:
    if not found.best:
        return None
    return Group(
        anchor="hosts-best",
        title="Each host at its best setting" + (", and what a unit costs" if is_priced else ""),
        sentences=(),
        tables=(best_table(found, table_id="hosts-best-table"),),
    )


def _differences_group(found: HardwareComparison) -> Group:
    return Group(
        anchor="hosts-differences",
        title="What differs between the hosts, and what it does",
        sentences=tuple(t for c in found.others for t in bearing_sentences(c)),
        tables=tuple(
            difference_table(c, found, table_id=f"hosts-{number + 1}-differences")
            for number, c in enumerate(found.others)
            if c.differences
        ),
    )


def _refused_group(found: HardwareComparison) -> Group | None:
    tables = tuple(
        refusal_table(
            c.refusals,
            title=f"Not compared with {shown_name(c.other.label)}",
            table_id=f"hosts-{number + 1}-refused",
        )
        for number, c in enumerate(found.others)
        if c.refusals
    )
    if not tables:
        return None
    return Group(
        anchor="hosts-refused",
        title="What cannot be compared, and why",
        sentences=(),
        tables=tables,
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
    anchors = ratio_anchors(item.comparison, item.task, item.table)
    names = (item.comparison.other.label, found.reference.label)
    return make_picture(
        "comparison",
        f"{item.table.table_id}-ratios",
        partial(
            draw_comparison,
            names,
            task,
            ratios,
            anchors=anchors,
            confidence_level=found.confidence_level,
        ),
    )

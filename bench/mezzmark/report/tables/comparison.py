"""Tables of hosts side by side: ratios, best settings and prices, differences, refusals."""

from collections.abc import Callable, Sequence

from mezzmark.decide.compare.best_throughput import BestThroughput
from mezzmark.decide.compare.host_runs import Price
from mezzmark.decide.compare.hosts import CellRatio, HardwareComparison, HostComparison
from mezzmark.decide.compare.verdicts import Refusal
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import Estimate
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.hosts import has_many_clips, ratio_remark, setting_label
from mezzmark.report.prose.machine import fact_label, fact_text
from mezzmark.report.prose.numbers import (
    bare_ratio,
    count_text,
    estimate_text,
    shown_name,
    visible_text,
)
from mezzmark.report.tables.table import DASH, Entry, Table

MOST_CELLS_NAMED = 3
"""Cells of a refusal that are named; their number is always given."""


def task_table(found: HardwareComparison, *, table_id: str) -> Table:
    """Each task of each host against the reference, and the reference kernel."""
    rows: list[tuple[str, str, Estimate, str, str]] = []
    for comparison in found.others:
        label = shown_name(comparison.other.label)
        for task in comparison.tasks:
            name, count = TASKS[task.task].label, f"{task.cell_count}"
            rows.append((label, name, task.speedup_ratio, task.standing, count))
        if comparison.kernel_ratio is not None:
            rows.append((label, TASKS["kernel"].label, comparison.kernel_ratio, DASH, DASH))
    return Table(
        table_id=table_id,
        title=f"Tasks against {shown_name(found.reference.label)}",
        note=(
            "Geometric mean over common cells. What a task gains beyond the reference kernel "
            "(plain arithmetic on one core) is not the core's plain speed."
        ),
        columns=("host", "task", "times as fast", "verdict", "common cells"),
        rows=tuple(
            (
                Entry(text=label),
                Entry(text=name),
                _ratio_entry(ratio),
                Entry(text=standing),
                Entry(text=count),
            )
            for label, name, ratio, standing, count in rows
        ),
        texts=(0, 1, 3),
    )


def ratio_table(
    comparison: HostComparison, task: str, found: HardwareComparison, *, table_id: str
) -> Table:
    """Every compared cell of a task: ratio, verdict, rounds."""
    ratios = [ratio for ratio in comparison.cells if ratio.cell.task == task]
    other, reference = shown_name(comparison.other.label), shown_name(found.reference.label)
    with_clip = has_many_clips(ratios)
    headline = TASKS[task].figure(TASKS[task].headline)
    return Table(
        table_id=table_id,
        title=f"{other} against {reference}: {TASKS[task].label}",
        note=(
            f"Figure: {headline.name} ({headline.unit}). Above 1 {other} is faster. p is adjusted "
            "for all cells of all hosts shown."
        ),
        columns=("encoding", "setting", "times as fast", "verdict", "p", "rounds", "remark"),
        rows=tuple(_ratio_row(ratio, with_clip=with_clip) for ratio in ratios),
        anchors=tuple(f"{table_id}-{index}" for index in range(len(ratios))),
        texts=(0, 1, 3, 6),
    )


def ratio_anchors(comparison: HostComparison, task: str, table: Table) -> dict[str, str]:
    """From a cell's id to its row; of two rows of one cell, the first."""
    ratios = [ratio for ratio in comparison.cells if ratio.cell.task == task]
    anchors: dict[str, str] = {}
    for ratio, anchor in zip(ratios, table.anchors, strict=True):
        anchors.setdefault(ratio.cell.cell_id, anchor)
    return anchors


def _ratio_row(ratio: CellRatio, *, with_clip: bool) -> tuple[Entry, ...]:
    estimate = ratio.speedup_ratio
    return (
        Entry(text=visible_text(ratio.cell.encoding), sort=ratio.cell.encoding.lower()),
        Entry(text=setting_label(ratio, with_clip=with_clip)),
        Entry(text=bare_ratio(estimate), sort=estimate.point) if estimate else Entry(text=DASH),
        Entry(text=ratio.standing, sort=ratio.standing),
        Entry(text=_p_text(ratio.adjusted_p), sort=ratio.adjusted_p),
        Entry(text=f"{estimate.round_count}", sort=estimate.round_count)
        if estimate
        else Entry(text=DASH),
        Entry(text=ratio_remark(ratio) or DASH),
    )


def _p_text(p_value: float | None) -> str:
    if p_value is None:
        return DASH
    return "< 0.0001" if p_value < 0.0001 else f"{p_value:.4f}"


def best_table(found: HardwareComparison, *, table_id: str) -> Table:
    """Each host at its own best threads and jobs, with cost per unit where prices are known."""
    is_priced = any(row.per_fps for row in found.best)
    unit = next((p.unit for p in _prices(found) if p.unit), "price")
    columns = ["work", "host", "best setting", "speed", "times as fast"]
    if is_priced:
        columns += [
            f"{unit} per fps",
            f"{unit} per hour of footage an hour",
            "cost per unit against the reference",
        ]
    note = (
        "Frames per second at the number of threads and jobs that was fastest on that host; which "
        "is fastest is read from the same rounds."
    )
    if is_priced:
        note += " Cost per unit below 1: more for the money than the reference."
    return Table(
        table_id=table_id,
        title="Throughput of each host at its best",
        note=note,
        columns=tuple(columns),
        rows=tuple(_best_row(row, is_priced=is_priced) for row in found.best),
        anchors=tuple(f"{table_id}-{index}" for index in range(len(found.best))),
        texts=(0, 1, 2),
    )


def _prices(found: HardwareComparison) -> list[Price]:
    runs = [found.reference, *(comparison.other for comparison in found.others)]
    return [run.price for run in runs if run.price is not None]


def _best_row(row: BestThroughput, *, is_priced: bool) -> tuple[Entry, ...]:
    cell = row.cell
    entries = [
        Entry(text=f"{TASKS[cell.task].label}: {visible_text(cell.encoding)}, {_clip(cell)}"),
        Entry(text=visible_text(row.label)),
        Entry(text=_setting(cell)),
        Entry(text=estimate_text(row.throughput), sort=row.throughput.point),
        _ratio_entry(row.speedup_ratio),
    ]
    if is_priced:
        entries += [
            _money(row.per_fps),
            _money(row.per_hour),
            _ratio_entry(row.cost_ratio),
        ]
    return tuple(entries)


def _clip(cell: Cell) -> str:
    return shown_name(cell.clip)


def _setting(cell: Cell) -> str:
    threads = count_text(cell.setting["threads"], "thread")
    if cell.task in ("grid", "ingest"):
        threads = f"{count_text(cell.setting['jobs'], 'job')} of {threads}"
    return f"{threads}, {cell.setting['clip_order']}" if cell.setting["clip_order"] else threads


def _ratio_entry(estimate: Estimate | None) -> Entry:
    if estimate is None:
        return Entry(text=DASH)
    return Entry(text=bare_ratio(estimate), sort=estimate.point)


def _money(estimate: Estimate | None) -> Entry:
    if estimate is None:
        return Entry(text=DASH)
    plain = estimate.model_copy(update={"unit": ""})
    return Entry(text=estimate_text(plain), sort=estimate.point)


def difference_table(
    comparison: HostComparison, found: HardwareComparison, *, table_id: str
) -> Table:
    """Every fact of machine and software that differs, as each run recorded it."""
    names = [shown_name(run.label) for run in (found.reference, comparison.other)]
    return Table(
        table_id=table_id,
        title=f"{names[0]} and {names[1]}",
        note="Recorded by each run.",
        columns=("what differs", *names),
        rows=tuple(
            (
                Entry(text=fact_label(change.name)),
                Entry(text=fact_text(change.name, *change.before)),
                Entry(text=fact_text(change.name, *change.after)),
            )
            for change in comparison.differences
        ),
        texts=(0, 1, 2),
    )


def refusal_table(
    refusals: Sequence[Refusal], reason: Callable[[Refusal], str], *, title: str, table_id: str
) -> Table:
    """Why cells are left out (`reason` says it), and how many."""
    return Table(
        table_id=table_id,
        title=title,
        note="What decides the work must be the same, or a ratio would compare different work.",
        columns=("reason", "cells", "which"),
        rows=tuple(
            (
                Entry(text=reason(refusal)),
                Entry(text=str(len(refusal.cells)), sort=len(refusal.cells)),
                Entry(text=_which(refusal)),
            )
            for refusal in sorted(refusals, key=lambda r: -len(r.cells))
        ),
        texts=(0, 2),
    )


def _which(refusal: Refusal) -> str:
    named = "; ".join(visible_text(cell.cell_id) for cell in refusal.cells[:MOST_CELLS_NAMED])
    more = len(refusal.cells) - MOST_CELLS_NAMED
    return f"{named}; and {more} more" if more > 0 else named

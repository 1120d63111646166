"""Tables of hosts side by side: ratios, best settings and prices, differences, refusals."""

from collections.abc import Sequence

from mezzmark.decide.compare.host_comparison import (
    BestThroughput,
    CellRatio,
    Difference,
    HardwareComparison,
    HostComparison,
    Refusal,
    Weight,
)
from mezzmark.model.cell import Cell
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.hosts import has_many_clips, setting_label
from mezzmark.report.prose.numbers import count_text, shown_name
from mezzmark.report.prose.terms import TASK_NAMES
from mezzmark.report.tables.table import Column, Entry, Table, bare, probability, tabulate

MOST_CELLS_NAMED = 3
"""Cells of a refusal that are named; their number is always told."""


def _ratios_of(comparison: HostComparison, task: str) -> list[CellRatio]:
    return [ratio for ratio in comparison.cells if ratio.cell.task == task]


def ratio_table(
    comparison: HostComparison, task: str, found: HardwareComparison, *, table_id: str
) -> Table:
    """Every compared cell of a task: ratio, verdict, rounds."""
    ratios = _ratios_of(comparison, task)
    other, reference = shown_name(comparison.other.label), shown_name(found.reference.label)
    with_clip = has_many_clips(ratios)
    figure = TASKS[task].figure(TASKS[task].headline)
    return tabulate(
        ratios,
        [
            Column("encoding", lambda r: r.cell.encoding, "left"),
            Column("setting", lambda r: Entry(setting_label(r, with_clip=with_clip)), "left"),
            Column("times as fast", lambda r: bare(r.speedup_ratio)),
            Column("verdict", lambda r: r.standing, "left"),
            Column("p", lambda r: probability(r.adjusted_p)),
            Column("rounds", lambda r: r.speedup_ratio and r.speedup_ratio.round_count),
            Column("remark", lambda r: r.remark, "left"),
        ],
        table_id=table_id,
        title=f"{other} against {reference}: {TASK_NAMES[task]}",
        note=(
            f"Figure: {figure.name} ({figure.unit}). Above 1 {other} is faster. p is adjusted "
            "for all cells of all hosts shown."
        ),
    )


def ratio_anchors(comparison: HostComparison, task: str, table: Table) -> dict[str, str]:
    """From a cell's id to its row; of two rows of one cell, the first."""
    anchors: dict[str, str] = {}
    for ratio, anchor in zip(_ratios_of(comparison, task), table.anchors, strict=True):
        anchors.setdefault(ratio.cell.cell_id, anchor)
    return anchors


def best_table(found: HardwareComparison, *, table_id: str) -> Table:
    """Each host at its own best threads and jobs, with cost per unit where prices are known."""
    columns: list[Column[BestThroughput]] = [
        Column("work", lambda r: Entry(_work(r.cell)), "left"),
        Column("host", lambda r: r.label, "left"),
        Column("best setting", lambda r: _setting(r.cell), "left"),
        Column("speed", lambda r: r.throughput),
        Column("times as fast", lambda r: bare(r.speedup_ratio)),
    ]
    note = (
        "Frames per second at the number of threads and jobs that was fastest on that host; which "
        "is fastest is read from the same rounds."
    )
    if any(row.per_fps for row in found.best):
        prices = (run.price for run in found.runs if run.price is not None)
        unit = next((price.unit for price in prices if price.unit), "price")
        columns += [
            Column(f"{unit} per fps", lambda r: bare(r.per_fps)),
            Column(f"{unit} per hour of footage an hour", lambda r: bare(r.per_hour)),
            Column("cost per unit against the reference", lambda r: bare(r.against_reference)),
        ]
        note += " Cost per unit below 1: more for the money than the reference."
    return tabulate(
        found.best,
        columns,
        table_id=table_id,
        title="Throughput of each host at its best",
        note=note,
    )


def _work(cell: Cell) -> str:
    return f"{TASK_NAMES[cell.task]}: {shown_name(cell.encoding)}, {shown_name(cell.clip)}"


def _setting(cell: Cell) -> str:
    threads = count_text(cell.setting["threads"], "thread")
    if cell.task in ("grid", "ingest"):
        threads = f"{count_text(cell.setting['jobs'], 'job')} of {threads}"
    return f"{threads}, {cell.setting['clip_order']}" if cell.setting["clip_order"] else threads


_ORDER: tuple[Weight, ...] = ("matters", "not known", "may matter", "does not matter")


def difference_table(
    comparison: HostComparison, found: HardwareComparison, *, table_id: str
) -> Table:
    """Every fact that differs, with what it does to each compared task, the weightiest first."""
    reference, other = shown_name(found.reference.label), shown_name(comparison.other.label)
    return tabulate(
        sorted(comparison.differences, key=_gravest),
        [
            Column("what differs", lambda d: d.name, "left"),
            Column(reference, lambda d: d.reference, "left"),
            Column(other, lambda d: d.other, "left"),
            Column("does it matter, and why", _bearing_text, "left", is_long=True),
        ],
        table_id=table_id,
        title=f"{reference} and {other}",
        note="Recorded by each run. The reasons follow from what is inside each clock.",
    )


def _gravest(difference: Difference) -> int:
    ranks = [_ORDER.index(bearing.weight) for bearing in difference.bearings]
    return min(ranks, default=len(_ORDER))


def _bearing_text(difference: Difference) -> str:
    """Tasks that share weight and reason share a clause."""
    if not difference.bearings:
        return "nothing was compared"
    clauses: dict[tuple[Weight, str], list[str]] = {}
    for bearing in difference.bearings:
        clauses.setdefault((bearing.weight, bearing.reason), []).append(TASK_NAMES[bearing.task])
    return "; ".join(
        f"{weight} for {' and '.join(tasks)}: {reason}"
        for (weight, reason), tasks in clauses.items()
    )


def refusal_table(refusals: Sequence[Refusal], *, title: str, table_id: str) -> Table:
    """Why cells are left out, and how many."""
    return tabulate(
        sorted(refusals, key=lambda refusal: -len(refusal.cell_ids)),
        [
            Column("reason", lambda r: r.reason, "left"),
            Column("cells", lambda r: len(r.cell_ids)),
            Column("which", _which, "left", is_long=True),
        ],
        table_id=table_id,
        title=title,
        note="What decides the work must be the same, or a ratio would compare different work.",
    )


def _which(refusal: Refusal) -> str:
    named = "; ".join(refusal.cell_ids[:MOST_CELLS_NAMED])
    more = len(refusal.cell_ids) - MOST_CELLS_NAMED
    return f"{named}; and {more} more" if more > 0 else named

"""Tables of hosts side by side: tasks, ratios, best settings and prices, differences, refusals."""

from collections.abc import Callable, Sequence

from mezzmark.decide.compare.best_throughput import BestThroughput
from mezzmark.decide.compare.hosts import HardwareComparison, HostComparison, Standing
from mezzmark.decide.compare.verdicts import Refusal
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import Estimate
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.hosts import has_many_clips, ratio_remark, setting_label
from mezzmark.report.prose.machine import fact_label, fact_text
from mezzmark.report.prose.numbers import count_text, shown_name
from mezzmark.report.tables.table import Column, Entry, Table, bare, probability, tabulate

MOST_CELLS_NAMED = 3
"""Cells of a refusal that are named; their number is always given."""


def task_table(found: HardwareComparison) -> Table:
    """Each task of each host against the reference, and the reference kernel."""
    rows: list[tuple[str, str, Estimate, Standing | None, int | None]] = []
    for one in found.others:
        label = one.other.label
        rows += [
            (label, TASKS[t.task].label, t.speedup_ratio, t.standing, t.cell_count)
            for t in one.tasks
        ]
        if one.kernel_ratio is not None:
            rows.append((label, TASKS["kernel"].label, one.kernel_ratio, None, None))
    return tabulate(
        rows,
        [
            Column("host", lambda r: r[0], "left"),
            Column("task", lambda r: r[1], "left"),
            Column("times as fast", lambda r: bare(r[2])),
            Column("verdict", lambda r: r[3], "left"),
            Column("common cells", lambda r: r[4]),
        ],
        table_id="hosts-tasks",
        title=f"Tasks against {shown_name(found.reference.label)}",
        note=(
            "Geometric mean over common cells. What a task gains beyond the reference kernel "
            "(plain arithmetic on one core) is not the core's plain speed."
        ),
    )


def ratio_table(
    comparison: HostComparison, task: str, found: HardwareComparison, *, table_id: str
) -> Table:
    """Every compared cell of a task: ratio, verdict, rounds; rows are found by their cell."""
    ratios = [ratio for ratio in comparison.cells if ratio.cell.task == task]
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
            Column("remark", ratio_remark, "left"),
        ],
        table_id=table_id,
        title=f"{other} against {reference}: {TASKS[task].label}",
        note=(
            f"Figure: {figure.name} ({figure.unit}). Above 1 {other} is faster. p is adjusted "
            "for all cells of all hosts shown."
        ),
        key=lambda r: r.cell,
    )


def best_table(found: HardwareComparison) -> Table:
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
        runs = [found.reference, *(comparison.other for comparison in found.others)]
        prices = (run.price for run in runs if run.price is not None)
        unit = next((price.unit for price in prices if price.unit), "price")
        columns += [
            Column(f"{unit} per fps", lambda r: bare(r.per_fps)),
            Column(f"{unit} per hour of footage an hour", lambda r: bare(r.per_hour)),
            Column("cost per unit against the reference", lambda r: bare(r.cost_ratio)),
        ]
        note += " Cost per unit below 1: more for the money than the reference."
    return tabulate(
        found.best,
        columns,
        table_id="hosts-best-table",
        title="Throughput of each host at its best",
        note=note,
    )


def _work(cell: Cell) -> str:
    return f"{TASKS[cell.task].label}: {shown_name(cell.encoding)}, {shown_name(cell.clip)}"


def _setting(cell: Cell) -> str:
    threads = count_text(cell.setting["threads"], "thread")
    if "jobs" in TASKS[cell.task].axes:
        threads = f"{count_text(cell.setting['jobs'], 'job')} of {threads}"
    return f"{threads}, {cell.setting['clip_order']}" if cell.setting["clip_order"] else threads


def difference_table(
    comparison: HostComparison, found: HardwareComparison, *, table_id: str
) -> Table:
    """Every fact of machine and software that differs, as each run recorded it."""
    reference, other = shown_name(found.reference.label), shown_name(comparison.other.label)
    return tabulate(
        comparison.differences,
        [
            Column("what differs", lambda d: fact_label(d.name), "left"),
            Column(reference, lambda d: fact_text(d.name, *d.before), "left"),
            Column(other, lambda d: fact_text(d.name, *d.after), "left"),
        ],
        table_id=table_id,
        title=f"{reference} and {other}",
        note="Recorded by each run.",
    )


def refusal_table(
    refusals: Sequence[Refusal], reason: Callable[[Refusal], str], *, title: str, table_id: str
) -> Table:
    """Why cells are left out (`reason` says it), and how many."""
    return tabulate(
        sorted(refusals, key=lambda refusal: -len(refusal.cells)),
        [
            Column("reason", reason, "left"),
            Column("cells", lambda r: len(r.cells)),
            Column("which", _which, "left", is_long=True),
        ],
        table_id=table_id,
        title=title,
        note="What decides the work must be the same, or a ratio would compare different work.",
    )


def _which(refusal: Refusal) -> str:
    named = "; ".join(cell.cell_id for cell in refusal.cells[:MOST_CELLS_NAMED])
    more = len(refusal.cells) - MOST_CELLS_NAMED
    return f"{named}; and {more} more" if more > 0 else named

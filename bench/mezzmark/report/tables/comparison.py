"""Tables of several runs: hosts side by side, and the history of one host."""

from collections.abc import Callable, Sequence
from functools import partial

from mezzmark.decide.compare.history import History, HistoryRun, HistorySeries
from mezzmark.decide.compare.host_runs import BestThroughput
from mezzmark.decide.compare.hosts import HardwareComparison, HostComparison, Standing
from mezzmark.decide.compare.verdicts import Refusal
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import Estimate
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.history import change_text, date_texts, percent_text, series_name
from mezzmark.report.prose.hosts import ratio_remark, setting_labels
from mezzmark.report.prose.machine import fact_label, fact_text
from mezzmark.report.prose.numbers import count_text, few_text, shown_name
from mezzmark.report.prose.table_notes import NOTES, best_note
from mezzmark.report.tables.table import Column, Entry, Table, bare, tabulate, worded


def task_table(found: HardwareComparison) -> Table:
    """Each task of each host against the reference, and the reference kernel."""
    rows: list[tuple[str, str, Estimate, Standing | None, int | None]] = []
    for one in found.others:
        label = one.other.label
        for t in one.tasks:
            rows.append((label, TASKS[t.task].label, t.speedup_ratio, t.standing, t.cell_count))
        if one.kernel_ratio is not None:
            rows.append((label, TASKS["kernel"].label, one.kernel_ratio, None, None))
    return tabulate(
        rows,
        Column("host", lambda r: r[0], "left"),
        Column("task", lambda r: r[1], "left"),
        Column("times as fast", lambda r: bare(r[2])),
        Column("verdict", lambda r: r[3], "left"),
        Column("common cells", lambda r: r[4]),
        table_id="hosts-tasks",
        title=f"Tasks against {shown_name(found.reference.label)}",
        note=NOTES["tasks"],
    )


def ratio_table(
    comparison: HostComparison, task: str, found: HardwareComparison, *, table_id: str
) -> Table:
    """Every compared cell of a task: ratio, verdict, rounds; rows are found by their cell."""
    ratios = [ratio for ratio in comparison.cells if ratio.cell.task == task]
    other, reference = shown_name(comparison.other.label), shown_name(found.reference.label)
    return tabulate(
        zip(ratios, setting_labels(ratios), strict=True),
        Column("encoding", lambda r: r[0].cell.encoding, "left"),
        Column("setting", lambda r: Entry(r[1]), "left"),
        Column("times as fast", lambda r: bare(r[0].speedup_ratio)),
        Column("verdict", lambda r: r[0].standing, "left"),
        Column("rounds", lambda r: r[0].speedup_ratio and r[0].speedup_ratio.round_count),
        Column("remark", lambda r: ratio_remark(r[0]), "left"),
        table_id=table_id,
        title=f"{other} against {reference}: {TASKS[task].label}",
        note=NOTES["ratios"].format(figure=TASKS[task].figure(TASKS[task].headline), host=other),
        key=lambda r: r[0].cell,
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
    has_prices = any(row.per_fps for row in found.best)
    if has_prices:
        units = (run.price.unit for run in found.runs if run.price)
        unit = next(filter(None, units), "price")
        columns += [
            Column(f"{unit} per fps", lambda r: bare(r.per_fps)),
            Column(f"{unit} per hour of footage an hour", lambda r: bare(r.per_hour)),
            Column("cost per unit against the reference", lambda r: bare(r.cost_ratio)),
        ]
    return tabulate(
        found.best,
        *columns,
        table_id="hosts-best-table",
        title="Throughput of each host at its best",
        note=best_note(has_prices=has_prices),
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
        Column("what differs", lambda d: fact_label(d.name), "left"),
        Column(reference, lambda d: fact_text(d.name, *d.before), "left"),
        Column(other, lambda d: fact_text(d.name, *d.after), "left"),
        table_id=table_id,
        title=f"{reference} and {other}",
        note=NOTES["differences"],
    )


def refusal_table(
    refusals: Sequence[Refusal], reason: Callable[[Refusal], str], *, title: str, table_id: str
) -> Table:
    """Why cells are left out (`reason` says it), and how many."""
    return tabulate(
        sorted(refusals, key=lambda refusal: -len(refusal.cells)),
        Column("reason", reason, "left"),
        Column("cells", lambda r: len(r.cells)),
        Column("which", lambda r: few_text([c.cell_id for c in r.cells]), "left", is_long=True),
        table_id=table_id,
        title=title,
        note=NOTES["refusals"],
    )


def level_table(history: History, *, table_id: str) -> Table:
    """A row a run: each task's time against the first run."""
    dates = date_texts(history.runs)
    lines = [Column(series_name(line), partial(_level, line)) for line in history.tasks]
    return tabulate(
        history.runs,
        Column("begun", lambda run: Entry(dates[run.position], sort=run.started_utc), "left"),
        Column("run", lambda run: run.name, "left"),
        *lines,
        table_id=table_id,
        title="Each run against the first",
        note=NOTES["history levels"],
    )


def _level(line: HistorySeries, run: HistoryRun) -> Entry | None:
    return next((bare(p.cost_ratio) for p in line.points if p.position == run.position), None)


def change_table(history: History, *, table_id: str) -> Table:
    """A row a step that was found, tasks first."""
    dates = date_texts(history.runs)

    def date(position: int) -> Entry:
        return Entry(dates[position], sort=history.runs[position].started_utc)

    return tabulate(
        [(line, step) for line in (*history.tasks, *history.cells) for step in line.steps],
        Column("what", lambda r: series_name(r[0]), "left"),
        Column("last run before", lambda r: date(r[1].before), "left"),
        Column("first run after", lambda r: date(r[1].after), "left"),
        Column("time", lambda r: Entry(percent_text(r[1].cost_ratio), sort=r[1].cost_ratio.point)),
        Column("p", lambda r: worded(r[1].adjusted_p, _p_text)),
        Column("what changed there", lambda r: Entry(change_text(r[1])), "left"),
        table_id=table_id,
        title="Changes of level",
        note=NOTES["history changes"],
    )


def _p_text(value: float) -> str:
    return "< 0.0001" if value < 0.0001 else f"{value:.4f}"


def history_cells_table(history: History, *, table_id: str) -> Table:
    """A row a cell: its last run against its first."""
    dates = date_texts(history.runs)
    return tabulate(
        history.cells,
        Column("cell", series_name, "left"),
        Column("runs", lambda line: len(line.points)),
        Column("first", lambda line: dates[line.points[0].position], "left"),
        Column("last", lambda line: dates[line.points[-1].position], "left"),
        Column("time, last / first", lambda line: bare(line.last_ratio)),
        Column("changes", lambda line: len(line.steps)),
        table_id=table_id,
        title="Cells, first run and last",
        note=NOTES["history cells"],
    )

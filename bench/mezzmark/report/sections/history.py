"""The history of one host in the report: headline, figure, tables."""

from functools import partial

from mezzmark.decide.compare.history import History, Series
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.history import draw_history
from mezzmark.report.prose.best_host import bare_ratio
from mezzmark.report.prose.history import (
    change_text,
    date_texts,
    history_headline,
    history_rules,
    percent_text,
    step_sentences,
)
from mezzmark.report.prose.numbers import count_text, visible_text
from mezzmark.report.sections.parts import Group, Together
from mezzmark.report.tables.comparison import refusal_table
from mezzmark.report.tables.table import DASH, Entry, Table


def build_history(history: History, *, prefix: str) -> Together:
    """The section of one host; `prefix` begins its ids and figure names."""
    levels = _level_table(history, table_id=f"{prefix}-runs")
    changes = _change_table(history, table_id=f"{prefix}-changes")
    cells = _cell_table(history, table_id=f"{prefix}-cells")
    groups = [
        Group(
            anchor=f"{prefix}-found",
            title="Changes over the runs",
            sentences=tuple(step_sentences(history)),
            tables=(*([changes] if changes.rows else []), levels),
        ),
        Group(
            anchor=f"{prefix}-every",
            title="Every cell over the runs",
            sentences=(),
            tables=(cells,) if cells.rows else (),
        ),
        Group(
            anchor=f"{prefix}-rules",
            title="How changes are found",
            sentences=tuple(history_rules(history)),
            tables=(),
        ),
    ]
    if history.refusals:
        table = refusal_table(
            history.refusals, title="Left out of the history", table_id=f"{prefix}-refused"
        )
        groups.insert(
            2,
            Group(
                anchor=f"{prefix}-left-out",
                title="What cannot be compared, and why",
                sentences=(),
                tables=(table,),
            ),
        )
    return Together(
        anchor=prefix,
        kicker="One host over time",
        headline=history_headline(history),
        basis=_basis(history),
        cautions=_cautions(history),
        pictures=_pictures(history, levels, prefix),
        groups=tuple(group for group in groups if group.sentences or group.tables),
    )


def _basis(history: History) -> str:
    return (
        f"{count_text(len(history.runs), 'run')} · {count_text(len(history.cells), 'cell')} · "
        f"{100 * history.confidence_level:g} % intervals in brackets"
    )


def _cautions(history: History) -> tuple[str, ...]:
    texts = []
    if len(history.runs) < 5:
        texts.append(
            f"{count_text(len(history.runs), 'run')} are too few to find any but a huge change: "
            "“no change” here says little. Eight runs find one of 10 % usually."
        )
    count = len({cell_id for refusal in history.refusals for cell_id in refusal.cell_ids})
    if count:
        texts.append(
            f"{count_text(count, 'cell')} {'is' if count == 1 else 'are'} left out of some runs, "
            "since the runs did not measure the same; the table says why."
        )
    return tuple(texts)


def _pictures(history: History, levels: Table, prefix: str) -> tuple[Picture, ...]:
    if not history.tasks:
        return ()
    draw = partial(draw_history, history, anchors=levels.anchors)
    return (make_picture("history", f"{prefix}-levels", draw),)


def _level_table(history: History, *, table_id: str) -> Table:
    dates = date_texts(history.runs)
    return Table(
        table_id=table_id,
        title="Each run against the first",
        note="Time by task, geometric mean over its common cells; above 1 is slower.",
        columns=("begun", "run", *(line.name for line in history.tasks)),
        rows=tuple(
            (
                Entry(text=dates[run.position], sort=run.started_utc),
                Entry(text=visible_text(run.name)),
                *(_point(line, run.position) for line in history.tasks),
            )
            for run in history.runs
        ),
        anchors=tuple(f"{table_id}-{run.position}" for run in history.runs),
        texts=(0, 1),
    )


def _point(line: Series, position: int) -> Entry:
    for point in line.points:
        if point.position == position:
            return Entry(text=bare_ratio(point.cost_ratio), sort=point.cost_ratio.point)
    return Entry(text=DASH)


def _change_table(history: History, *, table_id: str) -> Table:
    dates = date_texts(history.runs)
    rows = [
        (
            Entry(text=visible_text(line.name), sort=line.name.lower()),
            Entry(text=dates[step.before], sort=history.runs[step.before].started_utc),
            Entry(text=dates[step.after], sort=history.runs[step.after].started_utc),
            Entry(text=percent_text(step.cost_ratio), sort=step.cost_ratio.point),
            Entry(
                text="< 0.0001" if step.adjusted_p < 0.0001 else f"{step.adjusted_p:.4f}",
                sort=step.adjusted_p,
            ),
            Entry(text=change_text(step)),
        )
        for line in (*history.tasks, *history.cells)
        for step in line.steps
    ]
    return Table(
        table_id=table_id,
        title="Changes of level",
        note="Tasks first, then cells. p is adjusted for all tasks, or for all cells.",
        columns=("what", "last run before", "first run after", "time", "p", "what changed there"),
        rows=tuple(rows),
        anchors=tuple(f"{table_id}-{index}" for index in range(len(rows))),
        texts=(0, 1, 2, 5),
    )


def _cell_table(history: History, *, table_id: str) -> Table:
    dates = date_texts(history.runs)
    return Table(
        table_id=table_id,
        title="Cells, first run and last",
        note="Time of the last run that has the cell against the first one; above 1 is slower.",
        columns=("cell", "runs", "first", "last", "time, last / first", "changes"),
        rows=tuple(
            (
                Entry(text=visible_text(line.name), sort=line.name.lower()),
                Entry(text=f"{len(line.points)}", sort=len(line.points)),
                Entry(text=dates[line.points[0].position]),
                Entry(text=dates[line.points[-1].position]),
                _point(line, line.points[-1].position),
                Entry(text=f"{len(line.steps)}", sort=len(line.steps)),
            )
            for line in history.cells
        ),
        anchors=tuple(f"{table_id}-{index}" for index in range(len(history.cells))),
        texts=(0, 2, 3),
    )

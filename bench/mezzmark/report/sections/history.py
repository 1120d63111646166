"""The history of one host in the report: headline, figure, tables."""

from mezzmark.decide.compare.history import History, HistorySeries
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.history import HistoryPanels, draw_history
from mezzmark.report.figures.theme import own_look
from mezzmark.report.prose.history import (
    change_text,
    date_texts,
    history_cautions,
    history_headline,
    history_refusal_text,
    history_rules,
    percent_text,
    series_name,
    step_sentences,
)
from mezzmark.report.prose.numbers import bare_ratio, count_text, shown_name, visible_text
from mezzmark.report.sections.parts import ComparisonSection, Group, filled
from mezzmark.report.tables.comparison import refusal_table
from mezzmark.report.tables.table import DASH, Entry, Table


def build_history(history: History, *, prefix: str) -> ComparisonSection:
    """The section of one host; `prefix` begins its ids and figure names."""
    levels = _level_table(history, table_id=f"{prefix}-runs")
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
        basis=_basis(history),
        cautions=tuple(history_cautions(history)),
        pictures=_pictures(history, levels, prefix),
        groups=filled(
            Group(
                anchor=f"{prefix}-found",
                title="Changes over the runs",
                sentences=tuple(step_sentences(history)),
                tables=(_change_table(history, table_id=f"{prefix}-changes"), levels),
            ),
            Group(
                anchor=f"{prefix}-every",
                title="Every cell over the runs",
                tables=(_cell_table(history, table_id=f"{prefix}-cells"),),
            ),
            Group(
                anchor=f"{prefix}-left-out",
                title="What cannot be compared, and why",
                tables=(refused,),
            ),
            Group(
                anchor=f"{prefix}-rules",
                title="How changes are found",
                sentences=tuple(history_rules(history)),
            ),
        ),
    )


def _basis(history: History) -> str:
    return (
        f"{count_text(len(history.runs), 'run')} · {count_text(len(history.cells), 'cell')} · "
        f"{100 * history.confidence_level:g} % intervals in brackets"
    )


def _pictures(history: History, levels: Table, prefix: str) -> tuple[Picture, ...]:
    if not history.tasks:
        return ()
    panels = HistoryPanels(history=history, run_anchors=levels.anchors)
    shown = [
        f"{series_name(line)} {bare_ratio(line.points[-1].cost_ratio)} in the last run, "
        f"{count_text(len(line.steps), 'change')}"
        for line in history.tasks
    ]
    with own_look():
        picture = make_picture(
            "history",
            f"{prefix}-levels",
            f"{shown_name(history.host_label)} over {count_text(len(history.runs), 'run')}",
            "Runs stand at even steps, whatever time lies between them. Above 1 a run took longer "
            "than the first. The blue line is the geometric mean over the task's common cells; "
            "thin grey lines are single cells. A dashed line is a change of level, with its size.",
            f"Time against the first run: {'; '.join(shown)}.",
            lambda shape: draw_history(panels, shape),
        )
    return (picture,)


def _level_table(history: History, *, table_id: str) -> Table:
    dates = date_texts(history.runs)
    return Table(
        table_id=table_id,
        title="Each run against the first",
        note="Time by task, geometric mean over its common cells; above 1 is slower.",
        columns=("begun", "run", *(series_name(line) for line in history.tasks)),
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


def _point(line: HistorySeries, position: int) -> Entry:
    for point in line.points:
        if point.position == position:
            return Entry(text=bare_ratio(point.cost_ratio), sort=point.cost_ratio.point)
    return Entry(text=DASH)


def _change_table(history: History, *, table_id: str) -> Table:
    dates = date_texts(history.runs)
    rows = [
        (
            Entry(text=visible_text(series_name(line)), sort=series_name(line).lower()),
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
                Entry(text=visible_text(series_name(line)), sort=series_name(line).lower()),
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

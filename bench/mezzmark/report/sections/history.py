"""The history of one host in the report: headline, figure, tables."""

from functools import partial

from mezzmark.decide.compare.history import History, HistoryRun, HistorySeries, Step
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.history import draw_history
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
from mezzmark.report.prose.numbers import count_text
from mezzmark.report.sections.parts import ComparisonSection, Section, filled_sections
from mezzmark.report.tables.comparison import refusal_table
from mezzmark.report.tables.table import Column, Entry, Table, bare, probability, tabulate


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
        groups=filled_sections(
            (
                Section(
                    anchor=f"{prefix}-found",
                    title="Changes over the runs",
                    sentences=tuple(step_sentences(history)),
                    tables=(_change_table(history, table_id=f"{prefix}-changes"), levels),
                ),
                Section(
                    anchor=f"{prefix}-every",
                    title="Every cell over the runs",
                    tables=(_cell_table(history, table_id=f"{prefix}-cells"),),
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
            )
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
    draw = partial(draw_history, history, anchors=levels.anchors)
    return (make_picture(f"{prefix}-levels", draw),)


def _level_table(history: History, *, table_id: str) -> Table:
    dates = date_texts(history.runs)
    lines = [Column(series_name(line), partial(_level, line)) for line in history.tasks]
    return tabulate(
        history.runs,
        [
            Column("begun", lambda run: Entry(dates[run.position], sort=run.started_utc), "left"),
            Column("run", lambda run: run.name, "left"),
            *lines,
        ],
        table_id=table_id,
        title="Each run against the first",
        note="Time by task, geometric mean over its common cells; above 1 is slower.",
    )


def _level(line: HistorySeries, run: HistoryRun) -> Entry | None:
    return next((bare(p.cost_ratio) for p in line.points if p.position == run.position), None)


def _change_table(history: History, *, table_id: str) -> Table:
    dates = date_texts(history.runs)

    def date(position: int) -> Entry:
        return Entry(dates[position], sort=history.runs[position].started_utc)

    return tabulate(
        [(line, step) for line in (*history.tasks, *history.cells) for step in line.steps],
        [
            Column("what", lambda r: series_name(r[0]), "left"),
            Column("last run before", lambda r: date(r[1].before), "left"),
            Column("first run after", lambda r: date(r[1].after), "left"),
            Column("time", lambda r: _percent(r[1])),
            Column("p", lambda r: probability(r[1].adjusted_p)),
            Column("what changed there", lambda r: Entry(change_text(r[1])), "left"),
        ],
        table_id=table_id,
        title="Changes of level",
        note="Tasks first, then cells. p is adjusted for all tasks, or for all cells.",
    )


def _percent(step: Step) -> Entry:
    return Entry(percent_text(step.cost_ratio), sort=step.cost_ratio.point)


def _cell_table(history: History, *, table_id: str) -> Table:
    dates = date_texts(history.runs)
    return tabulate(
        history.cells,
        [
            Column("cell", series_name, "left"),
            Column("runs", lambda line: len(line.points)),
            Column("first", lambda line: dates[line.points[0].position], "left"),
            Column("last", lambda line: dates[line.points[-1].position], "left"),
            Column("time, last / first", lambda line: bare(line.points[-1].cost_ratio)),
            Column("changes", lambda line: len(line.steps)),
        ],
        table_id=table_id,
        title="Cells, first run and last",
        note="Time of the last run that has the cell against the first one; above 1 is slower.",
    )

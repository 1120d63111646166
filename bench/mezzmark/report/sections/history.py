"""The history of one host in the report: headline, figure, tables."""

from functools import partial

from mezzmark.decide.compare.history import History, HistoryRun, Series, Step
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.history import HistoryPanels, draw_history
from mezzmark.report.figures.theme import own_look
from mezzmark.report.prose.best_host import bare_ratio
from mezzmark.report.prose.history import (
    change_text,
    date_texts,
    history_headline,
    history_rules,
    percent_text,
    step_sentences,
)
from mezzmark.report.prose.numbers import count_text, shown_name
from mezzmark.report.sections.parts import Group, Together, refused_group
from mezzmark.report.tables.comparison import refusal_table
from mezzmark.report.tables.table import Column, Entry, Table, bare, filled, probability, tabulate


def build_history(history: History, *, prefix: str) -> Together:
    """The section of one host; `prefix` begins its ids and figure names."""
    levels = _level_table(history, table_id=f"{prefix}-runs")
    changes = _change_table(history, table_id=f"{prefix}-changes")
    cells = _cell_table(history, table_id=f"{prefix}-cells")
    refused = refusal_table(
        history.refusals, title="Left out of the history", table_id=f"{prefix}-refused"
    )
    groups = (
        Group(
            anchor=f"{prefix}-found",
            title="Changes over the runs",
            sentences=tuple(step_sentences(history)),
            tables=filled(changes, levels),
        ),
        Group(
            anchor=f"{prefix}-every",
            title="Every cell over the runs",
            tables=filled(cells),
        ),
        refused_group(f"{prefix}-left-out", refused),
        Group(
            anchor=f"{prefix}-rules",
            title="How changes are found",
            sentences=tuple(history_rules(history)),
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
    panels = HistoryPanels(history=history, run_anchors=levels.anchors)
    told = [
        f"{line.name} {bare_ratio(line.points[-1].cost_ratio)} in the last run, "
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
            f"Time against the first run: {'; '.join(told)}.",
            lambda shape: draw_history(panels, shape),
        )
    return (picture,)


def _level_table(history: History, *, table_id: str) -> Table:
    dates = date_texts(history.runs)
    lines = [Column(line.name, partial(_level, line)) for line in history.tasks]
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


def _level(line: Series, run: HistoryRun) -> Entry | None:
    return next((bare(p.cost_ratio) for p in line.points if p.position == run.position), None)


def _change_table(history: History, *, table_id: str) -> Table:
    dates = date_texts(history.runs)

    def date(position: int) -> Entry:
        return Entry(dates[position], sort=history.runs[position].started_utc)

    return tabulate(
        [(line, step) for line in (*history.tasks, *history.cells) for step in line.steps],
        [
            Column("what", lambda r: r[0].name, "left"),
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
            Column("cell", lambda line: line.name, "left"),
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

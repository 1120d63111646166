"""One host over its runs: time against the first run, task by task, with steps between levels."""

from collections.abc import Iterable, Sequence
from math import ceil

import pandas as pd
import seaborn.objects as so
from matplotlib.axes import Axes

from mezzmark.decide.compare.history import History, HistorySeries
from mezzmark.report.figures import theme
from mezzmark.report.figures.marks import Drawing, Mark, at, draw_marks, ends, new_drawing
from mezzmark.report.prose import figures as labels
from mezzmark.report.prose import history as prose

PANEL_IN, GAP_IN, LEFT_IN = 1.35, 0.5, 0.65
"""Height of a panel, room between two (the name of the next one stands there), and for ticks."""

LABEL_ROOM = 0.25
"""Share of a panel's height above the data, where steps are labelled."""


def draw_history(history: History, *, anchors: Sequence[str]) -> Drawing:
    """A panel per task, the runs from left to right, at even steps whatever lies between them.
    Marks link to `anchors`, the row of each run."""
    tasks = history.tasks
    drawing = new_drawing(
        prose.history_text(history),
        body_in=PANEL_IN * len(tasks) + GAP_IN * (len(tasks) - 1),
        left_in=LEFT_IN,
        top_in=0.25,
    )
    drawing.figure.subplots_adjust(hspace=GAP_IN / PANEL_IN)
    names = [series.task for series in tasks]
    runs = _frame((series.task, series) for series in tasks)
    cells = _frame((line.task, line) for line in history.cells)
    cells = cells[cells["task"].isin(names)].rename(columns={"ratio": "cell_ratio"})
    shown = pd.concat([runs, cells], ignore_index=True)
    blue = theme.LIGHT["leader"]
    thin = so.Line(color=theme.LIGHT["other"], alpha=0.35, linewidth=0.7)
    (
        theme.plot(shown, x="run")
        .facet(row="task", order=names)
        .add(thin, y="cell_ratio", group="line")
        .add(so.Line(color=blue, linewidth=1.1), y="ratio")
        .share(x=True, y=False)
        .on(drawing.figure)
        .plot()
    )
    dates = prose.date_texts(history.runs)
    for series, axes in zip(tasks, drawing.figure.axes, strict=True):
        draw_marks(drawing, _marks(series, history, anchors), axes)
        values = shown.loc[shown["task"] == series.task, ["ratio", "low", "high", "cell_ratio"]]
        low, high = theme.ratio_limits([*values.to_numpy().ravel()])
        theme.set_log_axis(axes, "y", (low, high * (high / low) ** LABEL_ROOM), label="")
        axes.set(xlim=(-0.5, len(dates) - 0.5), title="", xlabel=labels.RUN_LABEL)
        axes.label_outer()
        axes.text(0, 1.06, prose.panel_title(series), transform=axes.transAxes, weight="bold")
        axes.axhline(1, color=theme.LIGHT["muted"], linewidth=0.8, zorder=1)
        _draw_steps(axes, series)
    room = theme.characters(theme.WIDTH_IN - LEFT_IN - theme.MARGIN_IN) / (len(dates[0]) + 2)
    every = max(1, ceil(len(dates) / max(1, int(room))))
    drawing.figure.axes[-1].set_xticks(range(0, len(dates), every), dates[::every])
    return drawing


def _marks(series: HistorySeries, history: History, anchors: Sequence[str]) -> list[Mark]:
    return [
        Mark(
            x=at(point.position),
            y=ends(point.cost_ratio),
            colour="leader",
            link=(anchors[point.position], prose.history_words(series, point, history)),
            size_pt=6,
            bar_pt=2.4,
        )
        for point in series.points
    ]


def _frame(lines: Iterable[tuple[str, HistorySeries]]) -> pd.DataFrame:
    """A row for each point of each line of a task; numbers also where there is none."""
    frame = pd.DataFrame(
        [
            (task, number, point.position, *ends(point.cost_ratio))
            for number, (task, line) in enumerate(lines)
            for point in line.points
        ],
        columns=["task", "line", "run", "ratio", "low", "high"],
    )
    return frame.astype(dict.fromkeys(frame.columns[1:], float))


def _draw_steps(axes: Axes, series: HistorySeries) -> None:
    """Changes of level, each with its size on the side where there is more room."""
    low, high = axes.get_xlim()
    for order, step in enumerate(series.steps):
        x = (step.before + step.after) / 2
        axes.axvline(x, color=theme.LIGHT["line"], linewidth=1.1, linestyle=theme.DASHES, zorder=2)
        is_right = (x - low) / (high - low) > 0.6
        axes.annotate(
            prose.percent_text(step.cost_ratio),
            xy=(x, 1),
            xycoords=axes.get_xaxis_transform(),
            xytext=(-4 if is_right else 4, -2 - 12 * (order % 2)),
            textcoords="offset points",
            ha="right" if is_right else "left",
            va="top",
            color=theme.LIGHT["line"],
            fontsize=theme.SMALL_PT,
            gid=theme.HALO,
            zorder=6,
        )

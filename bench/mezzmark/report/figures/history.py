"""One host over its runs: time against the first run, task by task, with steps between levels."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from mezzmark.decide.compare.history import History, HistorySeries
from mezzmark.report.figures.marks import mark_url
from mezzmark.report.figures.theme import (
    CHARACTER_IN,
    FONT_PT,
    WIDTH_IN,
    Margins,
    Shape,
    colour,
    new_axes,
    set_ratio_axis,
)
from mezzmark.report.prose.history import date_texts, percent_text, series_name
from mezzmark.report.prose.numbers import bare_ratio, count_text, shown_name

PANEL_IN = {"wide": 1.7, "narrow": 1.5}
GAP_IN = 0.42
"""Between panels: the name of the next one stands there."""

LABEL_ROOM = 0.2
"""Share of a panel's height above the data, where steps are labelled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryPanels:
    """What the figure shows; `run_anchors` lead from a run to its row in the table."""

    history: History
    run_anchors: tuple[str, ...]


def draw_history(panels: HistoryPanels, shape: Shape) -> Figure:
    """A panel per task, the runs from left to right, at even steps whatever lies between them."""
    history = panels.history
    count = len(history.tasks)
    figure, whole = new_axes(
        shape,
        title=f"{shown_name(history.host_label)} over {count_text(len(history.runs), 'run')}",
        subtitle=(
            f"Time against the first run, by task. Bars: {100 * history.confidence_level:g} % "
            f"intervals of a run over its rounds. Thin lines: single cells. Dashed: a change of "
            f"level ({100 * history.error_level:g} % chance of any false one)."
        ),
        body_in=count * PANEL_IN[shape] + (count - 1) * GAP_IN,
        margins=Margins(left=0.75 if shape == "wide" else 0.6, right=0.25, top=0.3, bottom=0.55),
    )
    place = whole.get_position()
    whole.remove()
    unit = place.height / (count * PANEL_IN[shape] + (count - 1) * GAP_IN)
    for index, series in enumerate(history.tasks):
        bottom = place.y1 - unit * (index * (PANEL_IN[shape] + GAP_IN) + PANEL_IN[shape])
        axes = figure.add_axes((place.x0, bottom, place.width, unit * PANEL_IN[shape]))
        _dress(axes)
        _draw_panel(axes, series, panels, shape, is_last=index == count - 1)
    return figure


def _dress(axes: Axes) -> None:
    axes.set_facecolor("none")
    axes.spines["bottom"].set_color(colour("muted"))
    axes.tick_params(colors=colour("muted"), labelcolor=colour("ink"), length=3, width=0.7)


def _draw_panel(
    axes: Axes, series: HistorySeries, panels: HistoryPanels, shape: Shape, *, is_last: bool
) -> None:
    history = panels.history
    cells = _cells_of(series, history)
    values = [
        value
        for point in series.points
        for value in (point.cost_ratio.point, point.cost_ratio.low, point.cost_ratio.high)
        if value
    ]
    values += [point.cost_ratio.point for line in cells for point in line.points]
    set_ratio_axis(axes, "y", values, label="", most=5)
    low, high = axes.get_ylim()
    axes.set_ylim(low, high * (high / low) ** LABEL_ROOM)
    axes.set_xlim(-0.5, len(history.runs) - 0.5)
    axes.text(
        0,
        1.04,
        f"{series_name(series)}{_count(series)}",
        transform=axes.transAxes,
        weight="bold",
        color=colour("ink"),
        fontsize=FONT_PT,
    )
    axes.axhline(1, color=colour("muted"), linewidth=0.8, zorder=1)
    for line in cells:
        axes.plot(
            [point.position for point in line.points],
            [point.cost_ratio.point for point in line.points],
            color=colour("rest"),
            linewidth=0.7,
            alpha=0.35,
            zorder=2,
        )
    _draw_points(axes, series, panels)
    _draw_steps(axes, series)
    _label_dates(axes, history, shape, is_last=is_last)


def _count(series: HistorySeries) -> str:
    return f" ({count_text(series.cell_count, 'cell')})" if series.cell_count else ""


def _cells_of(series: HistorySeries, history: History) -> list[HistorySeries]:
    return [line for line in history.cells if line.task == series.task]


def _draw_points(axes: Axes, series: HistorySeries, panels: HistoryPanels) -> None:
    shade = colour("lead")
    dates = date_texts(panels.history.runs)
    axes.plot(
        [point.position for point in series.points],
        [point.cost_ratio.point for point in series.points],
        color=shade,
        linewidth=1.1,
        zorder=3,
    )
    for point in series.points:
        ratio = point.cost_ratio
        if ratio.low is not None and ratio.high is not None:
            axes.plot(
                [point.position] * 2, [ratio.low, ratio.high], color=shade, linewidth=2.4, zorder=4
            )
        words = (
            f"{series_name(series)}, {dates[point.position]}: {bare_ratio(ratio)} of the first "
            f"run's time; {count_text(ratio.round_count, 'round')}"
        )
        axes.plot(
            [point.position],
            [ratio.point],
            marker="o",
            markersize=5,
            markerfacecolor=shade,
            markeredgecolor=colour("paper"),
            markeredgewidth=0.8,
            linestyle="none",
            zorder=5,
            url=mark_url(panels.run_anchors[point.position], words),
        )


def _draw_steps(axes: Axes, series: HistorySeries) -> None:
    low, high = axes.get_xlim()
    for order, step in enumerate(series.steps):
        x = (step.before + step.after) / 2
        axes.axvline(x, color=colour("line"), linewidth=1.1, linestyle=(0, (4, 2.5)), zorder=2)
        is_right = (x - low) / (high - low) > 0.6
        axes.annotate(
            percent_text(step.cost_ratio),
            xy=(x, 1),
            xycoords=axes.get_xaxis_transform(),
            xytext=(-4 if is_right else 4, -2 - 11 * (order % 2)),
            textcoords="offset points",
            ha="right" if is_right else "left",
            va="top",
            color=colour("line"),
            fontsize=FONT_PT - 0.5,
            bbox={"facecolor": colour("paper"), "alpha": 0.8, "linewidth": 0, "pad": 0.5},
            zorder=6,
        )


def _label_dates(axes: Axes, history: History, shape: Shape, *, is_last: bool) -> None:
    dates = date_texts(history.runs)
    room = (WIDTH_IN[shape] - 1.0) / (CHARACTER_IN * (len(dates[0]) + 2))
    every = max(1, math.ceil(len(dates) / max(1, int(room))))
    shown: Sequence[int] = range(0, len(dates), every)
    axes.set_xticks(list(shown), [dates[index] if is_last else "" for index in shown])
    if is_last:
        axes.set_xlabel("run, by its first trial (UTC)", color=colour("ink"))

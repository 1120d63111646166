"""Runs over time, task by task with steps of level; and hosts × cells of a check, in lanes."""

from collections.abc import Iterable, Mapping, Sequence
from itertools import accumulate
from math import ceil
from typing import Any, Final

import pandas as pd
import seaborn.objects as so
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from mezzmark.decide.compare.fleet import FleetCheck, HostCheck
from mezzmark.decide.compare.history import History, HistorySeries
from mezzmark.decide.compare.verdicts import CellVerdict
from mezzmark.model.estimate import Estimate
from mezzmark.report.figures import theme
from mezzmark.report.figures.drawing import Drawing, Mark, at, draw_marks, ends, new_drawing
from mezzmark.report.figures.rows import LINE_LABEL_IN, draw_lines
from mezzmark.report.figures.speeds import DECIDED, OPEN, cost_mark
from mezzmark.report.prose import figures as labels
from mezzmark.report.prose import fleet as fleet_words
from mezzmark.report.prose import history as history_words
from mezzmark.report.prose.numbers import shown_name

PANEL_IN, PANEL_GAP_IN, LEFT_IN = 1.35, 0.5, 0.65
"""Height of a panel, room between two (the name of the next one stands there), and for ticks."""

LABEL_ROOM = 0.25  # share of a panel's height above the data, where steps are labelled


def draw_history(history: History, *, anchors: Sequence[str]) -> Drawing:
    """A panel per task, runs from left to right. Marks link to `anchors`, one a run."""
    tasks = history.tasks
    drawing = new_drawing(
        history_words.history_text(history),
        body_in=PANEL_IN * len(tasks) + PANEL_GAP_IN * (len(tasks) - 1),
        left_in=LEFT_IN,
        top_in=0.25,
    )
    drawing.figure.subplots_adjust(hspace=PANEL_GAP_IN / PANEL_IN)
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
    dates = history_words.date_texts(history.runs)
    for series, axes in zip(tasks, drawing.figure.axes, strict=True):
        draw_marks(drawing, _history_marks(series, history, anchors), axes)
        values = shown.loc[shown["task"] == series.task, ["ratio", "low", "high", "cell_ratio"]]
        low, high = theme.ratio_limits([*values.to_numpy().ravel()])
        theme.set_log_axis(axes, "y", (low, high * (high / low) ** LABEL_ROOM), label="")
        axes.set(xlim=(-0.5, len(dates) - 0.5), title="", xlabel=labels.RUN_LABEL)
        axes.label_outer()
        axes.text(
            0, 1.06, history_words.panel_title(series), transform=axes.transAxes, weight="bold"
        )
        axes.axhline(1, color=theme.LIGHT["muted"], linewidth=0.8, zorder=1)
        _draw_steps(axes, series)
    room = theme.characters(theme.WIDTH_IN - LEFT_IN - theme.MARGIN_IN) / (len(dates[0]) + 2)
    every = max(1, ceil(len(dates) / max(1, int(room))))
    drawing.figure.axes[-1].set_xticks(range(0, len(dates), every), dates[::every])
    return drawing


def _history_marks(series: HistorySeries, history: History, anchors: Sequence[str]) -> list[Mark]:
    return [
        Mark(
            x=at(point.position),
            y=ends(point.cost_ratio),
            colour="leader",
            link=(anchors[point.position], history_words.history_words(series, point, history)),
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
        axes.axvline(x, color=theme.LIGHT["line"], zorder=2, **theme.DASHED)
        is_right = (x - low) / (high - low) > 0.6
        text, offset = history_words.percent_text(step.cost_ratio), -4 if is_right else 4
        look: dict[str, Any] = {"color": theme.LIGHT["line"], "gid": theme.HALO, "zorder": 6}
        look |= {"ha": "right" if is_right else "left", "va": "top"}
        look["xycoords"] = axes.get_xaxis_transform()
        theme.note(axes, text, (x, 1), (offset, -2 - 12 * (order % 2)), **look)


HOSTS_A_FIGURE: Final = 10  # more would be too small to be read on a printed page

NAMES_IN: Final = 1.35
"""Room for the hosts' names; those of more characters are shown with their middle left out."""

LANE_IN, LEAST_BAND_IN, GAP_IN = 0.1, 0.36, 0.1
"""Height of a lane, of a band at least (name and verdict stand in two lines), between bands."""

MOST_LANES: Final = 12
"""Of a host with more cells those that got slowest are drawn; the tables have all."""

Shown = tuple[HostCheck, list[tuple[CellVerdict, Estimate]]]


def shown_hosts(check: FleetCheck) -> list[Shown]:
    """Hosts that have any ratio, each with the cells that are drawn, in table order."""
    found = []
    for host in check.hosts:
        cells = host.report.cells if host.report else ()
        pairs = [(cell, ratio) for cell in cells if (ratio := cell.cost_ratio)]
        kept = sorted(pairs, key=lambda pair: -pair[1].point)[:MOST_LANES]
        if pairs:
            found.append((host, [pair for pair in pairs if pair in kept]))
    return found


def draw_fleet(
    check: FleetCheck,
    hosts: Sequence[Shown],
    *,
    of_all: Sequence[Shown],
    anchors: Mapping[tuple[str, object], str],
    place: tuple[int, int],
) -> Drawing:
    """Hosts of one figure of several (`place`: its number and theirs), with the axis and key of
    `of_all`. Marks link to `anchors`, by host and cell."""
    bands = [max(LEAST_BAND_IN, LANE_IN * len(cells)) + GAP_IN for _, cells in hosts]
    *tops, end_in = accumulate(bands, initial=GAP_IN / 2)
    height_in = end_in - GAP_IN / 2
    every = (cell.cell for _, cells in of_all for cell, _ in cells)
    kinds = dict.fromkeys(map(fleet_words.kind_text, every))
    shapes = {kind: theme.SHAPES[n % len(theme.SHAPES)] for n, kind in enumerate(kinds)}
    drawing = new_drawing(
        fleet_words.fleet_figure_text(check, [host for host, _ in hosts], *place),
        body_in=height_in,
        key=_key(shapes, of_all),
        left_in=NAMES_IN,
        top_in=0.06 + LINE_LABEL_IN,
    )
    axes = drawing.figure.add_subplot()
    edge = 1 + check.tolerance_fraction
    axes.axvspan(1 / edge, edge, linewidth=0, **theme.SHADED)
    marks = [
        cost_mark(
            (cell, ratio),
            top_in + LANE_IN * (lane + 0.5),
            anchors[host.host, cell.cell],
            whose=f"{shown_name(host.label)}, ",
            marker=shapes[fleet_words.kind_text(cell.cell)],
            size_pt=5,
            bar_pt=2.2,
        )
        for top_in, (host, cells) in zip(tops, hosts, strict=True)
        for lane, (cell, ratio) in enumerate(cells)
    ]
    draw_marks(drawing, marks)
    limits = [end for _, cells in of_all for _, ratio in cells for end in ends(ratio)]
    reach = theme.ratio_limits([1 / edge, edge, *limits])
    theme.set_log_axis(axes, "x", reach, label=labels.COST_LABEL)
    axes.set(ylim=(height_in, 0), yticks=[], ylabel="")
    for top_in, (host, _) in zip(tops, hosts, strict=True):
        _name(drawing, host, top_in, anchors[host.host, None])
    draw_lines(axes, {1.0: labels.UNCHANGED_LABEL})
    return drawing


def _key(shapes: Mapping[str, str], hosts: Sequence[Shown]) -> list[Line2D]:
    """The shapes of cells, if there is one for each, then the colours that are drawn."""
    entries = []
    if len(shapes) <= len(theme.SHAPES):
        entries = [theme.key_entry(kind, shape) for kind, shape in shapes.items()]
    drawn = {cell.verdict for _, cells in hosts for cell, _ in cells}
    decided = [(v, colour) for v, colour in DECIDED.items() if v in drawn]
    entries += [theme.key_entry(v, "o", colour=colour, linewidth=3) for v, colour in decided]
    if not drawn.isdisjoint(OPEN):
        hollow = {"markerfacecolor": theme.LIGHT["paper"]}
        entries.append(theme.key_entry(fleet_words.OPEN_KEY, "o", **hollow))
    return entries


def _name(drawing: Drawing, host: HostCheck, top_in: float, anchor: str) -> None:
    """Name and verdict left of the lanes, and a hairline above."""
    axes = drawing.axes
    colour = DECIDED.get(host.verdict, "ink") if host.verdict else "ink"
    room = theme.characters(NAMES_IN - theme.MARGIN_IN - 0.05, theme.SMALL_PT)
    left = -(NAMES_IN - theme.MARGIN_IN) / (theme.WIDTH_IN - NAMES_IN - theme.MARGIN_IN)
    place: dict[str, Any] = {"transform": axes.get_yaxis_transform(), "clip_on": False}
    look: dict[str, Any] = {"va": "top", "fontsize": theme.SMALL_PT, **place}
    name, url = shown_name(host.label, limit=room), drawing.url(anchor)
    axes.text(left, top_in, name, color=theme.LIGHT[colour], weight="bold", url=url, **look)
    standing, muted = fleet_words.standing_text(host), theme.LIGHT["muted"]
    axes.text(left, top_in + 0.17, standing, color=muted, **look)
    hairline: dict[str, Any] = {"color": theme.LIGHT["grid"], "linewidth": 0.7, "zorder": 0}
    axes.plot([left, 1], [top_in - GAP_IN / 2] * 2, **hairline, **place)

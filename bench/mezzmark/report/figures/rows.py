"""Figures of rows: encodings under each other, each with its estimates on one shared x axis.

The y axis counts inches down from the top. A row has its name and its value in words on one line,
and below it one or more lanes for marks.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate

import pandas as pd
import seaborn.objects as so
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from mezzmark.model.estimate import Estimate
from mezzmark.report.figures.theme import (
    DASHES,
    LIGHT,
    MARGIN_IN,
    MARKERS,
    PAPER_BOX,
    SHAPES,
    SMALL_PT,
    WIDTH_IN,
    Drawing,
    characters,
    ends,
    new_drawing,
    plot,
)
from mezzmark.report.prose.figures import FigureText
from mezzmark.report.prose.numbers import NAME_LIMIT, shown_name
from mezzmark.report.view import Role

MANY_ROWS = 12
"""More than so many rows stand closer together."""

GAP = "\u00a0\u00a0"
"""Between a reference line and its label."""

LINE_LABEL_IN = 0.17
"""Height of a reference line's label; each has a line of its own above the axes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A name, what stands at the row's end, and where the name leads. A `warning` stands behind
    the text, and both are set in the colour of wrong pictures."""

    name: str
    text: str
    role: Role
    anchor: str
    warning: str = ""
    lane_count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class RowMark:
    """One estimate in a lane of a row, and its link (anchor and words). A `marker` of its own takes
    the place of the role's; a lesser mark is smaller and its interval thinner."""

    row: int
    estimate: Estimate
    role: Role
    link: tuple[str, str] | None
    lane: int = 0
    marker: str = ""
    is_filled: bool = True
    is_lesser: bool = False


@dataclass(frozen=True, slots=True)
class RowGrid:
    """Where rows stand; all lengths are in inches from the top."""

    tops_in: tuple[float, ...]
    name_in: float
    lane_in: float
    height_in: float

    def baseline_in(self, row: int, lane: int = 0) -> float:
        """Where a lane's marks lie: a little below its middle."""
        return self.tops_in[row] + self.name_in + self.lane_in * (lane + 0.6)


def row_grid(rows: Sequence[Row]) -> RowGrid:
    """Room for each row's lanes: few rows breathe, many stay on a page."""
    is_dense = len(rows) > MANY_ROWS
    name_in, lane_in, gap_in = (0.18, 0.16, 0.05) if is_dense else (0.23, 0.26, 0.08)
    if any(row.lane_count > 1 for row in rows):
        lane_in = 0.15
    tops = accumulate((name_in + lane_in * row.lane_count + gap_in for row in rows), initial=0.0)
    *starts, height_in = tops
    return RowGrid(tuple(starts), name_in, lane_in, height_in)


def new_rows(
    text: FigureText, grid: RowGrid, *, key: Sequence[Line2D], line_count: int = 0
) -> Drawing:
    """A drawing with room for the rows, and for labels of so many reference lines above them."""
    drawing = new_drawing(
        text, body_in=grid.height_in, key=key, top_in=0.06 + LINE_LABEL_IN * line_count
    )
    drawing.figure.add_subplot()
    return drawing


def draw_marks(drawing: Drawing, grid: RowGrid, marks: Sequence[RowMark]) -> None:
    """Each mark with the bar of its interval, over what is drawn already."""
    frame = pd.DataFrame(
        {
            "point": point,
            "low": low,
            "high": high,
            "y": grid.baseline_in(mark.row, mark.lane),
            "role": mark.role,
            "marker": mark.marker or MARKERS[mark.role],
            "fill": float(mark.is_filled),
            "size": 5.0 if mark.is_lesser else 7.0,
            "bar": 1.3 if mark.is_lesser else 3.0,
            "number": number,
        }
        for number, mark in enumerate(marks)
        for point, low, high in (ends(mark.estimate),)
    )
    urls = [drawing.url(*mark.link) if mark.link else None for mark in marks]
    under, over = {"zorder": 5}, {"zorder": 6, "urls": urls}
    (
        plot(frame, y="y", color="role", marker="marker", pointsize="size", linewidth="bar")
        .add(
            so.Range(artist_kws={"capstyle": "butt", "zorder": 4}),
            orient="y",
            xmin="low",
            xmax="high",
            group="number",
            legend=False,
        )
        .add(so.Dot(color=LIGHT["paper"], artist_kws=under), x="point", color=None, legend=False)
        .add(
            so.Dot(edgewidth=1.4, edgealpha=1, artist_kws=over),
            x="point",
            alpha="fill",
            legend=False,
        )
        .scale(marker={shape: shape for shape in {*SHAPES, *MARKERS.values(), ">"}})
        .scale(pointsize=None, linewidth=None, alpha=None)
        .on(drawing.axes)
        .plot()
    )


def label_rows(drawing: Drawing, grid: RowGrid, rows: Sequence[Row]) -> None:
    """Names and values above their lanes, and a hairline above each row but the first."""
    axes = drawing.axes
    axes.set(ylim=(grid.height_in, 0), yticks=[], ylabel="")
    across = axes.get_yaxis_transform()
    room = characters(WIDTH_IN - 2 * MARGIN_IN)
    for row, top_in in zip(rows, grid.tops_in, strict=True):
        value = f"{row.text}  {row.warning}" if row.warning else row.text
        y = top_in + 0.12
        axes.text(
            0,
            y,
            shown_name(row.name, limit=max(12, min(NAME_LIMIT, room - len(value) - 2))),
            transform=across,
            va="center",
            weight="normal" if row.role == "other" else "bold",
            color=LIGHT["ink" if row.role == "other" else row.role],
            url=drawing.url(row.anchor),
            zorder=8,
            bbox=PAPER_BOX,
        )
        axes.text(
            1,
            y,
            value,
            transform=across,
            ha="right",
            va="center",
            fontsize=SMALL_PT,
            color=LIGHT["wrong" if row.warning else "ink"],
            zorder=8,
            bbox=PAPER_BOX,
        )
    for top_in in grid.tops_in[1:]:
        axes.axhline(top_in, color=LIGHT["grid"], linewidth=0.7, zorder=0)


def shown_lines(lines: Mapping[float, str], limits: tuple[float, float]) -> dict[float, str]:
    """The reference lines inside the limits, from left to right."""
    return {x: label for x, label in sorted(lines.items()) if limits[0] < x < limits[1]}


def draw_lines(axes: Axes, lines: Mapping[float, str]) -> None:
    """Vertical reference lines, each label on a line of its own above the axes, towards the side
    where there is more room. Outer labels stand higher, so that no line crosses another's."""
    to_share = axes.transData + axes.transAxes.inverted()
    shares = {x: to_share.transform((x, 0))[0] for x in lines}
    order = sorted(lines, key=lambda x: (shares[x] < 0.5, -x if shares[x] < 0.5 else x))
    for level, x in enumerate(order):
        is_left = shares[x] < 0.5
        axes.axvline(x, color=LIGHT["line"], linewidth=1.1, linestyle=DASHES, zorder=1)
        axes.annotate(
            f"{GAP}{lines[x]}" if is_left else f"{lines[x]}{GAP}",
            xy=(x, 1),
            xycoords=axes.get_xaxis_transform(),
            xytext=(0, 2 + 72 * LINE_LABEL_IN * level),
            textcoords="offset points",
            ha="left" if is_left else "right",
            color=LIGHT["line"],
            fontsize=SMALL_PT,
            arrowprops={
                "arrowstyle": "-",
                "color": LIGHT["line"],
                "linewidth": 1.1,
                "relpos": (0 if is_left else 1, 0.9),
                "patchA": None,
                "shrinkA": 0,
                "shrinkB": 0,
            },
        )

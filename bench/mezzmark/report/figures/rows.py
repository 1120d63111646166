"""Figures of rows: encodings under each other, each with its estimates on one shared x axis.

The y axis counts inches down from the top. A row has its name and its value in words on one line,
and below it one or more lanes for marks.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import Any, Final

from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from mezzmark.report.figures import theme
from mezzmark.report.figures.drawing import Drawing, Mark, draw_marks, new_drawing
from mezzmark.report.prose.figures import FigureText
from mezzmark.report.prose.numbers import NAME_LIMIT, shown_name
from mezzmark.report.view import Role

MANY_ROWS: Final = 5  # more than so many rows stand closer together

LINE_LABEL_IN: Final = 0.17
"""Height of a reference line's label; each has a line of its own above the axes."""

GAP: Final = "\u00a0\u00a0"  # between a reference line and its label


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A name, what stands at the row's end, and where the name leads. What it is `about` stands
    before the text where the whole name leaves room; a `warning` stands behind the text, and both
    are set in the colour of wrong pictures."""

    name: str
    text: str
    role: Role
    anchor: str
    about: str = ""
    warning: str = ""
    lane_count: int = 1


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
    name_in, lane_in, gap_in = 0.23, 0.26, 0.08
    if len(rows) > MANY_ROWS:
        name_in, lane_in, gap_in = 0.18, 0.16, 0.05
    if any(row.lane_count > 1 for row in rows):
        lane_in = 0.15
    heights = [name_in + lane_in * row.lane_count + gap_in for row in rows]
    *tops, height_in = accumulate(heights, initial=0.0)
    return RowGrid(tuple(tops), name_in, lane_in, height_in)


def new_rows(
    text: FigureText, grid: RowGrid, *, key: Sequence[Line2D], line_count: int = 0
) -> Drawing:
    """A drawing with room for the rows, and for labels of so many reference lines above them."""
    top_in = 0.06 + LINE_LABEL_IN * line_count
    drawing = new_drawing(text, body_in=grid.height_in, key=key, top_in=top_in)
    drawing.figure.add_subplot()
    return drawing


def label_rows(drawing: Drawing, grid: RowGrid, rows: Sequence[Row]) -> None:
    """Names and values above their lanes, after all marks are drawn; hairlines between."""
    axes = drawing.axes
    axes.set(ylim=(grid.height_in, 0), yticks=[], ylabel="")
    look: dict[str, Any] = {"transform": axes.get_yaxis_transform(), "va": "center", "zorder": 8}
    look["gid"] = theme.HALO
    for row, top_in in zip(rows, grid.tops_in, strict=True):
        value = f"{row.text}  {row.warning}" if row.warning else row.text
        room = theme.characters(theme.INNER_IN) - int(0.9 * len(value)) - 2
        if row.about and room - len(row.about) > len(row.name):
            value = f"{row.about} · {value}"
        name = shown_name(row.name, limit=max(12, min(NAME_LIMIT, room)))
        shade, weight = ("ink", "normal") if row.role == "other" else (row.role, "bold")
        look_left = {"weight": weight, "color": theme.LIGHT[shade], **look}
        axes.text(0, top_in + 0.12, name, url=drawing.url(row.anchor), **look_left)
        shade = "wrong" if row.warning else "ink"
        look_right = {"ha": "right", "fontsize": theme.SMALL_PT, **look}
        axes.text(1, top_in + 0.12, value, color=theme.LIGHT[shade], **look_right)
    for top_in in grid.tops_in[1:]:
        axes.axhline(top_in, color=theme.LIGHT["grid"], linewidth=0.7, zorder=0)


def shown_lines(lines: Mapping[float, str], limits: tuple[float, float]) -> dict[float, str]:
    """The reference lines (value → label) inside the limits."""
    return {x: label for x, label in lines.items() if limits[0] < x < limits[1]}


def finish_rows(
    drawing: Drawing,
    grid: RowGrid,
    rows: Sequence[Row],
    marks: Sequence[Mark],
    limits: tuple[float, float],
    *,
    label: str,
    lines: Mapping[float, str],
) -> None:
    """Marks over what is drawn already, a log axis of this label, names, and reference lines."""
    draw_marks(drawing, marks)
    theme.set_log_axis(drawing.axes, "x", limits, label=label)
    label_rows(drawing, grid, rows)
    draw_lines(drawing.axes, shown_lines(lines, limits))


def draw_lines(axes: Axes, lines: Mapping[float, str]) -> None:
    """Vertical reference lines, each label on a line of its own above the axes: to the right where
    it fits and reaches over no label; outer ones stand higher, so that no line crosses a label."""
    to_share = axes.transData + axes.transAxes.inverted()
    place_in = {x: to_share.transform((x, 0))[0] * theme.INNER_IN for x in lines}

    def reaches(x: float, end_in: float) -> bool:
        room_in = abs(end_in - place_in[x])
        return len(lines[x]) + len(GAP) > theme.characters(room_in, theme.SMALL_PT)

    is_right: dict[float, bool] = {}
    for x in sorted(lines, reverse=True):
        lefts = [other for other, is_so in is_right.items() if not is_so]
        is_under = any(reaches(other, place_in[x]) for other in lefts)
        is_right[x] = not (is_under or reaches(x, theme.INNER_IN))
    order = sorted(lines, key=lambda x: (is_right[x], -x if is_right[x] else x))
    for level, x in enumerate(order):
        axes.axvline(x, color=theme.LIGHT["line"], zorder=1, **theme.DASHED)
        label = f"{GAP}{lines[x]}" if is_right[x] else f"{lines[x]}{GAP}"
        side = 0 if is_right[x] else 1
        lead: dict[str, Any] = {"arrowstyle": "-", "color": theme.LIGHT["line"], "linewidth": 1.1}
        lead |= {"relpos": (side, 0.9), "patchA": None, "shrinkA": 0, "shrinkB": 0}
        look = {"ha": ("left", "right")[side], "color": theme.LIGHT["line"], "arrowprops": lead}
        place, offset = axes.get_xaxis_transform(), (0, 2 + 72 * LINE_LABEL_IN * level)
        theme.note(axes, label, (x, 1), offset, xycoords=place, **look)

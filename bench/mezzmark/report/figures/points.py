"""Points in a plane, with their intervals, each named in place or, of many, numbered with a key."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, product
from math import ceil, cos, radians, sin
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
import seaborn.objects as so
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.transforms import Bbox

from mezzmark.report.figures import theme
from mezzmark.report.figures.drawing import Drawing, Mark, draw_marks, new_drawing
from mezzmark.report.prose import figures as labels
from mezzmark.report.prose.numbers import shown_name

NAMES_UP_TO: Final = 12  # with more points they carry numbers, and a key gives the names

NAME_LIMIT: Final = 24
BODY_IN: Final = 3.7
KEY_LINE_IN: Final = 0.165
KEY_COLUMNS: Final = 2

Axis = Literal["x", "y"]
Place = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A named mark; the name of any other shade than `ink` is bold and placed first."""

    name: str
    mark: Mark
    shade: str = "ink"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneAxis:
    """An axis with lines (value → label); `room` beyond all is a factor, or, if not log, a sum."""

    label: str
    better: Literal["less", "more"]
    room: float
    is_log: bool = True
    lines: Mapping[float, str] = field(default_factory=dict)


def draw_points(
    text: labels.FigureText,
    points: Sequence[Point],
    x: PlaneAxis,
    y: PlaneAxis,
    *,
    key: Sequence[Line2D] = (),
    path: Sequence[Place] = (),
) -> Drawing:
    """Points with the bars of their intervals and their names, reference lines, and in a corner
    which way is better. `path` is a line of level and upright steps through some of them."""
    is_keyed = len(points) > NAMES_UP_TO
    key_in = KEY_LINE_IN * ceil(len(points) / KEY_COLUMNS) + 0.1 if is_keyed else 0.0
    drawing = new_drawing(text, body_in=BODY_IN, key=key, left_in=0.8, bottom_in=0.55 + key_in)
    axes = drawing.figure.add_subplot()
    steps = pd.DataFrame(path, columns=["x", "y"], dtype=float)
    line = so.Path(color=theme.LIGHT["leader"], alpha=0.55, linewidth=1.2)
    theme.plot(steps, x="x", y="y").add(line).on(axes).plot()
    draw_marks(drawing, [point.mark for point in points])
    lines = _set_axis(axes, "x", x, [end for point in points for end in point.mark.x])
    lines += _set_axis(axes, "y", y, [end for point in points for end in point.mark.y])
    is_right, is_top = x.better == "more", y.better == "more"
    sign, better = "◣◢◤◥"[is_right + 2 * is_top], labels.BETTER_LABEL
    place = (0.985 if is_right else 0.015, 0.98 if is_top else 0.02)
    look: dict[str, Any] = {"ha": "right" if is_right else "left", "fontsize": theme.SMALL_PT}
    look |= {"va": "top" if is_top else "bottom", "color": theme.LIGHT["muted"]}
    words = f"{better} {sign}" if is_right else f"{sign} {better}"
    axes.text(*place, words, transform=axes.transAxes, **look)
    _name_points(axes, points, path, lines, is_keyed=is_keyed)
    if is_keyed:
        _draw_key(drawing, points, key_in)
    return drawing


def _set_axis(axes: Axes, which: Axis, axis: PlaneAxis, values: Sequence[float]) -> list[Line2D]:
    """Limits and label, and the reference lines, which are returned, with labels at the far end."""
    held = [*values, *axis.lines]
    if axis.is_log:
        theme.set_log_axis(axes, which, theme.padded(held, room=axis.room), label=axis.label)
    else:
        limits = np.nanmin(held) - axis.room, np.nanmax(held) + axis.room
        axes.set(**{f"{which}lim": limits, f"{which}label": axis.label})
        axes.grid(True, axis=which)
    is_x = which == "x"
    look: dict[str, Any] = {"color": theme.LIGHT["line"], "zorder": 1}
    draw = axes.axvline if is_x else axes.axhline
    lines, offset = [], (-3, -2) if is_x else (-2, 2)
    name: dict[str, Any] = {"ha": "right", "va": "top" if is_x else "bottom", "gid": theme.HALO}
    name["xycoords"] = axes.get_xaxis_transform() if is_x else axes.get_yaxis_transform()
    for value, label in axis.lines.items():
        lines.append(draw(value, **theme.DASHED, **look))
        theme.note(axes, label, (value, 1) if is_x else (1, value), offset, **name, **look)
    return lines


def _look(point: Point) -> dict[str, Any]:
    weight = "normal" if point.shade == "ink" else "bold"
    return {"fontsize": theme.SMALL_PT, "weight": weight, "color": theme.LIGHT[point.shade]}


_SPOTS: Final = tuple(product((9, 18, 32, 50), (0, 180, 90, -90, 45, -45, 135, -135)))
"""Where a name may stand: so many points from the mark's middle, in this direction (degrees)."""


def _name_points(
    axes: Axes,
    points: Sequence[Point],
    path: Sequence[Place],
    lines: Sequence[Line2D],
    *,
    is_keyed: bool,
) -> None:
    """Each name, or number, at the first free spot beside its mark; a line leads to a far one."""
    unit = axes.figure.dpi / 72
    frame = axes.get_window_extent()
    taken = [text.get_window_extent() for text in axes.texts]
    taken += [box for point in points for box in _boxes(axes, point.mark, unit)]
    taken += [_box(axes, start, end, unit) for start, end in pairwise(path)]
    taken += [line.get_window_extent().padded(unit) for line in lines]
    order = sorted(enumerate(points, start=1), key=lambda item: item[1].shade == "ink")
    for number, point in order:
        name = str(number) if is_keyed else shown_name(point.name, limit=NAME_LIMIT)
        probe = axes.text(0, 0, name, **_look(point))
        size = np.array(probe.get_window_extent().size)
        probe.remove()
        place = point.mark.x[0], point.mark.y[0]
        middle = axes.transData.transform(place)
        spots = []
        for reach, angle in _SPOTS:
            towards = np.array((cos(radians(angle)), sin(radians(angle))))
            offset = towards * (reach * unit + size / 2)
            corner = middle + offset - size / 2
            spots.append((reach, offset, Bbox((corner, corner + size))))
        inside = (s for s in spots if frame.contains(*s[2].min) and frame.contains(*s[2].max))
        free = (spot for spot in inside if not spot[2].count_overlaps(taken))
        reach, offset, box = next(free, spots[0])
        taken.append(box)
        lead = {"arrowstyle": "-", "color": theme.LIGHT["muted"], "linewidth": 0.5, "shrinkB": 4}
        look = {"ha": "center", "va": "center", "zorder": 8, **_look(point)}
        look["arrowprops"] = lead if reach > _SPOTS[0][0] else None
        theme.note(axes, name, place, (offset[0] / unit, offset[1] / unit), **look)


def _boxes(axes: Axes, mark: Mark, unit: float) -> Iterator[Bbox]:
    """What a mark and its bars take up, in pixels."""
    (x, x_low, x_high), (y, y_low, y_high) = mark.x, mark.y
    yield _box(axes, (x, y), (x, y), 5 * unit)
    if x_low <= x_high:
        yield _box(axes, (x_low, y), (x_high, y), unit)
    if y_low <= y_high:
        yield _box(axes, (x, y_low), (x, y_high), unit)


def _box(axes: Axes, start: Place, end: Place, pad: float) -> Bbox:
    corners = axes.transData.transform([start, end])
    return Bbox((corners.min(axis=0) - pad, corners.max(axis=0) + pad))


def _draw_key(drawing: Drawing, points: Sequence[Point], key_in: float) -> None:
    """Under the axes, what the numbers stand for."""
    width_in, line_count = theme.WIDTH_IN / KEY_COLUMNS, ceil(len(points) / KEY_COLUMNS)
    room = theme.characters(width_in - theme.MARGIN_IN, theme.SMALL_PT) - 4
    for index, point in enumerate(points):
        column, line = divmod(index, line_count)
        drawing.figure.text(
            (theme.MARGIN_IN + column * width_in) / theme.WIDTH_IN,
            (key_in - KEY_LINE_IN * line) / drawing.figure.get_figheight(),
            f"{index + 1}  {shown_name(point.name, limit=room)}",
            va="top",
            **_look(point),
        )

"""Figures of a plane: encodings as points with intervals, each named in place, or, where there are
many, numbered with a key."""

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

from mezzmark.decide.choose.choice import Choice, ChoicePlane, ChoicePoint, pareto_points
from mezzmark.decide.estimate.ranking import INSTANT_MS, Ranking
from mezzmark.decide.picture.fidelity import EncodingFidelity
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.figures import FigureName
from mezzmark.report.figures import theme
from mezzmark.report.figures.marks import Drawing, Mark, at, draw_marks, ends, new_drawing
from mezzmark.report.prose import figures as labels
from mezzmark.report.prose import run_figures as prose
from mezzmark.report.prose.numbers import shown_name, shown_value
from mezzmark.report.prose.picture import generation_words, quality_text
from mezzmark.report.view import Role, RunView

NAMES_UP_TO: Final = 12
"""With more points they carry numbers, and a key gives the names."""

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
    """An axis with reference lines (value → label); it reaches `room` times beyond all points and
    lines, or, where it is no log axis, by that much."""

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
    _set_axis(axes, "x", x, [end for point in points for end in point.mark.x])
    _set_axis(axes, "y", y, [end for point in points for end in point.mark.y])
    is_right, is_top = x.better == "more", y.better == "more"
    sign, better = "◣◢◤◥"[is_right + 2 * is_top], labels.BETTER_LABEL
    axes.text(
        0.985 if is_right else 0.015,
        0.98 if is_top else 0.02,
        f"{better} {sign}" if is_right else f"{sign} {better}",
        ha="right" if is_right else "left",
        va="top" if is_top else "bottom",
        transform=axes.transAxes,
        color=theme.LIGHT["muted"],
        fontsize=theme.SMALL_PT,
    )
    _name_points(axes, points, path, is_keyed=is_keyed)
    if is_keyed:
        _draw_key(drawing, points, key_in)
    return drawing


def _set_axis(axes: Axes, which: Axis, axis: PlaneAxis, values: Sequence[float]) -> None:
    """Limits and label, and the reference lines with their labels at the far end."""
    held = [*values, *axis.lines]
    if axis.is_log:
        theme.set_log_axis(axes, which, theme.padded(held, room=axis.room), label=axis.label)
    else:
        limits = np.nanmin(held) - axis.room, np.nanmax(held) + axis.room
        axes.set(**{f"{which}lim": limits, f"{which}label": axis.label})
        axes.grid(True, axis=which)
    is_x = which == "x"
    look: dict[str, Any] = {"color": theme.LIGHT["line"], "zorder": 1}
    for value, label in axis.lines.items():
        (axes.axvline if is_x else axes.axhline)(
            value, linestyle=theme.DASHES, linewidth=1.1, **look
        )
        axes.annotate(
            label,
            xy=(value, 1) if is_x else (1, value),
            xycoords=axes.get_xaxis_transform() if is_x else axes.get_yaxis_transform(),
            xytext=(-3, -2) if is_x else (-2, 2),
            textcoords="offset points",
            ha="right",
            va="top" if is_x else "bottom",
            fontsize=theme.SMALL_PT,
            **look,
        )


def _look(point: Point) -> dict[str, Any]:
    weight = "normal" if point.shade == "ink" else "bold"
    return {"fontsize": theme.SMALL_PT, "weight": weight, "color": theme.LIGHT[point.shade]}


_SPOTS: Final = tuple(product((9, 18, 32, 50), (0, 180, 90, -90, 45, -45, 135, -135)))
"""Where a name may stand: so many points from the mark's middle, in this direction (degrees)."""


def _name_points(
    axes: Axes, points: Sequence[Point], path: Sequence[Place], *, is_keyed: bool
) -> None:
    """Each name, or number, at the first spot beside its mark where nothing stands yet; a line
    leads to a farther one."""
    unit = axes.figure.dpi / 72
    frame = axes.get_window_extent()
    taken = [text.get_window_extent() for text in axes.texts]
    taken += [box for point in points for box in _boxes(axes, point.mark, unit)]
    taken += [_box(axes, start, end, unit) for start, end in pairwise(path)]
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
        axes.annotate(
            name,
            xy=place,
            xytext=tuple(offset / unit),
            textcoords="offset points",
            ha="center",
            va="center",
            arrowprops=lead if reach > _SPOTS[0][0] else None,
            zorder=8,
            **_look(point),
        )


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


def draw_size(view: RunView, ranking: Ranking, *, cells: Mapping[str, str]) -> Drawing:
    """Bit rate across, scrub latency upwards; down and to the left is smaller and faster. Marks
    link to `cells`, the anchor of each encoding."""
    entries = [entry for entry in ranking.entries if entry.encoding in view.bitrates_bps]
    points = []
    for entry in entries:
        role, estimate = view.role(entry.encoding), entry.estimates["p50_ms"]
        rate_mbps = view.bitrates_bps[entry.encoding] / 1e6
        words = prose.with_rate(prose.median_words(entry.encoding, estimate), rate_mbps)
        mark = Mark(
            x=at(rate_mbps),
            y=ends(estimate),
            colour=role,
            link=(cells[entry.encoding], words),
            marker=theme.MARKERS[role],
            fill=float(role != "other"),
            bar_pt=2,
        )
        shade = "ink" if role == "other" else role
        points.append(Point(name=entry.encoding, mark=mark, shade=shade))
    roles = [view.role(entry.encoding) for entry in entries]
    instant = {INSTANT_MS: labels.INSTANT_LABEL}
    return draw_points(
        prose.size_text(ranking, entries),
        points,
        PlaneAxis(label=labels.RATE_LABEL, better="less", room=1.5),
        PlaneAxis(label=labels.MEDIAN_LABEL, better="less", room=1.3, lines=instant),
        key=theme.role_key(roles, prose.leader_label(view.choice)),
    )


def draw_quality(judged: Sequence[EncodingFidelity], *, anchors: Mapping[str, str]) -> Drawing:
    """PSNR of generation 1 against bit rate, one mark per lossy encoding. Marks link to `anchors`,
    the row of each encoding in the quality table."""
    points = []
    for entry in judged:
        if "psnr" not in entry.estimates or entry.is_bit_exact:
            continue
        psnr, rate_mbps = entry.estimates["psnr"], entry.bitrate_bps / 1e6
        words = generation_words(entry, 0)
        mark = Mark(
            x=at(rate_mbps),
            y=ends(psnr),
            colour="other",
            link=(anchors[entry.encoding], prose.with_rate(words, rate_mbps)),
            fill=0,
            bar_pt=2,
        )
        points.append(Point(name=entry.encoding, mark=mark))
    room_db = max(0.06 * float(np.ptp([point.mark.y[0] for point in points])), 0.5)
    return draw_points(
        quality_text(judged),
        points,
        PlaneAxis(label=labels.RATE_LABEL, better="less", room=1.5),
        PlaneAxis(label=labels.PSNR_LABEL, better="more", room=room_db, is_log=False),
    )


CHOSEN_PT: Final = 11.0
"""Size of the recommendation's mark."""

FILLS: Final = {"meets": 1.0, "open": 0.35, "ruled out": 0.0, "not judged": 1.0}

SIGNS: Final[dict[str, tuple[str, str, dict[str, Any]]]] = {
    "recommended": ("*", "leader", {"markersize": CHOSEN_PT}),
    "front": ("o", "leader", {}),
    "meets": ("o", "other", {}),
    "open": ("o", "other", {"alpha": FILLS["open"]}),
    "ruled out": ("o", "other", {"markerfacecolor": theme.LIGHT["paper"]}),
    "not judged": ("x", "other", {}),
    "original": (theme.MARKERS["original"], "original", {}),
}
"""Marker, colour and style of each entry of a choice's key."""


def draw_choice(choice: Choice, plane: ChoicePlane, *, anchors: Mapping[str, str]) -> Drawing:
    """Each encoding in the plane of two goals; marks link to `anchors`, the choice table's rows."""
    front = pareto_points(plane)
    key = []
    for sign, label in prose.choice_key(choice).items():
        marker, colour, style = SIGNS[sign]
        key.append(theme.key_entry(label, marker, colour=colour, **style))
    return draw_points(
        prose.choice_text(choice, plane, [point.judged.encoding for point in front]),
        [_choice_point(point, plane, choice, anchors) for point in plane.points],
        _goal_axis(plane.x_goal, plane.x_limits, room=1.5),
        _goal_axis(plane.y_goal, plane.y_limits, room=1.3),
        key=key,
        path=_front_steps(plane, front),
    )


def _goal_axis(goal: FigureName, limits: Sequence[float], *, room: float) -> PlaneAxis:
    shown = [shown_value(limit, goal.unit) for limit in limits]
    lines = {limit: prose.limit_label(limit, goal) for limit in shown}
    return PlaneAxis(label=prose.goal_label(goal), better=goal.better, room=room, lines=lines)


def _choice_point(
    point: ChoicePoint, plane: ChoicePlane, choice: Choice, anchors: Mapping[str, str]
) -> Point:
    entry = point.judged
    is_chosen = entry.encoding == choice.recommendation
    role: Role = "other"
    if entry.encoding == ORIGINAL:
        role = "original"
    elif is_chosen or entry.front in ("on it", "may be on it"):
        role = "leader"
    marker = "x" if entry.status == "not judged" else theme.MARKERS[role]
    mark = Mark(
        x=ends(point.x, factor=shown_value(1.0, plane.x_goal.unit)),
        y=ends(point.y, factor=shown_value(1.0, plane.y_goal.unit)),
        colour=role,
        link=(anchors[entry.encoding], prose.choice_words(point, plane, choice)),
        marker="*" if is_chosen else marker,
        fill=FILLS[entry.status],
        size_pt=CHOSEN_PT if is_chosen else 7.0,
        bar_pt=2,
    )
    shade = role if is_chosen or role == "original" else "ink"
    return Point(name=entry.encoding, mark=mark, shade=shade)


def _front_steps(plane: ChoicePlane, front: Sequence[ChoicePoint]) -> list[Place]:
    """The Pareto set joined by steps, in shown units: between two points of it, along x first
    where less of x is better, for up to the next point nobody offers more."""
    points = [
        (shown_value(p.x.point, plane.x_goal.unit), shown_value(p.y.point, plane.y_goal.unit))
        for p in front
    ]
    steps = points[:1]
    for before, after in pairwise(points):
        is_along_first = plane.x_goal.better == "less"
        steps += [(after[0], before[1]) if is_along_first else (before[0], after[1]), after]
    return steps

"""Figures of a plane: encodings as points with intervals, each named in place, or, where there are
many, numbered with a key."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, product
from math import ceil, cos, radians, sin
from typing import Final, Literal

import numpy as np
import pandas as pd
import seaborn.objects as so
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.transforms import Bbox

from mezzmark.decide.choose.choice import Choice
from mezzmark.decide.choose.plane import ChoicePlane, ChoicePoint, pareto_points
from mezzmark.decide.estimate.ranking import Ranking
from mezzmark.decide.picture.fidelity import EncodingFidelity
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.figures import FigureName
from mezzmark.report.figures.theme import (
    DASHES,
    LIGHT,
    MARGIN_IN,
    MARKERS,
    SMALL_PT,
    WIDTH_IN,
    Drawing,
    characters,
    ends,
    key_entry,
    new_drawing,
    padded,
    plot,
    role_key,
    set_log_axis,
)
from mezzmark.report.prose.figures import (
    BETTER_LABEL,
    INSTANT_LABEL,
    MEDIAN_LABEL,
    ORIGINAL_LABEL,
    PSNR_LABEL,
    RATE_LABEL,
    FigureText,
)
from mezzmark.report.prose.latency import INSTANT_MS
from mezzmark.report.prose.numbers import shown_name, shown_value
from mezzmark.report.prose.picture import generation_words, quality_text
from mezzmark.report.prose.run_figures import (
    choice_key,
    choice_text,
    choice_words,
    goal_label,
    limit_label,
    median_words,
    size_text,
    with_rate,
)
from mezzmark.report.view import Role, RunView

NAMES_UP_TO: Final = 12
"""With more points they carry numbers, and a key gives the names."""

NAME_LIMIT: Final = 24
BODY_IN: Final = 3.7
KEY_LINE_IN: Final = 0.165
KEY_COLUMNS: Final = 2

Ends = tuple[float, float, float]
"""Point, low and high; NaN without an interval."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """An encoding in the plane and its link (anchor and words). `fill` goes from 0 (hollow) to 1;
    a bold one is named before the others."""

    name: str
    x: Ends
    y: Ends
    role: Role
    link: tuple[str, str]
    marker: str
    fill: float = 1.0
    size: float = 7.0
    is_bold: bool = False
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
    text: FigureText,
    points: Sequence[Point],
    x: PlaneAxis,
    y: PlaneAxis,
    *,
    key: Sequence[Line2D] = (),
    path: Sequence[tuple[float, float]] = (),
) -> Drawing:
    """Points with the bars of their intervals and their names, reference lines, and in a corner
    which way is better. `path` is a line of steps through some of them."""
    is_keyed = len(points) > NAMES_UP_TO
    key_in = KEY_LINE_IN * ceil(len(points) / KEY_COLUMNS) + 0.1 if is_keyed else 0.0
    drawing = new_drawing(text, body_in=BODY_IN, key=key, left_in=0.78, bottom_in=0.55 + key_in)
    axes = drawing.figure.add_subplot()
    _plot_points(drawing, points, path)
    for which, axis in (("x", x), ("y", y)):
        _set_axis(axes, which, axis, [value for point in points for value in getattr(point, which)])
    across, up = x.better == "more", y.better == "more"
    axes.text(
        0.985 if across else 0.015,
        0.98 if up else 0.02,
        f"{BETTER_LABEL} {'◥' if up else '◢'}"
        if across
        else f"{'◤' if up else '◣'} {BETTER_LABEL}",
        ha="right" if across else "left",
        va="top" if up else "bottom",
        transform=axes.transAxes,
        color=LIGHT["muted"],
        fontsize=SMALL_PT,
    )
    _name_points(axes, points, path, is_keyed=is_keyed)
    if is_keyed:
        _draw_key(drawing, points, key_in)
    return drawing


def _plot_points(
    drawing: Drawing, points: Sequence[Point], path: Sequence[tuple[float, float]]
) -> None:
    frame = pd.DataFrame(
        {
            **dict(zip(("x", "x_low", "x_high"), point.x, strict=True)),
            **dict(zip(("y", "y_low", "y_high"), point.y, strict=True)),
            "role": point.role,
            "marker": point.marker,
            "fill": point.fill,
            "size": point.size,
            "number": number,
        }
        for number, point in enumerate(points)
    )
    bar = so.Range(linewidth=2, artist_kws={"capstyle": "butt", "zorder": 3})
    under = so.Dot(color=LIGHT["paper"], artist_kws={"zorder": 4})
    urls = [drawing.url(*point.link) for point in points]
    dot = so.Dot(edgewidth=1.4, edgealpha=1, artist_kws={"zorder": 5, "urls": urls})
    steps = pd.DataFrame(path, columns=["x", "y"], dtype=float)
    (
        plot(frame)
        .add(bar, x="x", ymin="y_low", ymax="y_high", color="role", group="number", legend=False)
        .add(
            bar,
            y="y",
            xmin="x_low",
            xmax="x_high",
            color="role",
            group="number",
            orient="y",
            legend=False,
        )
        .add(under, x="x", y="y", marker="marker", pointsize="size", legend=False)
        .add(
            dot,
            x="x",
            y="y",
            color="role",
            marker="marker",
            pointsize="size",
            alpha="fill",
            legend=False,
        )
        .add(so.Path(color=LIGHT["leader"], alpha=0.55), data=steps, x="x", y="y", legend=False)
        .scale(marker={shape: shape for shape in frame["marker"]}, pointsize=None, alpha=None)
        .on(drawing.axes)
        .plot()
    )


def _set_axis(axes: Axes, which: Literal["x", "y"], axis: PlaneAxis, values: list[float]) -> None:
    """Limits and label, and the reference lines with their labels at the far end."""
    held = [*values, *axis.lines]
    if axis.is_log:
        set_log_axis(axes, which, padded(held, room=axis.room), label=axis.label)
    else:
        low, high = np.nanmin(held) - axis.room, np.nanmax(held) + axis.room
        axes.set(**{f"{which}lim": (low, high), f"{which}label": axis.label})
        axes.grid(True, axis=which)
    is_x = which == "x"
    for value, label in axis.lines.items():
        draw = axes.axvline if is_x else axes.axhline
        draw(value, color=LIGHT["line"], linewidth=1.1, linestyle=DASHES, zorder=1)
        axes.annotate(
            label,
            xy=(value, 1) if is_x else (1, value),
            xycoords=axes.get_xaxis_transform() if is_x else axes.get_yaxis_transform(),
            xytext=(-3, -2) if is_x else (-2, 2),
            textcoords="offset points",
            ha="right",
            va="top" if is_x else "bottom",
            color=LIGHT["line"],
            fontsize=SMALL_PT,
        )


_SPOTS: Final = tuple(product((9, 18, 32, 50), (0, 180, 90, -90, 45, -45, 135, -135)))
"""Where a name may stand: so many points from the mark's middle, in this direction."""


def _name_points(
    axes: Axes, points: Sequence[Point], path: Sequence[tuple[float, float]], *, is_keyed: bool
) -> None:
    """Each name, or number, at the first spot beside its mark where nothing stands yet; a line
    leads to a farther one."""
    unit = axes.figure.dpi / 72
    frame = axes.get_window_extent()
    taken = [text.get_window_extent() for text in axes.texts]
    for point in points:
        taken += [
            _box(axes, (point.x[0], point.y[0]), (point.x[0], point.y[0]), 5 * unit),
            _box(axes, (point.x[1], point.y[0]), (point.x[2], point.y[0]), unit),
            _box(axes, (point.x[0], point.y[1]), (point.x[0], point.y[2]), unit),
        ]
    taken += [_box(axes, *step, unit) for step in pairwise(path)]
    taken = [box for box in taken if np.isfinite(box.get_points()).all()]
    numbered = sorted(enumerate(points, start=1), key=lambda item: not item[1].is_bold)
    for number, point in numbered:
        name = str(number) if is_keyed else shown_name(point.name, limit=NAME_LIMIT)
        look = {
            "fontsize": SMALL_PT,
            "weight": "bold" if point.is_bold else "normal",
            "color": LIGHT[point.shade],
        }
        probe = axes.text(0, 0, name, **look)
        size = np.array(probe.get_window_extent().size)
        probe.remove()
        at = axes.transData.transform((point.x[0], point.y[0]))
        spots = []
        for reach, angle in _SPOTS:
            towards = np.array((cos(radians(angle)), sin(radians(angle))))
            middle = at + towards * (reach * unit + size / 2)
            spots.append((reach, middle, Bbox((middle - size / 2, middle + size / 2))))
        reach, middle, box = next(
            (s for s in spots if s[2].count_overlaps(taken) == 0 and _holds(frame, s[2])), spots[0]
        )
        taken.append(box)
        lead = {"arrowstyle": "-", "color": LIGHT["muted"], "linewidth": 0.5, "shrinkB": 4}
        axes.annotate(
            name,
            xy=(point.x[0], point.y[0]),
            xytext=(middle - at) / unit,
            textcoords="offset points",
            ha="center",
            va="center",
            arrowprops=lead if reach > _SPOTS[0][0] else None,
            zorder=8,
            **look,
        )


def _box(axes: Axes, start: tuple[float, float], end: tuple[float, float], pad: float) -> Bbox:
    """What a level or upright stroke, `pad` wide to either side, takes up; in pixels."""
    corners = axes.transData.transform([start, end])
    return Bbox((corners.min(axis=0) - pad, corners.max(axis=0) + pad))


def _holds(frame: Bbox, box: Bbox) -> bool:
    return bool((frame.min <= box.min).all() and (box.max <= frame.max).all())


def _draw_key(drawing: Drawing, points: Sequence[Point], key_in: float) -> None:
    """Under the axes, what the numbers stand for."""
    figure = drawing.figure
    width_in, line_count = WIDTH_IN / KEY_COLUMNS, ceil(len(points) / KEY_COLUMNS)
    room = characters(width_in - MARGIN_IN, SMALL_PT) - 4
    for index, point in enumerate(points):
        column, line = divmod(index, line_count)
        figure.text(
            (MARGIN_IN + column * width_in) / WIDTH_IN,
            (key_in - KEY_LINE_IN * line) / figure.get_figheight(),
            f"{index + 1}  {shown_name(point.name, limit=room)}",
            va="top",
            fontsize=SMALL_PT,
            weight="bold" if point.is_bold else "normal",
            color=LIGHT[point.shade],
        )


def draw_size(view: RunView, ranking: Ranking, *, cells: Mapping[str, str]) -> Drawing:
    """Bit rate across, scrub latency upwards; down and to the left is smaller and faster. Marks
    link to `cells`, the anchor of each encoding."""
    entries = [entry for entry in ranking.entries if entry.encoding in view.bitrates_bps]
    points = []
    for entry in entries:
        role, estimate = view.role(entry.encoding), entry.estimates["p50_ms"]
        rate_mbps = view.bitrates_bps[entry.encoding] / 1e6
        words = with_rate(median_words(entry.encoding, estimate), rate_mbps)
        points.append(
            Point(
                name=entry.encoding,
                x=(rate_mbps, np.nan, np.nan),
                y=ends(estimate),
                role=role,
                link=(cells[entry.encoding], words),
                marker=MARKERS[role],
                fill=float(role != "other"),
                is_bold=role != "other",
                shade="ink" if role == "other" else role,
            )
        )
    return draw_points(
        size_text(view, ranking, entries),
        points,
        PlaneAxis(label=RATE_LABEL, better="less", room=1.5),
        PlaneAxis(label=MEDIAN_LABEL, better="less", room=1.3, lines={INSTANT_MS: INSTANT_LABEL}),
        key=role_key([point.role for point in points], view.leader_words, ORIGINAL_LABEL),
    )


def draw_quality(
    judged: Sequence[EncodingFidelity], *, anchors: Mapping[str, str], confidence_level: float
) -> Drawing:
    """PSNR of generation 1 against bit rate, one mark per lossy encoding. Marks link to `anchors`,
    the row of each encoding in the quality table."""
    points = []
    for entry in judged:
        if "PSNR" not in entry.estimates or entry.is_bit_exact:
            continue
        psnr, rate_mbps = entry.estimates["PSNR"], entry.bitrate_bps / 1e6
        words = with_rate(generation_words(entry, 0, confidence_level=confidence_level), rate_mbps)
        low, high = (np.nan if end is None else end for end in (psnr.low, psnr.high))
        points.append(
            Point(
                name=entry.encoding,
                x=(rate_mbps, np.nan, np.nan),
                y=(psnr.point, low, high),
                role="other",
                link=(anchors[entry.encoding], words),
                marker="o",
                fill=0.0,
            )
        )
    spread_db = np.ptp([point.y[0] for point in points])
    return draw_points(
        quality_text(judged),
        points,
        PlaneAxis(label=RATE_LABEL, better="less", room=1.5),
        PlaneAxis(
            label=PSNR_LABEL, better="more", room=max(0.06 * float(spread_db), 0.5), is_log=False
        ),
    )


CHOSEN_SIZE: Final = 11.0
"""Of the recommendation's mark; others are 7 points wide."""

FILLS: Final = {"meets": 1.0, "open": 0.35, "ruled out": 0.0, "not judged": 1.0}


def draw_choice(choice: Choice, plane: ChoicePlane, *, anchors: Mapping[str, str]) -> Drawing:
    """Each encoding in the plane of two goals; marks link to `anchors`, the choice table's rows."""
    front = pareto_points(plane)
    words = choice_key(choice)
    signs = {
        "recommended": key_entry("", "*", colour="leader", size_pt=CHOSEN_SIZE),
        "front": key_entry("", "o", colour="leader"),
        "meets": key_entry("", "o", colour="other"),
        "open": key_entry("", "o", colour="other", alpha=FILLS["open"]),
        "ruled out": key_entry("", "o", colour="other", fill="none"),
        "not judged": key_entry("", "x", colour="other"),
        "original": key_entry("", "D", colour="original"),
    }
    for sign, label in words.items():
        signs[sign].set_label(label)
    return draw_points(
        choice_text(choice, plane, [point.judged.encoding for point in front]),
        [_choice_point(point, plane, choice, anchors) for point in plane.points],
        _goal_axis(plane.x_goal, plane.x_limits, room=1.5),
        _goal_axis(plane.y_goal, plane.y_limits, room=1.3),
        key=[signs[sign] for sign in words],
        path=_front_steps(plane, front),
    )


def _goal_axis(goal: FigureName, limits: Sequence[float], *, room: float) -> PlaneAxis:
    shown = [shown_value(limit, goal.unit) for limit in limits]
    return PlaneAxis(
        label=goal_label(goal),
        better=goal.better,
        room=room,
        lines={limit: limit_label(limit, goal) for limit in shown},
    )


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
    marker = "x" if entry.status == "not judged" else MARKERS[role]
    return Point(
        name=entry.encoding,
        x=ends(point.x, factor=shown_value(1.0, plane.x_goal.unit)),
        y=ends(point.y, factor=shown_value(1.0, plane.y_goal.unit)),
        role=role,
        link=(anchors[entry.encoding], choice_words(point, plane, choice)),
        marker="*" if is_chosen else marker,
        fill=FILLS[entry.status],
        size=CHOSEN_SIZE if is_chosen else 7.0,
        is_bold=is_chosen or role == "original",
        shade="leader" if is_chosen else "original" if role == "original" else "ink",
    )


def _front_steps(plane: ChoicePlane, front: Sequence[ChoicePoint]) -> list[tuple[float, float]]:
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

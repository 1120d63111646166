"""The choice as a picture: two goals, the needs' limits, who is beaten by nobody, who is chosen."""

from collections.abc import Mapping
from itertools import pairwise
from typing import Final, Literal

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Text

from mezzmark.decide.choose.choice import Choice
from mezzmark.model.estimate import Estimate
from mezzmark.model.figures import FigureName
from mezzmark.report.figures.choice_points import (
    ChoicePlane,
    ChoicePoint,
    key_name,
    pareto_points,
    point_words,
)
from mezzmark.report.figures.labels import (
    KEY_LIMIT,
    NAME_LIMIT,
    NAMES_UP_TO,
    PointLabel,
    draw_key,
    label_points,
    scatter_frame,
)
from mezzmark.report.figures.marks import mark_url
from mezzmark.report.figures.rows import legend_below
from mezzmark.report.figures.theme import FONT_PT, Shape, colour, new_axes, padded, set_log_axis
from mezzmark.report.prose.choice import rounds_text
from mezzmark.report.prose.numbers import (
    list_text,
    number_text,
    shown_name,
    shown_unit,
    shown_value,
)

CORNERS: Final = {
    ("less", "less"): (0.012, 0.02, "left", "bottom", "◣ better"),
    ("more", "less"): (0.988, 0.02, "right", "bottom", "better ◢"),
    ("less", "more"): (0.012, 0.98, "left", "top", "◤ better"),
    ("more", "more"): (0.988, 0.98, "right", "top", "better ◥"),
}
"""By which way is better across and upwards: x, y, alignment and words in axes units."""


def set_choice_axes(axes: Axes, plane: ChoicePlane, shape: Shape) -> list[Text]:
    """Both axes with the needs' limits, and the texts that stand between them."""
    texts = []
    sides: tuple[tuple[Literal["x", "y"], FigureName, tuple[float, ...]], ...] = (
        ("x", plane.x_goal, plane.x_limits),
        ("y", plane.y_goal, plane.y_limits),
    )
    for which, goal, limits in sides:
        values = [
            shown_value(value, goal.unit)
            for point in plane.points
            for value in _ends(point.x if which == "x" else point.y)
        ]
        shown_limits = [shown_value(limit, goal.unit) for limit in limits]
        low, high = padded([*values, *shown_limits], factor=1.5 if which == "x" else 1.3)
        most = 10 if shape == "wide" else 5
        set_log_axis(axes, which, low=low, high=high, label=_axis_words(goal, shape), most=most)
        for limit in shown_limits:
            texts.append(_draw_limit(axes, which, limit, goal))
    x, y, ha, va, words = CORNERS[plane.x_goal.better, plane.y_goal.better]
    texts.append(
        axes.text(
            x,
            y,
            words,
            ha=ha,
            va=va,
            transform=axes.transAxes,
            color=colour("muted"),
            fontsize=FONT_PT - 0.5,
        )
    )
    return texts


def _axis_words(goal: FigureName, shape: Shape) -> str:
    label = goal.label if shape == "wide" else goal.meaning
    unit = shown_unit(goal.unit)
    return f"{label}, {unit} (log scale)" if shape == "wide" else f"{label}, {unit}"


def _draw_limit(axes: Axes, which: Literal["x", "y"], limit: float, goal: FigureName) -> Text:
    """The line that a need draws; the side that meets it is named."""
    draw = axes.axvline if which == "x" else axes.axhline
    draw(limit, color=colour("line"), linewidth=1.1, linestyle=(0, (4, 2.5)), zorder=1)
    sign = "≤" if goal.better == "less" else "≥"
    words = f"need: {sign} {number_text(limit)} {shown_unit(goal.unit)}"
    transform = axes.get_xaxis_transform() if which == "x" else axes.get_yaxis_transform()
    return axes.annotate(
        words,
        xy=(limit, 1) if which == "x" else (1, limit),
        xycoords=transform,
        xytext=(-3, -2) if which == "x" else (-2, 2),
        textcoords="offset points",
        ha="right",
        va="top" if which == "x" else "bottom",
        color=colour("line"),
        fontsize=FONT_PT - 0.5,
    )


def _ends(estimate: Estimate) -> list[float]:
    return [v for v in (estimate.point, estimate.low, estimate.high) if v]


CHOSEN_SIZE: Final = 11
"""The recommendation's mark; others are 7 points wide."""

LEGEND_IN: Final = {"wide": 0.78, "narrow": 1.05}
"""Room under the axes for axis label and legend."""


def draw_choice(
    choice: Choice, plane: ChoicePlane, shape: Shape, *, anchors: Mapping[str, str]
) -> Figure:
    """Each encoding in the plane of two goals; marks link to `anchors`, the choice table's rows."""
    is_keyed = len(plane.points) > NAMES_UP_TO[shape]
    body, margins = scatter_frame(
        shape, len(plane.points) if is_keyed else 0, below_in=LEGEND_IN[shape]
    )
    figure, axes = new_axes(
        shape,
        title="What meets your needs, and at what price",
        subtitle=_subtitle(choice, plane),
        body_in=body,
        margins=margins,
    )
    texts = set_choice_axes(axes, plane, shape)
    _draw_front(axes, plane)
    for point in plane.points:
        _draw_point(axes, point, plane, choice, anchors)
    labels = [
        _label(index, point, plane, choice, shape, is_keyed)
        for index, point in enumerate(plane.points)
    ]
    label_points(axes, labels, others=texts, lines=_front_line(plane))
    if is_keyed:
        names = [key_name(point, choice, KEY_LIMIT[shape]) for point in plane.points]
        lines = [f"{index + 1}  {name}" for index, name in enumerate(names)]
        draw_key(axes, lines, shape, below_in=LEGEND_IN[shape])
    _legend(axes, shape, choice)
    return figure


def _subtitle(choice: Choice, plane: ChoicePlane) -> str:
    bare = [e for p in plane.points for e in (p.x, p.y) if e.low is None]
    is_short = any(not estimate.is_exact for estimate in bare)
    why = "figures without a bar " + (
        "are known exactly, or need more rounds for one" if is_short else "are known exactly"
    )
    text = f"{rounds_text(choice)}; bars: {choice.confidence_level * 100:g} % intervals; {why}."
    if choice.unit_count == 0:
        text = "These figures are known exactly."
    if plane.missing:
        text += f" Not in the picture, for want of a figure: {list_text(plane.missing, limit=3)}."
    return text


def _draw_front(axes: Axes, plane: ChoicePlane) -> None:
    """The Pareto set joined by steps: what lies beyond the line is beaten by a point on it."""
    line = _front_line(plane)
    axes.plot(
        [x for x, _ in line],
        [y for _, y in line],
        color=colour("lead"),
        linewidth=1.2,
        alpha=0.55,
        zorder=2,
    )


def _front_line(plane: ChoicePlane) -> list[tuple[float, float]]:
    """Corners of the steps, in shown units: between two points of the set, along x first where
    less of x is better, for up to the next point nobody offers more."""
    points = [
        (shown_value(p.x.point, plane.x_goal.unit), shown_value(p.y.point, plane.y_goal.unit))
        for p in pareto_points(plane)
    ]
    line = points[:1]
    for before, after in pairwise(points):
        is_along_first = plane.x_goal.better == "less"
        line += [(after[0], before[1]) if is_along_first else (before[0], after[1]), after]
    return line


def _draw_point(
    axes: Axes,
    point: ChoicePoint,
    plane: ChoicePlane,
    choice: Choice,
    anchors: Mapping[str, str],
) -> None:
    entry, shade = point.judged, colour(_shade(point, choice))
    x, y = (
        shown_value(estimate.point, goal.unit)
        for estimate, goal in ((point.x, plane.x_goal), (point.y, plane.y_goal))
    )
    for estimate, goal, is_across in (
        (point.x, plane.x_goal, True),
        (point.y, plane.y_goal, False),
    ):
        ends = _interval(estimate, goal)
        if ends:
            line = (ends, (y, y)) if is_across else ((x, x), ends)
            axes.plot(*line, color=shade, linewidth=2, zorder=3)
    is_chosen = entry.encoding == choice.recommendation
    is_in_play = entry.status in ("meets", "open")
    axes.plot(
        [x],
        [y],
        marker="*" if is_chosen else "x" if entry.status == "not judged" else "o",
        markersize=CHOSEN_SIZE if is_chosen else 7,
        markerfacecolor=shade if is_in_play else colour("paper"),
        markerfacecoloralt=colour("paper"),
        fillstyle="left" if is_in_play and entry.status == "open" and not is_chosen else "full",
        markeredgecolor=shade,
        markeredgewidth=1.4,
        linestyle="none",
        zorder=5 if is_chosen else 4,
        url=mark_url(anchors[entry.encoding], point_words(point, plane, choice)),
    )


def _shade(point: ChoicePoint, choice: Choice) -> str:
    entry = point.judged
    if entry.encoding == choice.recommendation or entry.front in ("on it", "may be on it"):
        return "lead"
    return "rest"


def _interval(estimate: Estimate, goal: FigureName) -> tuple[float, float] | None:
    if estimate.low is None or estimate.high is None:
        return None
    return shown_value(estimate.low, goal.unit), shown_value(estimate.high, goal.unit)


def _label(
    index: int, point: ChoicePoint, plane: ChoicePlane, choice: Choice, shape: Shape, is_keyed: bool
) -> PointLabel:
    entry = point.judged
    is_chosen = entry.encoding == choice.recommendation
    return PointLabel(
        text=str(index + 1) if is_keyed else shown_name(entry.encoding, limit=NAME_LIMIT[shape]),
        x=shown_value(point.x.point, plane.x_goal.unit),
        y=shown_value(point.y.point, plane.y_goal.unit),
        x_interval=_interval(point.x, plane.x_goal),
        y_interval=_interval(point.y, plane.y_goal),
        shade="lead" if is_chosen else "ink" if entry.status != "ruled out" else "muted",
        is_bold=is_chosen,
    )


def _legend(axes: Axes, shape: Shape, choice: Choice) -> None:
    handles = [
        _handle("lead", "no other beats it"),
        _handle("rest", "another beats it"),
        _handle("lead", "needs open", fill="left"),
        _handle("rest", "ruled out", fill="none"),
    ]
    if choice.recommendation is not None:
        handles.insert(0, _handle("lead", "recommended", marker="*", size=CHOSEN_SIZE))
    if any(entry.status == "not judged" for entry in choice.encodings):
        handles.append(_handle("rest", "not judged", marker="x"))
    legend_below(axes, handles, shape=shape, columns=6 if shape == "wide" else 2)


def _handle(
    shade: str,
    label: str,
    *,
    marker: str = "o",
    size: float = 7,
    fill: Literal["full", "left", "none"] = "full",
) -> Line2D:
    return Line2D(
        [],
        [],
        color=colour(shade),
        marker=marker,
        markersize=size,
        markeredgewidth=1.4,
        markerfacecoloralt=colour("paper"),
        fillstyle=fill,
        linestyle="none",
        label=label,
    )

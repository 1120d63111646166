"""The axes of the choice's picture: two goals, the limits of needs, and which way is better."""

from typing import Final, Literal

from matplotlib.axes import Axes
from matplotlib.text import Text

from mezzmark.decide.wording import number_text, shown_unit, shown_value
from mezzmark.facts.choosing_figures import FigureName
from mezzmark.facts.estimates import Estimate
from mezzmark.report.figure_choice_points import ChoicePlane
from mezzmark.report.look import FONT_PT, Shape, colour, padded, set_log_axis

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

"""The frame of a figure with one row per encoding: labels, values in words, a shared x axis."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Literal

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import ScaledTranslation

from mezzmark.report.figures.theme import (
    CHARACTER_IN,
    FONT_PT,
    WIDTH_IN,
    Margins,
    Shape,
    colour,
    figure_of,
    new_axes,
)
from mezzmark.report.prose.numbers import shown_name
from mezzmark.report.view import Role

BOLD_IN = 0.076
"""Mean advance of a bold character at the figures' font size."""

LABEL_CHARACTER_IN = CHARACTER_IN * 0.92
"""Mean advance in a reference line's label, which is set a little smaller."""

LABEL_GAP_IN = 4 / 72
"""Between a reference line and its own label, and at least between the label and other lines."""

LEGEND_LINE_IN = 0.17
"""Height of one line of a legend."""

LABEL_LIMIT = {"wide": 40, "narrow": 30}
_FONT_WEIGHT: dict[Role, str] = {"original": "bold", "lead": "bold", "rest": "normal"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One encoding: its name, what stands at the row's end, and where its label links to.

    A `warning` stands behind the text, and both are set in the colour of wrong pictures.
    """

    encoding: str
    text: str
    role: Role
    anchor: str
    warning: str = ""

    @property
    def full_text(self) -> str:
        """The text at the row's end with its warning."""
        return f"{self.text}  {self.warning}" if self.warning else self.text


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceLine:
    """A vertical line with its meaning, in the axis' unit; `short` is the meaning for a phone."""

    value: float
    label: str
    short: str


def row_axes(
    shape: Shape,
    *,
    title: str,
    subtitle: str,
    rows: Sequence[Row],
    lines: Sequence[ReferenceLine] = (),
    legend_lines: int = 2,
) -> tuple[Figure, Axes]:
    """A figure whose row k lies at y = k, first row on top, labelled, with reference lines and
    room for a legend of so many lines.

    The caller sets the x axis afterwards; reference lines outside it are not shown.
    """
    height = _row_height(len(rows), shape)
    labels = [shown_name(row.encoding, limit=LABEL_LIMIT[shape]) for row in rows]
    if shape == "wide":
        left = 0.3 + BOLD_IN * max(len(label) for label in labels)
        right = 0.25 + CHARACTER_IN * max(len(row.full_text) for row in rows)
    else:
        left = right = 0.18
    bottom = 0.74 + LEGEND_LINE_IN * max(0, legend_lines - 2)
    margins = Margins(left=left, right=right, top=0.1 + 0.17 * len(lines), bottom=bottom)
    figure, axes = new_axes(
        shape,
        title=title,
        subtitle=subtitle,
        body_in=height * len(rows) + 0.1,
        margins=margins,
    )
    below = 0.6
    axes.set_ylim(len(rows) - 1 + below, -(1.2 - below) - (0.1 if shape == "narrow" else 0))
    axes.set_yticks([])
    width = WIDTH_IN[shape] - left - right
    for index, (row, label) in enumerate(zip(rows, labels, strict=True)):
        _label_row(axes, shape, index, row, label, width)
    return figure, axes


def _row_height(count: int, shape: Shape) -> float:
    """Inches per row: fewer rows breathe, many stay on a page."""
    if shape == "narrow":
        return 0.58 if count <= 12 else 0.46
    return 0.46 if count <= 12 else 0.27


def _label_row(axes: Axes, shape: Shape, index: int, row: Row, label: str, width_in: float) -> None:
    transform = axes.get_yaxis_transform()
    weight = _FONT_WEIGHT[row.role]
    shade = colour("ink" if row.role == "rest" else row.role)
    is_wide = shape == "wide"
    y = index if is_wide else index - 0.36
    name = axes.text(
        -0.12 / width_in if is_wide else 0,
        y,
        label,
        transform=transform,
        ha="right" if is_wide else "left",
        va="center",
        weight=weight,
        color=shade,
        url=f"#{row.anchor}",
    )
    value = axes.text(
        1 + 0.1 / width_in if is_wide else 1,
        y,
        row.full_text,
        transform=transform,
        ha="left" if is_wide else "right",
        va="center",
        color=colour("wrong" if row.warning else "ink"),
        fontsize=FONT_PT - 0.5,
    )
    for text in (name, value):
        text.set_zorder(6)
        if not is_wide:  # names lie on top of the marks of the row above
            text.set_bbox({"facecolor": colour("paper"), "alpha": 0.8, "linewidth": 0, "pad": 0.5})


def draw_lines(axes: Axes, lines: Sequence[ReferenceLine], shape: Shape) -> None:
    """Reference lines inside the x limits, each with its label above the axes.

    Labels stand left or right of their lines on as few levels as it takes to touch neither each
    other nor another line; they are shortened where the long ones find no place.
    """
    low, high = axes.get_xlim()
    inside = sorted((line for line in lines if low < line.value < high), key=lambda x: x.value)
    place = axes.get_position()
    figure_in = figure_of(axes).get_figwidth()
    to_share = axes.transAxes.inverted().transform
    x_in = [
        figure_in
        * (place.x0 + place.width * float(to_share(axes.transData.transform((line.value, 0)))[0]))
        for line in inside
    ]
    short = [line.short for line in inside]
    long = [line.label for line in inside]
    labels = short
    spots: tuple[Spot, ...] = tuple((index, "right") for index in range(len(inside)))
    for texts in (long, short) if shape == "wide" else (short,):
        widths = [LABEL_CHARACTER_IN * len(text) for text in texts]
        found = place_labels(x_in, widths, figure_in=figure_in)
        if found is not None:
            labels, spots = texts, found
            break
    for line, label, (level, side) in zip(inside, labels, spots, strict=True):
        _draw_line(axes, line.value, label, level, side == "left")


Spot = tuple[int, Literal["left", "right"]]
"""A label's level above the axes, and the side of its line on which it stands."""


def place_labels(
    x_in: Sequence[float], widths_in: Sequence[float], *, figure_in: float
) -> tuple[Spot, ...] | None:
    """Where labels of vertical lines at `x_in` may stand, on the lowest levels; None without any
    way to keep them apart. A line reaches up to its own label's level. Lengths in inches."""
    levels = range(len(x_in))
    spots: list[Spot] = [(level, side) for level in levels for side in ("left", "right")]
    ways = sorted(
        product(spots, repeat=len(x_in)),
        key=lambda way: (max((s[0] for s in way), default=0), sum(s[0] for s in way)),
    )
    return next((way for way in ways if _keeps_apart(way, x_in, widths_in, figure_in)), None)


def _keeps_apart(
    way: Sequence[Spot], x_in: Sequence[float], widths_in: Sequence[float], figure_in: float
) -> bool:
    extents = [
        (x - LABEL_GAP_IN - width, x - LABEL_GAP_IN)
        if side == "left"
        else (x + LABEL_GAP_IN, x + LABEL_GAP_IN + width)
        for (_, side), x, width in zip(way, x_in, widths_in, strict=True)
    ]
    for i, (left, right) in enumerate(extents):
        if left < 0 or right > figure_in:
            return False
        for j, other in enumerate(extents):
            if i == j:
                continue
            is_cut = way[j][0] >= way[i][0] and left - LABEL_GAP_IN < x_in[j] < right + LABEL_GAP_IN
            is_met = way[j][0] == way[i][0] and left < other[1] and other[0] < right
            if is_cut or is_met:
                return False
    return True


def _draw_line(axes: Axes, value: float, label: str, level: int, to_the_left: bool) -> None:
    dashes = (0, (4, 2.5))
    axes.axvline(value, color=colour("line"), linewidth=1.1, linestyle=dashes, zorder=1)
    axes.annotate(
        label,
        xy=(value, 1),
        xycoords=axes.get_xaxis_transform(),
        xytext=(-4 if to_the_left else 4, 3 + 12 * level),
        textcoords="offset points",
        ha="right" if to_the_left else "left",
        va="bottom",
        color=colour("line"),
        fontsize=FONT_PT - 0.5,
    )
    axes.annotate(
        "",
        xy=(value, 1),
        xycoords=axes.get_xaxis_transform(),
        xytext=(0, 12 + 12 * level),
        textcoords="offset points",
        arrowprops={
            "arrowstyle": "-",
            "color": colour("line"),
            "linewidth": 1.1,
            "shrinkA": 0,
            "shrinkB": 0,
        },
    )


def stripe(axes: Axes, count: int) -> None:
    """A hairline between rows, so that the eye keeps its row over a wide page."""
    for index in range(count - 1):
        axes.axhline(index + 0.5, color=colour("grid"), linewidth=0.6, zorder=0)


def legend_below(axes: Axes, handles: Sequence[Artist], *, shape: Shape, columns: int) -> None:
    """A legend under the axis label, from the left edge of the axes."""
    down = ScaledTranslation(0, -0.44, axes.figure.dpi_scale_trans)
    axes.legend(
        handles=list(handles),
        loc="upper left",
        bbox_to_anchor=(0, 0),
        bbox_transform=axes.transAxes + down,
        ncols=columns,
        frameon=False,
        labelcolor=colour("muted"),
        fontsize=FONT_PT - 1,
        handlelength=1.6 if shape == "narrow" else 2.4,
        columnspacing=0.9 if shape == "narrow" else 1.8,
        handletextpad=0.5,
        borderpad=0,
        borderaxespad=0,
    )

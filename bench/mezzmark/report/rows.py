"""The frame of a figure with one row per encoding: labels, values in words, a shared x axis."""

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import ScaledTranslation

from mezzmark.decide.wording import shown_name
from mezzmark.report.look import (
    CHARACTER_IN,
    FONT_PT,
    WIDTH_IN,
    Margins,
    Role,
    Shape,
    colour,
    figure_of,
    new_axes,
)

BOLD_IN = 0.076
"""Mean advance of a bold character at the figures' font size."""

LABEL_CHARACTER_IN = CHARACTER_IN * 0.92
"""Mean advance in a reference line's label, which is set a little smaller."""

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
) -> tuple[Figure, Axes]:
    """A figure whose row k lies at y = k, first row on top, labelled, with reference lines.

    The caller sets the x axis afterwards; reference lines outside it are not shown.
    """
    height = _row_height(len(rows), shape)
    labels = [shown_name(row.encoding, limit=LABEL_LIMIT[shape]) for row in rows]
    if shape == "wide":
        left = 0.3 + BOLD_IN * max(len(label) for label in labels)
        right = 0.25 + CHARACTER_IN * max(len(row.full_text) for row in rows)
    else:
        left = right = 0.18
    margins = Margins(left=left, right=right, top=0.1 + 0.17 * len(lines), bottom=0.74)
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

    Labels share a level where the left one fits to the left of its line and the right one to the
    right; otherwise they stand on levels of their own.
    """
    low, high = axes.get_xlim()
    inside = sorted((line for line in lines if low < line.value < high), key=lambda x: x.value)
    shares = [
        float(axes.transAxes.inverted().transform(axes.transData.transform((line.value, 0)))[0])
        for line in inside
    ]
    labels = [line.label if shape == "wide" else line.short for line in inside]
    is_level = _fit_side_by_side(axes, shares, labels)
    if not is_level:
        labels = [line.short for line in inside]
        is_level = _fit_side_by_side(axes, shares, labels)
    for index, (line, label) in enumerate(zip(inside, labels, strict=True)):
        to_the_left = index == 0 if is_level else shares[index] > 0.5
        _draw_line(axes, line.value, label, 0 if is_level else index, to_the_left)


def _fit_side_by_side(axes: Axes, shares: Sequence[float], labels: Sequence[str]) -> bool:
    """Whether two labels fit outwards of their lines; they may run over the margins, since
    nothing else stands above the axes."""
    if len(labels) != 2:
        return False
    place = axes.get_position()
    width_in = place.width * figure_of(axes).get_figwidth()
    needs = [LABEL_CHARACTER_IN * len(label) / width_in for label in labels]
    before, beyond = place.x0 / place.width, (1 - place.x1) / place.width
    return bool(shares[0] + before > needs[0] and 1 + beyond - shares[1] > needs[1])


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

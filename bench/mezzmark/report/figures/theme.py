"""The look of every figure: one palette with a meaning per colour, one type scale, one canvas.

Colours are colour-blind safe (after Okabe & Ito, Color Universal Design, 2008) and never the only
sign: the original is a diamond, the fastest are filled circles, all others open ones. Each colour
is also a name in the page's style sheet, so that one SVG serves light, dark and print.
"""

import math
import textwrap
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final, Literal

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter, NullLocator

from mezzmark.decide.estimate.ranking import Ranking
from mezzmark.report.view import Role, RunView

Shape = Literal["wide", "narrow"]
"""A page on a desk or in a hand; the same figure is drawn for both."""

COLOURS: Final = {
    "paper": ("#fefefe", "#161b21"),
    "ink": ("#1d2733", "#e4e8ed"),
    "muted": ("#5a6673", "#9daab8"),
    "grid": ("#dde2e8", "#333d48"),
    "lead": ("#0072b2", "#56b4e9"),
    "original": ("#c4530a", "#f08a4b"),
    "rest": ("#6b7b8c", "#93a3b4"),
    "locate": ("#cc8f00", "#e0a92e"),
    "decode": ("#0a6fa8", "#4aa3da"),
    "present": ("#00785a", "#2fae8b"),
    "wrong": ("#b3122a", "#ff7f8c"),
    "line": ("#8c2f6b", "#d488b8"),
}
"""Name → (light, dark). The light ones are all different: they become variables in the SVG."""

MARKS: Final[dict[Role, str]] = {"original": "D", "lead": "o", "rest": "o"}

FONT_PT: Final = 8.5
TITLE_PT: Final = 11.5
CHARACTER_IN: Final = 0.069
"""Mean advance of one character of DejaVu Sans at `FONT_PT`; it is wider than what browsers use,
so a label that fits here fits there."""

WIDTH_IN: Final[dict[Shape, float]] = {"wide": 9.2, "narrow": 4.1}

_RC: Final[dict[Any, Any]] = {
    "font.family": ["DejaVu Sans"],
    "font.size": FONT_PT,
    "text.parse_math": False,  # a name may hold dollar signs
    "svg.fonttype": "none",
    "svg.hashsalt": "mezzmark",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.spines.left": False,
    "axes.unicode_minus": False,
    "hatch.linewidth": 0.6,
}


def colour(name: str) -> str:
    """The light value of a named colour."""
    return COLOURS[name][0]


@contextmanager
def own_look() -> Iterator[None]:
    """Draw inside this: settings of the user's own Matplotlib neither leak in nor get changed.

    Matplotlib names clip paths by numbers as numpy prints them, and a library that was loaded
    before may have changed how.
    """
    with mpl.rc_context(), np.printoptions(legacy=False):
        mpl.rcdefaults()
        mpl.rcParams.update(_RC)
        yield


@dataclass(frozen=True, slots=True, kw_only=True)
class Margins:
    """Room around the axes in inches, the title's own room at the top not counted."""

    left: float
    right: float
    top: float
    bottom: float


def new_axes(
    shape: Shape, *, title: str, subtitle: str, body_in: float, margins: Margins
) -> tuple[Figure, Axes]:
    """A titled figure of the shape's width whose axes are exactly `body_in` inches high."""
    width = WIDTH_IN[shape]
    wrap = int((width - 0.2) / CHARACTER_IN)
    lines = textwrap.wrap(subtitle, wrap)
    title_lines = textwrap.wrap(title, int(wrap * FONT_PT / TITLE_PT * 0.94))
    head = 0.1 + 0.21 * len(title_lines) + 0.155 * len(lines) + 0.1
    height = head + margins.top + body_in + margins.bottom
    figure = Figure(figsize=(width, height), facecolor=colour("paper"))
    FigureCanvasAgg(figure)
    y = height - 0.1
    for line in title_lines:
        figure.text(
            0.1 / width,
            y / height,
            line,
            va="top",
            fontsize=TITLE_PT,
            weight="bold",
            color=colour("ink"),
        )
        y -= 0.21
    for line in lines:
        figure.text(0.1 / width, y / height, line, va="top", color=colour("muted"))
        y -= 0.155
    axes = figure.add_axes(
        (
            margins.left / width,
            margins.bottom / height,
            (width - margins.left - margins.right) / width,
            body_in / height,
        )
    )
    axes.set_facecolor("none")
    axes.spines["bottom"].set_color(colour("muted"))
    axes.tick_params(colors=colour("muted"), labelcolor=colour("ink"), length=3, width=0.7)
    return figure, axes


def plain_number(value: float) -> str:
    """A tick label without powers or trailing zeros."""
    return f"{value:,.10g}"


def log_ticks(low: float, high: float, *, most: int) -> list[float]:
    """At most about `most` round values in [low, high]: 1-2-5 steps, else 1-3, else powers."""
    for steps in ((1, 2, 5), (1, 3), (1,)):
        ticks = [
            step * 10.0**power
            for power in range(-9, 16)
            for step in steps
            if low <= step * 10.0**power <= high
        ]
        if len(ticks) <= most:
            break
    return [float(f"{tick:.6g}") for tick in ticks]


def set_log_axis(
    axes: Axes, which: Literal["x", "y"], *, low: float, high: float, label: str, most: int
) -> None:
    """A log axis with plain tick labels and a quiet grid."""
    axis = axes.xaxis if which == "x" else axes.yaxis
    if which == "x":
        axes.set_xscale("log")
        axes.set_xlim(low, high)
        axes.set_xlabel(label, color=colour("ink"))
    else:
        axes.set_yscale("log")
        axes.set_ylim(low, high)
        axes.set_ylabel(label, color=colour("ink"))
    axis.set_major_locator(FixedLocator(log_ticks(low, high, most=most)))
    axis.set_major_formatter(FuncFormatter(lambda value, _: plain_number(value)))
    axis.set_minor_locator(NullLocator())
    axis.set_minor_formatter(NullFormatter())
    axes.grid(True, axis=which, color=colour("grid"), linewidth=0.7, zorder=0)
    axes.set_axisbelow(True)


def padded(values: Sequence[float], *, factor: float = 1.15) -> tuple[float, float]:
    """Limits of a log axis that hold all positive `values` with some room."""
    positive = [value for value in values if value > 0]
    return min(positive) / factor, max(positive) * factor


def figure_of(axes: Axes) -> Figure:
    """The figure that `axes` was made on; ours never nest."""
    figure = axes.figure
    if not isinstance(figure, Figure):
        raise ValueError("these axes lie in a figure within a figure")
    return figure


def role_handles(roles: Collection[Role], view: RunView) -> list[Line2D]:
    """Legend entries for the leading encodings and the original, as far as they are drawn."""
    labels: tuple[tuple[Role, str], ...] = (("lead", view.lead_words), ("original", "original"))
    return [
        Line2D(
            [],
            [],
            linestyle="none",
            marker=MARKS[role],
            markersize=6.5,
            color=colour(role),
            label=label,
        )
        for role, label in labels
        if role in roles
    ]


def role_words(
    view: RunView,
    ranking: Ranking,
    *,
    blue: str = "Blue and filled",
    orange: str = "Orange diamond",
) -> str:
    """The sentences of a caption that say what the colours mean; only of those that are drawn."""
    roles = {view.role(entry.encoding, ranking) for entry in ranking.entries}
    texts = []
    if "lead" in roles:
        meaning = "those that may be the fastest" if view.choice is None else "the chosen encoding"
        texts.append(f"{blue}: {meaning}.")
    elif view.choice is not None and view.choice.recommendation is None:
        texts.append("Nothing is blue, since no encoding was chosen.")
    if "original" in roles:
        texts.append(f"{orange}: the original.")
    return " ".join(texts)


NARROW: Final = 4.0
"""An axis that spans less than this factor gets even steps."""

LEAST_SPAN: Final = 1.04
"""An axis never spans less, so that noise of a tenth of a percent does not fill it."""


def ratio_ticks(low: float, high: float, *, most: int) -> list[float]:
    """At most `most` round ratios in [low, high], 1 among them where it lies inside."""
    if high / low >= NARROW:
        return log_ticks(low, high, most=most)
    step = 10.0 ** math.floor(math.log10(high - low))
    sizes = [step * factor for factor in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2)]
    for size in sizes:
        first, last = math.ceil((low - 1) / size), math.floor((high - 1) / size)
        if last - first + 1 <= most:
            break
    return [round(1 + count * size, 10) for count in range(first, last + 1)]


def set_ratio_axis(
    axes: Axes, which: Literal["x", "y"], values: list[float], *, label: str, most: int
) -> None:
    """A log axis that holds all `values` and 1, with some room."""
    span = max(max(values, default=1), 1) / min(min(values, default=1), 1)
    room = max(span**0.06, LEAST_SPAN ** (0.5 if span < LEAST_SPAN else 0.12))
    low, high = min([*values, 1]) / room, max([*values, 1]) * room
    set_log_axis(axes, which, low=low, high=high, label=label, most=most)
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_locator(FixedLocator(ratio_ticks(low, high, most=most)))

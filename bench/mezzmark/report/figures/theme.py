"""The look of every figure: one palette with a meaning per colour, one type scale, one canvas.

Colours are colour-blind safe (after Okabe & Ito, Color Universal Design, 2008) and never the only
sign: the original is a diamond, the fastest are filled circles, all others open ones. Each colour
is also a name in the page's style sheet, so that one SVG serves light, dark and print. A figure is
as wide as a column on a desk; on a phone it is shown smaller and is still to be read.
"""

import textwrap
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from math import ceil
from typing import Any, Final, Literal

import matplotlib as mpl
import numpy as np
import pandas as pd
import seaborn.objects as so
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.ticker import LogLocator, MaxNLocator, NullLocator, StrMethodFormatter

from mezzmark.model.estimate import Estimate
from mezzmark.report.prose.figures import FigureText
from mezzmark.report.view import Role

COLOURS: Final = {
    "paper": ("#fefefe", "#161b21"),
    "ink": ("#1d2733", "#e4e8ed"),
    "muted": ("#5a6673", "#9daab8"),
    "grid": ("#dde2e8", "#333d48"),
    "leader": ("#0072b2", "#56b4e9"),
    "original": ("#c4530a", "#f08a4b"),
    "other": ("#6b7b8c", "#93a3b4"),
    "locate": ("#cc8f00", "#e0a92e"),
    "decode": ("#0a6fa8", "#4aa3da"),
    "present": ("#00785a", "#2fae8b"),
    "wrong": ("#b3122a", "#ff7f8c"),
    "line": ("#8c2f6b", "#d488b8"),
}
"""Name → (light, dark). The light ones are all different: they become variables in the SVG."""

LIGHT: Final = {name: light for name, (light, _) in COLOURS.items()}
"""What a figure is drawn in; also the scale of colours by role."""

MARKERS: Final[dict[Role, str]] = {"original": "D", "leader": "o", "other": "o"}

SHAPES: Final = ("o", "s", "^", "v", "P", "X", "h", "p")
"""One for each thread count or setting, in order; repeated after the eighth."""

WIDTH_IN: Final = 5.3
MARGIN_IN: Final = 0.12
FONT_PT: Final = 10.2
SMALL_PT: Final = 9.2
TITLE_PT: Final = 12.5

DASHES: Final = (0, (4, 2.5))
PAPER_BOX: Final = {"facecolor": LIGHT["paper"], "linewidth": 0, "pad": 1.0}
"""Behind a text that lines would cross."""

_CHARACTER_EM: Final = 0.55
"""Mean advance of a character of DejaVu Sans; it is wider than what browsers use, so a line that
fits here fits there."""

_RC: Final[dict[str, Any]] = {
    "font.family": ["DejaVu Sans"],
    "font.size": FONT_PT,
    "text.parse_math": False,  # a name may hold dollar signs
    "text.color": LIGHT["ink"],
    "svg.fonttype": "none",
    "svg.hashsalt": "mezzmark",
    "figure.facecolor": LIGHT["paper"],
    "axes.facecolor": "none",
    "axes.edgecolor": LIGHT["muted"],
    "axes.labelcolor": LIGHT["ink"],
    "axes.labelsize": FONT_PT,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.spines.left": False,
    "axes.unicode_minus": False,
    "axes.axisbelow": True,
    "grid.color": LIGHT["grid"],
    "grid.linewidth": 0.7,
    "legend.frameon": False,
    "legend.labelcolor": LIGHT["muted"],
    "legend.fontsize": SMALL_PT,
}
for _side in ("xtick", "ytick"):
    _RC |= {
        f"{_side}.color": LIGHT["muted"],
        f"{_side}.labelcolor": LIGHT["ink"],
        f"{_side}.labelsize": FONT_PT,
        f"{_side}.major.size": 3,
        f"{_side}.major.width": 0.7,
    }


@contextmanager
def theme_context() -> Iterator[None]:
    """Draw inside this: settings of the user's own Matplotlib neither leak in nor get changed, and
    what seaborn does to pandas is no news to the user.

    Matplotlib names clip paths by numbers as numpy prints them, and a library that was loaded
    before may have changed how.
    """
    with mpl.rc_context(), np.printoptions(legacy=False), warnings.catch_warnings():
        warnings.filterwarnings("ignore", category=DeprecationWarning, module="seaborn")
        mpl.rcdefaults()
        mpl.rcParams.update(_RC)
        yield


def plot(data: pd.DataFrame, **variables: str) -> so.Plot:
    """A seaborn plot in this look, with roles as colours."""
    return so.Plot(data, **variables).theme(_RC).scale(color=LIGHT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A figure, what is said of it, and where its marks lead: (anchor, words), by the number in
    their URL. Matplotlib carries nothing else from an artist to the SVG."""

    figure: Figure
    text: FigureText
    links: list[tuple[str, str]] = field(default_factory=list)

    @property
    def axes(self) -> Axes:
        """The axes, or the first ones."""
        return self.figure.axes[0]

    def url(self, anchor: str, words: str = "") -> str:
        """The URL of an artist that leads to `anchor`; with words it is a mark, which is read out,
        and shown on hover, as these words."""
        self.links.append((anchor, words))
        return f"#{len(self.links) - 1}"


def new_drawing(
    text: FigureText,
    *,
    body_in: float,
    key: Sequence[Line2D] = (),
    left_in: float = MARGIN_IN,
    top_in: float = 0.0,
    bottom_in: float = 0.55,
    right_in: float = MARGIN_IN,
) -> Drawing:
    """A figure with title, subtitle and key on top, and axes that are exactly `body_in` inches
    high; lengths are in inches. Without axes where `body_in` is of several panels to come."""
    inner_in = WIDTH_IN - 2 * MARGIN_IN
    title = _balanced(text.title, characters(inner_in, TITLE_PT * 1.1))
    subtitle = textwrap.wrap(text.subtitle, characters(inner_in, SMALL_PT), break_on_hyphens=False)
    columns = _key_columns(key)
    title_in, subtitle_in = 0.1 + 0.22 * len(title), 0.165 * len(subtitle) + 0.08
    head_in = title_in + subtitle_in + 0.2 * ceil(len(key) / columns) + 0.08
    height = head_in + top_in + body_in + bottom_in
    figure = Figure(figsize=(WIDTH_IN, height))
    FigureCanvasAgg(figure)
    x = MARGIN_IN / WIDTH_IN
    words = {"va": "top", "linespacing": 1.25}
    figure.text(x, 1 - 0.1 / height, "\n".join(title), fontsize=TITLE_PT, weight="bold", **words)
    figure.text(
        x,
        1 - title_in / height,
        "\n".join(subtitle),
        fontsize=SMALL_PT,
        color=LIGHT["muted"],
        **words,
    )
    if key:
        figure.legend(
            handles=list(key),
            loc="upper left",
            bbox_to_anchor=(x, 1 - (title_in + subtitle_in) / height),
            ncols=columns,
            handlelength=1.6,
            columnspacing=1.4,
            handletextpad=0.6,
            borderpad=0,
            borderaxespad=0,
        )
    figure.subplots_adjust(
        left=left_in / WIDTH_IN,
        right=1 - right_in / WIDTH_IN,
        bottom=bottom_in / height,
        top=(bottom_in + body_in) / height,
    )
    return Drawing(figure=figure, text=text)


def _balanced(text: str, width: int) -> list[str]:
    """Lines of about equal length."""
    lines = len(textwrap.wrap(text, width, break_on_hyphens=False))
    width = min(width, len(text) // max(lines, 1) + 6)
    return textwrap.wrap(text, width, break_on_hyphens=False)


def characters(width_in: float, size_pt: float = FONT_PT) -> int:
    """How many characters of a size fit into a width."""
    return int(width_in * 72 / (_CHARACTER_EM * size_pt))


def _key_columns(key: Sequence[Line2D]) -> int:
    """As many columns as fit; entries fill one column after the other."""
    lengths = [len(str(entry.get_label())) + 7 for entry in key]
    for columns in range(len(key), 1, -1):
        lines = ceil(len(key) / columns)
        widths = [max(lengths[at : at + lines]) for at in range(0, len(key), lines)]
        if sum(widths) <= characters(WIDTH_IN, SMALL_PT):
            return columns
    return 1


def key_entry(
    label: str,
    marker: str = "",
    *,
    colour: str = "muted",
    fill: Literal["full", "none"] = "full",
    line_pt: float = 0.0,
    size_pt: float = 6.0,
    **style: Any,
) -> Line2D:
    """What one sign means, for the key on top of a figure; `style` is that of Line2D."""
    return Line2D(
        [],
        [],
        label=label,
        color=LIGHT[colour],
        marker=marker,
        markerfacecolor=LIGHT[colour if fill == "full" else "paper"],
        markersize=size_pt,
        linewidth=line_pt,
        **style,
    )


def role_key(roles: Sequence[Role], leader_label: str, original_label: str) -> list[Line2D]:
    """Key entries for the leading encodings and the original, as far as they are drawn."""
    labels: dict[Role, str] = {"leader": leader_label, "original": original_label}
    return [
        key_entry(label, MARKERS[role], colour=role)
        for role, label in labels.items()
        if role in roles
    ]


def ends(estimate: Estimate, *, factor: float = 1.0) -> tuple[float, float, float]:
    """Point, low and high in another unit; NaN where there is no interval."""
    low, high = (np.nan if end is None else end * factor for end in (estimate.low, estimate.high))
    return estimate.point * factor, low, high


def padded(values: Sequence[float], *, room: float) -> tuple[float, float]:
    """Limits of a log axis that holds all positive `values` and `room` times beyond."""
    shown = [value for value in values if value > 0]
    return min(shown) / room, max(shown) * room


LEAST_SPAN: Final = 1.04
"""An axis of ratios never spans less, so that noise of a tenth of a percent does not fill it."""


def ratio_limits(values: Sequence[float]) -> tuple[float, float]:
    """Limits of a log axis that holds all `values` and 1, with some room."""
    held = [1.0, *(value for value in values if value > 0)]
    span = max(held) / min(held)
    room = max(span**0.06, LEAST_SPAN ** (0.5 if span < LEAST_SPAN else 0.12))
    return padded(held, room=room)


NARROW: Final = 8.0
"""A log axis that spans less than this factor gets even steps."""


def set_log_axis(
    axes: Axes, which: Literal["x", "y"], limits: tuple[float, float], *, label: str
) -> None:
    """A log axis with plain tick labels at 1, 2 and 5 and a quiet grid."""
    axes.set(**{f"{which}scale": "log", f"{which}lim": limits, f"{which}label": label})
    axis = axes.xaxis if which == "x" else axes.yaxis
    even = MaxNLocator(6, steps=[1, 2, 5, 10])
    axis.set_major_locator(even if limits[1] / limits[0] < NARROW else LogLocator(subs=(1, 2, 5)))
    axis.set_major_formatter(StrMethodFormatter("{x:,.10g}"))
    axis.set_minor_locator(NullLocator())
    axes.grid(True, axis=which)


_UNSEEN = 0.002
"""Opacity of an area mark: too little to see, yet filled, so that all of it can be pointed at."""


def add_area_mark(
    axes: Axes, corner: tuple[float, float], width: float, height: float, url: str
) -> None:
    """A mark over an area of the axes' data, on top of bars and texts that stand there.

    Bars of several parts, and cells with text in them, so have one link each that takes the
    pointer anywhere.
    """
    axes.add_patch(
        Rectangle(
            corner,
            width,
            height,
            facecolor=(LIGHT["paper"], _UNSEEN),
            linewidth=0,
            zorder=9,
            url=url,
        )
    )

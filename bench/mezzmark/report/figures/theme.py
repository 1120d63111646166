"""The look of every figure: one palette with a meaning per colour, one type scale, its axes.

Colours are colour-blind safe (after Okabe & Ito, Color Universal Design, 2008) and never the only
sign: the original is a diamond, the fastest are filled circles, all others open ones. Each colour
is also a name in the page's style sheet, so that one SVG serves light, dark and print. A figure is
as wide as a column on a desk; on a phone it is shown smaller and is still to be read.
"""

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Final, Literal

import matplotlib as mpl
import numpy as np
import pandas as pd
import seaborn.objects as so
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.ticker import LogLocator, MaxNLocator, NullLocator

from mezzmark.report.prose.figures import ORIGINAL_LABEL
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


def colour_variables() -> tuple[str, str]:
    """The palette as CSS variables, light and dark."""
    light, dark = (
        " ".join(f"--fig-{name}: {pair[side]};" for name, pair in COLOURS.items())
        for side in (0, 1)
    )
    return light, dark


LIGHT: Final = {name: light for name, (light, _) in COLOURS.items()}
"""What a figure is drawn in, and the scale that turns roles into colours."""

SHADED: Final[dict[str, Any]] = {"color": LIGHT["grid"], "alpha": 0.55, "zorder": 0}
"""An area under all else, where what is seen makes no difference."""

MARKERS: Final[dict[Role, str]] = {"original": "D", "leader": "o", "other": "o"}


def role_look(role: Role) -> dict[str, Any]:
    """Colour, sign and filling of a mark of this role."""
    return {"colour": role, "marker": MARKERS[role], "fill": float(role != "other")}


SHAPES: Final = ("o", "s", "^", "v", "P", "X", "h", "p")
"""One for each thread count or setting, in order; repeated after the eighth."""

WIDTH_IN: Final = 5.3
MARGIN_IN: Final = 0.2
INNER_IN: Final = WIDTH_IN - 2 * MARGIN_IN
FONT_PT: Final = 10.2
SMALL_PT: Final = 9.2
TITLE_PT: Final = 12.5
DASHED: Final[dict[str, Any]] = {"linestyle": (0, (4, 2.5)), "linewidth": 1.1}
"""Of a reference line."""
PLAIN: Final = "{x:,.10g}"  # a tick label without powers or trailing zeros
HALO: Final = "halo"  # the `gid` of a text that lines would cross: paper is put around its letters

CHARACTER_EM: Final = 0.55
"""Mean advance of a character of DejaVu Sans; it is wider than what browsers use."""

_AXIS: Final = {
    "color": LIGHT["muted"],
    "labelcolor": LIGHT["ink"],
    "labelsize": FONT_PT,
    "major.size": 3,
    "major.width": 0.7,
}
_RC: Final[dict[Any, Any]] = {
    **{f"{axis}tick.{name}": value for axis in "xy" for name, value in _AXIS.items()},
    **{f"axes.spines.{side}": False for side in ("top", "right", "left")},
    "font.family": ["DejaVu Sans"],
    "font.size": FONT_PT,
    "text.parse_math": False,  # a name may hold dollar signs
    "text.color": LIGHT["ink"],
    "svg.fonttype": "none",
    "figure.facecolor": LIGHT["paper"],
    "axes.facecolor": "none",
    "axes.edgecolor": LIGHT["muted"],
    "axes.labelcolor": LIGHT["ink"],
    "axes.labelsize": FONT_PT,
    "axes.linewidth": 0.8,
    "axes.grid": False,
    "axes.axisbelow": True,
    "axes.unicode_minus": False,
    "grid.color": LIGHT["grid"],
    "grid.linewidth": 0.7,
    "legend.frameon": False,
    "legend.labelcolor": LIGHT["muted"],
    "legend.fontsize": SMALL_PT,
}


@contextmanager
def theme_context() -> Iterator[None]:
    """Draw inside this: settings of the user's own Matplotlib neither leak in nor get changed,
    numpy prints the numbers by which Matplotlib names clip paths as it does by itself, and what
    seaborn still asks of pandas is no news to the user."""
    with mpl.rc_context(), np.printoptions(legacy=False), warnings.catch_warnings():
        warnings.filterwarnings("ignore", category=DeprecationWarning, module="seaborn")
        mpl.rcdefaults()
        mpl.rcParams.update(_RC)
        yield


def plot(data: pd.DataFrame, **variables: str) -> so.Plot:
    """A seaborn plot in this look, with roles and other names of colours as colours."""
    return so.Plot(data, **variables).theme(_RC).scale(color=LIGHT)


def characters(width_in: float, size_pt: float = FONT_PT) -> int:
    """How many characters of a size fit into a width."""
    return int(width_in * 72 / (CHARACTER_EM * size_pt))


def note(
    axes: Axes, text: str, at: tuple[float, float], offset_pt: tuple[float, float], **look: Any
) -> None:
    """A small text beside a place, off it by so many points; `look` is that of Axes.annotate."""
    look = {"fontsize": SMALL_PT, **look}
    axes.annotate(text, xy=at, xytext=offset_pt, textcoords="offset points", **look)


def key_entry(label: str, marker: str, *, colour: str = "muted", **style: Any) -> Line2D:
    """What one sign means, for the key on top of a figure; `style` is that of Line2D."""
    return Line2D(
        [],
        [],
        label=label,
        marker=marker,
        color=LIGHT[colour],
        **{"linewidth": 0, "markersize": 6, **style},
    )


def role_key(roles: Sequence[Role], leader_label: str) -> list[Line2D]:
    """Key entries for the leading encodings and the original, as far as they are drawn."""
    labels: dict[Role, str] = {"leader": leader_label, "original": ORIGINAL_LABEL}
    return [
        key_entry(label, MARKERS[role], colour=role)
        for role, label in labels.items()
        if role in roles
    ]


def padded(values: Sequence[float], *, room: float) -> tuple[float, float]:
    """Limits of a log axis that holds all positive `values`, or else 1, and `room` times beyond."""
    shown = [value for value in values if value > 0] or [1.0]
    return min(shown) / room, max(shown) * room


LEAST_SPAN: Final = 1.04
"""An axis of ratios never spans less, so that noise of a tenth of a percent does not fill it."""


def ratio_limits(values: Sequence[float]) -> tuple[float, float]:
    """Limits of a log axis that holds all `values` and 1, with some room."""
    held = [1.0, *(value for value in values if value > 0)]
    span = max(held) / min(held)
    room = max(span**0.06, LEAST_SPAN ** (0.5 if span < LEAST_SPAN else 0.12))
    return padded(held, room=room)


NARROW: Final = 8.0  # a log axis that spans less than this factor gets even steps


def set_log_axis(
    axes: Axes, which: Literal["x", "y"], limits: tuple[float, float], *, label: str
) -> None:
    """A log axis with plain tick labels at 1, 2 and 5 and a quiet grid."""
    axes.set(**{f"{which}scale": "log", f"{which}lim": limits, f"{which}label": label})
    axis = axes.xaxis if which == "x" else axes.yaxis
    even = MaxNLocator(6, steps=[1, 2, 5, 10])
    axis.set_major_locator(even if limits[1] / limits[0] < NARROW else LogLocator(subs=(1, 2, 5)))
    axis.set_major_formatter(PLAIN)
    axis.set_minor_locator(NullLocator())
    axes.grid(True, axis=which)

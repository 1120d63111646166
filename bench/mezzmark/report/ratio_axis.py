"""Ticks of a logarithmic axis of ratios, which is often too narrow for powers."""

import math
from typing import Final, Literal

from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator

from mezzmark.report.look import log_ticks, set_log_axis

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

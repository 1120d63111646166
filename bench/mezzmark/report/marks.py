"""Marks that say what they stand for and lead to the row that holds it.

A figure draws a mark with `url=mark_url(anchor, words)`; `report/svg.py` turns that into a link
with a name for readers and a tooltip. The words travel in the URL because Matplotlib carries
nothing else from an artist to the SVG.
"""

from typing import Final

from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from mezzmark.decide.wording import count_text, estimate_text, shown_name
from mezzmark.facts.estimates import Estimate
from mezzmark.report.look import colour

KNOWN_EXACTLY: Final = "known exactly"
"""What `decide` writes in the place of an interval that a figure does not need."""

MARK_SEPARATOR: Final = " "
"""Between anchor and words; anchors hold no space."""

_UNSEEN = 0.002
"""Opacity of an area mark: too little to see, yet filled, so that all of it can be pointed at."""

_ABOVE_TEXT = 6


def mark_url(anchor: str, words: str) -> str:
    """A link to `anchor` that is read out, and shown on hover, as `words`."""
    return f"#{anchor}{MARK_SEPARATOR}{words}"


def mark_words(name: str, what: str, estimate: Estimate, *, samples: str = "") -> str:
    """`VC-3 SQ, median: 14.0 ms [13.6, 14.5]; 95 % interval; 6 rounds, 144 moves`.

    `samples` is the noun of the estimate's samples, where they may be counted.
    """
    if estimate.withheld == KNOWN_EXACTLY:
        return f"{shown_name(name)}, {what}: {estimate_text(estimate)}; {KNOWN_EXACTLY}"
    if estimate.low is None or estimate.high is None:
        interval = estimate.withheld or "no interval"
    else:
        interval = f"{estimate.confidence_level * 100:g} % interval"
    counts = [count_text(estimate.round_count, "round")]
    if samples and estimate.sample_count:
        counts.append(count_text(estimate.sample_count, samples))
    return f"{shown_name(name)}, {what}: {estimate_text(estimate)}; {interval}; {', '.join(counts)}"


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
            facecolor=(colour("paper"), _UNSEEN),
            linewidth=0,
            zorder=_ABOVE_TEXT,
            url=url,
        )
    )

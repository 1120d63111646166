"""Marks that say what they stand for and lead to the row that holds it.

A figure draws a mark with `url=mark_url(anchor, words)`; `report/svg.py` turns that into a link
with a name for readers and a tooltip. The words travel in the URL because Matplotlib carries
nothing else from an artist to the SVG.
"""

import io
import re
from collections.abc import Callable
from typing import Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from mezzmark.model.estimate import Estimate
from mezzmark.report.figures.theme import COLOURS, colour
from mezzmark.report.prose.numbers import count_text, estimate_text, shown_name, withheld_text

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
    if estimate.is_exact:
        return f"{shown_name(name)}, {what}: {estimate_text(estimate)}; {KNOWN_EXACTLY}"
    if estimate.low is None or estimate.high is None:
        interval = withheld_text(estimate.withheld) or "no interval"
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


PNG_DPI: Final = 200

_FONT = "'Helvetica Neue', 'Segoe UI', Arial, 'DejaVu Sans', sans-serif"
_LINK = r'<a xlink:href="#([^"]*)"(?: target="_blank")?>'
_STYLE = (
    "<style>@media (prefers-color-scheme: dark) {{ svg {{ {dark} }} }}"
    "@media print {{ svg {{ {light} }} }}</style>"
)


def svg_text(figure: Figure) -> str:
    """The figure as SVG whose colours are CSS variables with the light value to fall back on.

    No date and no version is written, so equal figures are equal bytes.
    """
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"\s*<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = _in_tags(text, _themed)
    return re.sub(r"[ \t]+\n", "\n", re.sub(_LINK, _named_link, text))


def _in_tags(text: str, change: Callable[[str], str]) -> str:
    """`text` with every tag but links changed; links and all that stands between tags hold names
    and are left alone."""
    return re.sub(r"<(?!a )[^<>]+>", lambda match: change(match[0]), text)


def _named_link(match: re.Match[str]) -> str:
    """A link whose URL carries words (`report/marks.py`) gets them as its name and its tooltip."""
    anchor, _, words = match[1].partition(MARK_SEPARATOR)
    if not words:
        return f'<a role="link" xlink:href="#{anchor}">'
    named = f'<a class="mark" role="link" xlink:href="#{anchor}" aria-label="{words}">'
    return f"{named}<title>{words}</title>"


def _themed(tag: str) -> str:
    for name, (light, _) in COLOURS.items():
        tag = tag.replace(light, f"var(--fig-{name}, {light})")
    return tag.replace("'DejaVu Sans'", _FONT)


def standalone_svg(text: str) -> str:
    """The SVG as a file of its own: it carries both themes and no links into a page."""
    text = re.sub(r"<a [^<>]*>|</a>", "", text)
    sides = [
        " ".join(f"--fig-{name}: {pair[index]};" for name, pair in COLOURS.items())
        for index in (0, 1)
    ]
    style = _STYLE.format(light=sides[0], dark=sides[1])
    head, rest = text.split(">", 1)
    return f'<?xml version="1.0" encoding="utf-8"?>\n{head}>{style}{rest}'


def inline_svg(text: str, *, prefix: str, label: str) -> str:
    """The SVG for a page: its ids made unique by `prefix`, sized by the page, named for readers
    by `label` (already escaped)."""
    ids = set(re.findall(r'<[^<>]*\bid="([^"]+)"', text))

    def prefixed(tag: str) -> str:
        tag = re.sub(r'\bid="([^"]+)"', rf'id="{prefix}-\1"', tag)
        return re.sub(
            r"(url\(#|xlink:href=\"#)([^)\"]+)",
            lambda match: f"{match[1]}{prefix}-{match[2]}" if match[2] in ids else match[0],
            tag,
        )

    text = _in_tags(text, prefixed)
    head, rest = text.split(">", 1)
    head = re.sub(r'\s(width|height)="[^"]*"', "", head)
    role = "group" if "<a " in rest else "img"  # an image's parts cannot be reached
    return f'{head} role="{role}" aria-label="{label}">{rest}'


def png_bytes(figure: Figure) -> bytes:
    """The figure as PNG in the light theme, without dates."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=PNG_DPI, metadata={"Software": None})
    return buffer.getvalue()

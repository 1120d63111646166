"""A figure from canvas to page: its room, its marks with the bars of their intervals, and the
finished picture as SVG. No date and no version is written, so equal drawings are equal bytes."""

import io
import textwrap
import xml.etree.ElementTree as ET
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import ceil, nan
from typing import Any, Final

import matplotlib as mpl
import numpy as np
import pandas as pd
import seaborn.objects as so
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from mezzmark.model.estimate import Estimate
from mezzmark.report.figures import theme
from mezzmark.report.prose.figures import FigureText

Link = tuple[str, str]
"""An anchor, and what is read out, and shown on hover, of the mark that leads there."""

Ends = tuple[float, float, float]  # point, low and high; NaN where there is no interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A figure, what is said of it, and its links by the number in their URL, as SVG carries it."""

    figure: Figure
    text: FigureText
    links: list[Link] = field(default_factory=list)

    @property
    def axes(self) -> Axes:
        """The axes, or the first ones."""
        return self.figure.axes[0]

    def url(self, anchor: str, words: str = "") -> str:
        """The URL of an artist that leads to `anchor`; without words it is a plain link."""
        self.links.append((anchor, words))
        return f"#{len(self.links) - 1}"


def new_drawing(
    text: FigureText,
    *,
    body_in: float,
    key: Sequence[Line2D] = (),
    left_in: float = theme.MARGIN_IN,
    right_in: float = theme.MARGIN_IN,
    top_in: float = 0.0,
    bottom_in: float = 0.55,
) -> Drawing:
    """A figure with title, subtitle and key, and axes exactly `body_in` high, with room around."""
    width = theme.characters(theme.INNER_IN, theme.TITLE_PT * 1.1)
    lines = len(_wrapped(text.title, width))
    title = _wrapped(text.title, min(width, len(text.title) // max(lines, 1) + 6))  # balanced
    subtitle = _wrapped(text.subtitle, theme.characters(theme.INNER_IN, theme.SMALL_PT))
    columns = _key_columns(key)
    title_in, subtitle_in = 0.1 + 0.22 * len(title), 0.165 * len(subtitle) + 0.08
    head_in = title_in + subtitle_in + 0.2 * ceil(len(key) / columns) + 0.08
    height = head_in + top_in + body_in + bottom_in
    figure = Figure(figsize=(theme.WIDTH_IN, height))
    FigureCanvasAgg(figure)
    x = theme.MARGIN_IN / theme.WIDTH_IN
    top: dict[str, Any] = {"va": "top", "linespacing": 1.25}
    bold, quiet = {"weight": "bold", **top}, {"color": theme.LIGHT["muted"], **top}
    figure.text(x, 1 - 0.1 / height, "\n".join(title), fontsize=theme.TITLE_PT, **bold)
    y = 1 - title_in / height
    figure.text(x, y, "\n".join(subtitle), fontsize=theme.SMALL_PT, **quiet)
    if key:
        gaps = {"handlelength": 1.6, "columnspacing": 1.4, "handletextpad": 0.6}
        gaps |= {"borderpad": 0, "borderaxespad": 0}
        place: dict[str, Any] = {"bbox_to_anchor": (x, y - subtitle_in / height), **gaps}
        figure.legend(handles=list(key), loc="upper left", ncols=columns, **place)
    figure.subplots_adjust(
        left=left_in / theme.WIDTH_IN,
        right=1 - right_in / theme.WIDTH_IN,
        bottom=bottom_in / height,
        top=(bottom_in + body_in) / height,
    )
    return Drawing(figure=figure, text=text)


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, break_on_hyphens=False)


KEY_SIGN: Final = 7  # room for a sign of the key and for the gap behind its label, in characters


def _key_columns(key: Sequence[Line2D]) -> int:
    """As many columns as fit; entries fill one column after the other."""
    lengths = [len(str(entry.get_label())) + KEY_SIGN for entry in key]
    for columns in range(len(key), 1, -1):
        widths = [max(column) for column in np.array_split(lengths, columns)]
        if sum(widths) <= theme.characters(theme.INNER_IN, theme.SMALL_PT):
            return columns
    return 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A point with intervals and link: a colour of the palette, `fill` 0 to 1, sizes in points."""

    x: Ends
    y: Ends
    colour: str
    link: Link | None
    marker: str = "o"
    fill: float = 1.0
    size_pt: float = 7.0
    bar_pt: float = 3.0


def ends(estimate: Estimate, *, factor: float = 1.0) -> Ends:
    """An estimate in another unit, on an axis."""
    low, high = (nan if end is None else end * factor for end in (estimate.low, estimate.high))
    return estimate.point * factor, low, high


def at(value: float) -> Ends:
    """A place on an axis without an interval."""
    return value, nan, nan


def draw_marks(drawing: Drawing, marks: Sequence[Mark], axes: Axes | None = None) -> None:
    """Each mark with its bars, over what is drawn already; scales are seaborn's until set."""
    rows = [(*m.x, *m.y, m.colour, m.marker, m.fill, m.size_pt, m.bar_pt) for m in marks]
    frame = pd.DataFrame(rows, columns=_COLUMNS)
    for side in ("x", "y"):  # seaborn joins ranges of one group that stand at the same place
        frame[f"nth_{side}"] = frame.groupby(side).cumcount()
    urls = [drawing.url(*mark.link) if mark.link else None for mark in marks]
    bar = so.Range(artist_kws={"capstyle": "butt", "zorder": 4})
    under = so.Dot(color=theme.LIGHT["paper"], artist_kws={"zorder": 5})
    dot = so.Dot(edgewidth=1.4, edgealpha=1, artist_kws={"zorder": 6, "urls": urls})
    bars = {"color": "colour", "linewidth": "bar", "legend": False}
    dots = {"x": "x", "y": "y", "marker": "marker", "pointsize": "size", "legend": False}
    (
        theme.plot(frame)
        .add(bar, x="x", ymin="y_low", ymax="y_high", group="nth_x", orient="x", **bars)
        .add(bar, y="y", xmin="x_low", xmax="x_high", group="nth_y", orient="y", **bars)
        .add(under, **dots)
        .add(dot, color="colour", alpha="fill", **dots)
        .scale(marker={marker: marker for marker in _MARKERS})
        .scale(pointsize=None, linewidth=None, alpha=None)
        .on(axes or drawing.axes)
        .plot()
    )


_COLUMNS: Final = [
    *("x", "x_low", "x_high", "y", "y_low", "y_high"),
    *("colour", "marker", "fill", "size", "bar"),
]
_MARKERS: Final = (*theme.SHAPES, *theme.MARKERS.values(), ">", "*", "x")

_UNSEEN: Final = 0.002
"""Opacity of an area mark: too little to see, yet filled, so that all of it can be pointed at."""


def add_area_mark(
    axes: Axes, corner: tuple[float, float], width: float, height: float, url: str
) -> None:
    """A mark over an area of the axes' data, on top of all: one link takes the pointer anywhere."""
    look: dict[str, Any] = {"facecolor": (theme.LIGHT["paper"], _UNSEEN), "linewidth": 0}
    axes.add_patch(Rectangle(corner, width, height, zorder=9, url=url, **look))


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A finished figure. `file_stem` names its files; `page_svg` is ready to stand in a page."""

    file_stem: str
    title: str
    caption: str
    alt: str
    page_svg: Markup
    svg: bytes


def make_picture(file_stem: str, draw: Callable[[], Drawing]) -> Picture:
    """A figure drawn in the report's look and turned into all that page and files need."""
    with theme.theme_context():
        drawing = draw()
        tree = _svg_tree(drawing, salt=file_stem)
    text, page_svg = drawing.text, Markup(_written(tree))
    return Picture(
        file_stem=file_stem,
        title=text.title,
        caption=text.caption,
        alt=text.alt,
        page_svg=page_svg,
        svg=_as_file(tree),
    )


_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_LINK, _GROUP, _HREF = f"{{{_SVG}}}a", f"{{{_SVG}}}g", f"{{{_XLINK}}}href"
_FONT = "'Helvetica Neue', 'Segoe UI', Arial, 'DejaVu Sans', sans-serif"
_PAPER_AROUND = f"stroke: {theme.LIGHT['paper']}; stroke-width: 4; paint-order: stroke"


def _svg_tree(drawing: Drawing, *, salt: str) -> ET.Element:
    """The drawing as SVG: each colour a CSS variable with the light value to fall back on, each
    link with its name. Ids are hashes with `salt`, so those of several figures differ."""
    buffer = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": salt}):
        drawing.figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    root = ET.fromstring(buffer.getvalue())
    for metadata in root.findall(f"{{{_SVG}}}metadata"):
        root.remove(metadata)
    for element in root.iter():
        if element.tag == _LINK:
            _name_link(element, *drawing.links[int(element.attrib.pop(_HREF).removeprefix("#"))])
        elif element.tag == _GROUP and element.attrib.pop("id", "") == theme.HALO:
            element.set("style", _PAPER_AROUND)
        if "style" in element.attrib:
            element.set("style", _themed(element.attrib["style"]))
    role = "group" if drawing.links else "img"  # an image's parts cannot be reached
    root.attrib |= {"role": role, "aria-label": f"{drawing.text.title}. {drawing.text.alt}"}
    return root


def _name_link(link: ET.Element, anchor: str, words: str) -> None:
    link.attrib.clear()
    link.attrib |= {"role": "link", _HREF: f"#{anchor}"}
    if words:
        link.attrib |= {"class": "mark", "aria-label": words}
        title = ET.Element(f"{{{_SVG}}}title")
        title.text = words
        link.insert(0, title)


def _themed(style: str) -> str:
    for name, (light, _) in theme.COLOURS.items():
        style = style.replace(light, f"var(--fig-{name}, {light})")
    return style.replace("'DejaVu Sans'", _FONT)


def _as_file(root: ET.Element) -> bytes:
    """The SVG as a file of its own, with both themes and no links. The tree is changed."""
    for link in root.iter(_LINK):
        link.tag = _GROUP
        link.attrib.clear()
    light, dark = theme.colour_variables()
    style = ET.Element(f"{{{_SVG}}}style")
    style.text = (
        f"@media (prefers-color-scheme: dark) {{ svg {{ {dark} }} }}"
        f"@media print {{ svg {{ {light} }} }}"
    )
    root.insert(0, style)
    return f'<?xml version="1.0" encoding="utf-8"?>\n{_written(root)}'.encode()


def _written(root: ET.Element) -> str:
    ET.register_namespace("", _SVG)
    ET.register_namespace("xlink", _XLINK)
    return ET.tostring(root, encoding="unicode")

"""Which figures a run gets, and a figure as all that page and files need.

No date and no version is written, so equal drawings are equal bytes.
"""

import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Final

import matplotlib as mpl
from markupsafe import Markup

from mezzmark.decide.estimate.ranking import Ranking
from mezzmark.model.cell import Setting
from mezzmark.model.players import PLAYERS
from mezzmark.report.figures.marks import Drawing
from mezzmark.report.figures.scatter import draw_size
from mezzmark.report.figures.scrub import draw_latency, draw_spans
from mezzmark.report.figures.speeds import draw_encode
from mezzmark.report.figures.theme import COLOURS, theme_context
from mezzmark.report.tables.cells import ENCODE_CELLS, SCRUB_CELLS, cell_anchors
from mezzmark.report.view import RunView, encode_speeds


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A finished figure. `kind` is `latency`, `spans`, `encode`, `size` or that of a section;
    `file_stem` names its files; `page_svg` is ready to stand in a page."""

    kind: str
    file_stem: str
    title: str
    caption: str
    alt: str
    page_svg: Markup
    svg: bytes
    png: bytes


def make_picture(kind: str, file_stem: str, draw: Callable[[], Drawing]) -> Picture:
    """A figure drawn in the report's look and turned into all that page and files need."""
    with theme_context():
        drawing = draw()
        tree, png = svg_tree(drawing, salt=file_stem), png_bytes(drawing)
    page_svg = Markup(_written(tree))
    return Picture(
        kind=kind,
        file_stem=file_stem,
        title=drawing.text.title,
        caption=drawing.text.caption,
        alt=drawing.text.alt,
        page_svg=page_svg,
        svg=_as_file(tree),
        png=png,
    )


def draw_gallery(view: RunView, *, prefix: str) -> tuple[Picture, ...]:
    """All figures of one run, in the order of the report. `prefix` makes ids and file names of
    several runs differ."""
    return tuple(
        make_picture(kind, f"{prefix}{stem}", draw) for kind, stem, draw in _plans(view, prefix)
    )


def _plans(view: RunView, prefix: str) -> Iterator[tuple[str, str, Callable[[], Drawing]]]:
    """Kind, file stem and how to draw it."""
    for index, ranking in enumerate(view.rankings):
        anchor, cells = f"{prefix}ranking-{index}", _scrub_cells(view, ranking, prefix)
        draw = partial(draw_latency, view, ranking, anchor=anchor, cells=cells)
        yield "latency", f"time-to-picture-{setting_slug(ranking.setting)}", draw
    if view.rankings:
        first, cells = view.rankings[0], _scrub_cells(view, view.rankings[0], prefix)
        draw = partial(draw_spans, view, first, anchor=f"{prefix}ranking-0", cells=cells)
        yield "spans", "where-the-waiting-goes", draw
    if encode_speeds(view):
        rows, marks = _encode_anchors(view, prefix), _encode_cells(view, prefix)
        yield "encode", "encode-speed", partial(draw_encode, view, anchors=rows, cells=marks)
    if view.rankings and any(e.encoding in view.bitrates_bps for e in first.entries):
        yield "size", "size-against-time", partial(draw_size, view, first, cells=cells)


def setting_slug(setting: Setting) -> str:
    """A file name for a scrub setting: `jump-roll-4t`."""
    player = PLAYERS[setting["player"]]
    parts = [
        setting["pattern"],
        setting["policy"],
        f"{setting['threads']}t",
        player.threading,
        str(setting["viewer_height"] or ""),
        player.device or "",
    ]
    return re.sub(r"[^a-z0-9]+", "-", "-".join(part for part in parts if part).lower())


def _scrub_cells(view: RunView, ranking: Ranking, prefix: str) -> dict[str, str]:
    return cell_anchors(view, "scrub", ranking.setting, table_id=f"{prefix}{SCRUB_CELLS}")


def _encode_cells(view: RunView, prefix: str) -> dict[tuple[str, int], str]:
    """By encoding and thread count."""
    anchors: dict[tuple[str, int], str] = {}
    for cell in view.pooled_encodes:
        rows = cell_anchors(view, "encode", cell.setting, table_id=f"{prefix}{ENCODE_CELLS}")
        anchors[cell.encoding, cell.setting["threads"]] = rows[cell.encoding]
    return anchors


def _encode_anchors(view: RunView, prefix: str) -> dict[str, str]:
    """Each encoding's first row in the encode table."""
    speeds = encode_speeds(view)
    anchors: dict[str, str] = {}
    row = 0
    for name in sorted(speeds, key=lambda n: (-max(e.point for e in speeds[n].values()), n)):
        anchors[name] = f"{prefix}encode-{row}"
        row += len(speeds[name])
    return anchors


PNG_DPI: Final = 200

_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_LINK, _GROUP, _HREF = f"{{{_SVG}}}a", f"{{{_SVG}}}g", f"{{{_XLINK}}}href"
_FONT = "'Helvetica Neue', 'Segoe UI', Arial, 'DejaVu Sans', sans-serif"


def svg_tree(drawing: Drawing, *, salt: str) -> ET.Element:
    """The drawing as SVG, named for readers by title and alternative: each colour a CSS variable
    with the light value to fall back on, each link with its name. The ids that are used are hashes
    with `salt`, so those of several figures in a page differ."""
    buffer = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": salt}):
        drawing.figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    root = ET.fromstring(buffer.getvalue())
    for metadata in root.findall(f"{{{_SVG}}}metadata"):
        root.remove(metadata)
    for element in root.iter():
        if element.tag == _LINK:
            _name_link(element, *drawing.links[int(element.attrib.pop(_HREF).removeprefix("#"))])
        elif element.tag == _GROUP:
            element.attrib.pop("id", None)
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
    for name, (light, _) in COLOURS.items():
        style = style.replace(light, f"var(--fig-{name}, {light})")
    return style.replace("'DejaVu Sans'", _FONT)


def _as_file(root: ET.Element) -> bytes:
    """The SVG as a file of its own: it carries both themes and no links into a page. The tree is
    changed."""
    for link in root.iter(_LINK):
        link.tag = _GROUP
        link.attrib.clear()
    light, dark = (
        " ".join(f"--fig-{name}: {pair[side]};" for name, pair in COLOURS.items())
        for side in (0, 1)
    )
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


def png_bytes(drawing: Drawing) -> bytes:
    """The drawing as PNG in the light theme, without dates."""
    buffer = io.BytesIO()
    drawing.figure.savefig(buffer, format="png", dpi=PNG_DPI, metadata={"Software": None})
    return buffer.getvalue()

"""A figure as all that page and files need. No date and no version is written, so equal drawings
are equal bytes."""

import io
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import dataclass

import matplotlib as mpl
from markupsafe import Markup

from mezzmark.report.figures.marks import Drawing
from mezzmark.report.figures.theme import COLOURS, HALO, LIGHT, colour_variables, theme_context


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
    with theme_context():
        drawing = draw()
        tree = _svg_tree(drawing, salt=file_stem)
    page_svg = Markup(_written(tree))
    return Picture(
        file_stem=file_stem,
        title=drawing.text.title,
        caption=drawing.text.caption,
        alt=drawing.text.alt,
        page_svg=page_svg,
        svg=_as_file(tree),
    )


_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_LINK, _GROUP, _HREF = f"{{{_SVG}}}a", f"{{{_SVG}}}g", f"{{{_XLINK}}}href"
_FONT = "'Helvetica Neue', 'Segoe UI', Arial, 'DejaVu Sans', sans-serif"
_PAPER_AROUND = f"stroke: {LIGHT['paper']}; stroke-width: 4; paint-order: stroke"


def _svg_tree(drawing: Drawing, *, salt: str) -> ET.Element:
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
        elif element.tag == _GROUP and element.attrib.pop("id", "") == HALO:
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
    for name, (light, _) in COLOURS.items():
        style = style.replace(light, f"var(--fig-{name}, {light})")
    return style.replace("'DejaVu Sans'", _FONT)


def _as_file(root: ET.Element) -> bytes:
    """The SVG as a file of its own: it carries both themes and no links into a page. The tree is
    changed."""
    for link in root.iter(_LINK):
        link.tag = _GROUP
        link.attrib.clear()
    light, dark = colour_variables()
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

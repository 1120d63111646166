"""A drawing as SVG and PNG: colours become the page's variables, numbered URLs named links.

No date and no version is written, so equal drawings are equal bytes.
"""

import io
import xml.etree.ElementTree as ET
from typing import Final

from mezzmark.report.figures.theme import COLOURS, Drawing

PNG_DPI: Final = 200

_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_LINK, _HREF = f"{{{_SVG}}}a", f"{{{_XLINK}}}href"
_FONT = "'Helvetica Neue', 'Segoe UI', Arial, 'DejaVu Sans', sans-serif"


def svg_tree(drawing: Drawing) -> ET.Element:
    """The drawing as SVG: each colour a CSS variable with the light value to fall back on, each
    link with the name that readers are told."""
    buffer = io.BytesIO()
    drawing.figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    root = ET.fromstring(buffer.getvalue())
    for metadata in root.findall(f"{{{_SVG}}}metadata"):
        root.remove(metadata)
    for element in root.iter():
        if element.tag == _LINK:
            _name_link(element, *drawing.links[int(element.attrib.pop(_HREF).removeprefix("#"))])
        elif "style" in element.attrib:
            element.set("style", _themed(element.attrib["style"]))
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


def page_svg(root: ET.Element, *, prefix: str, label: str) -> str:
    """The SVG for a page: its ids made unique by `prefix`, sized by the page, named for readers
    by `label`. The tree is changed."""
    ids = {f"#{element.get('id')}" for element in root.iter()}
    for element in root.iter():
        if "id" in element.attrib:
            element.set("id", f"{prefix}-{element.get('id')}")
        if element.get(_HREF) in ids and element.tag != _LINK:
            element.set(_HREF, f"#{prefix}-{element.get(_HREF, '')[1:]}")
        for name in ("clip-path", "style"):
            if "url(#" in element.get(name, ""):
                element.set(name, element.get(name, "").replace("url(#", f"url(#{prefix}-"))
    for name in ("width", "height"):
        root.attrib.pop(name)
    has_links = root.find(f".//{_LINK}") is not None
    root.attrib |= {"role": "group" if has_links else "img", "aria-label": label}
    return _written(root)  # an image's parts could not be reached


def file_svg(root: ET.Element) -> bytes:
    """The SVG as a file of its own: it carries both themes and no links into a page. The tree is
    changed."""
    for link in root.iter(_LINK):
        link.tag = f"{{{_SVG}}}g"
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

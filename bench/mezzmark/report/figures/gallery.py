"""Which figures a run gets, and a figure as all that page and files need."""

import copy
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

from markupsafe import Markup

from mezzmark.decide.estimate.ranking import Ranking, setting_of
from mezzmark.model.cell import Cell
from mezzmark.report.figures.scatter import draw_size
from mezzmark.report.figures.scrub import draw_latency, draw_spans
from mezzmark.report.figures.speeds import draw_encode
from mezzmark.report.figures.svg import file_svg, page_svg, png_bytes, svg_tree
from mezzmark.report.figures.theme import Drawing, theme_context
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
        tree, png = svg_tree(drawing), png_bytes(drawing)
    text = drawing.text
    svg = file_svg(copy.deepcopy(tree))
    label = f"{text.title}. {text.alt}"
    return Picture(
        kind=kind,
        file_stem=file_stem,
        title=text.title,
        caption=text.caption,
        alt=text.alt,
        page_svg=Markup(page_svg(tree, prefix=file_stem, label=label)),
        svg=svg,
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
        rows, cells = f"{prefix}ranking-{index}", _scrub_cells(view, ranking, prefix)
        yield (
            "latency",
            f"time-to-picture-{setting_slug(ranking.setting)}",
            partial(draw_latency, view, ranking, anchor=rows, cells=cells),
        )
    if view.rankings:
        first, cells = view.rankings[0], _scrub_cells(view, view.rankings[0], prefix)
        draw = partial(draw_spans, view, first, anchor=f"{prefix}ranking-0", cells=cells)
        yield "spans", "where-the-waiting-goes", draw
    if encode_speeds(view):
        anchors, cells = _encode_anchors(view, prefix), _encode_cells(view, prefix)
        yield "encode", "encode-speed", partial(draw_encode, view, anchors=anchors, cells=cells)
    if view.rankings and any(e.encoding in view.bitrates_bps for e in view.rankings[0].entries):
        first, cells = view.rankings[0], _scrub_cells(view, view.rankings[0], prefix)
        yield "size", "size-against-time", partial(draw_size, view, first, cells=cells)


def setting_slug(setting: Cell) -> str:
    """A file name for a scrub setting: `jump-roll-4t`."""
    parts = [
        setting.pattern or "",
        setting.policy or "",
        f"{setting.thread_count}t",
        setting.threading or "",
        str(setting.viewer_height_px or ""),
        "" if setting.decoder == "software" else setting.decoder,
    ]
    return re.sub(r"[^a-z0-9]+", "-", "-".join(part for part in parts if part).lower())


def _scrub_cells(view: RunView, ranking: Ranking, prefix: str) -> dict[str, str]:
    return cell_anchors(view, ranking.setting, table_id=f"{prefix}{SCRUB_CELLS}")


def _encode_cells(view: RunView, prefix: str) -> dict[tuple[str, int], str]:
    """By encoding and thread count."""
    anchors: dict[tuple[str, int], str] = {}
    for cell in view.pooled_encodes:
        rows = cell_anchors(view, setting_of(cell), table_id=f"{prefix}{ENCODE_CELLS}")
        anchors[cell.encoding, cell.thread_count] = rows[cell.encoding]
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

"""Which figures a run gets, each with its caption, its text alternative and its bytes."""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

from markupsafe import Markup, escape
from matplotlib.figure import Figure

from mezzmark.decide.estimate.ranking import Ranking
from mezzmark.model.cell import Setting
from mezzmark.model.players import PLAYERS
from mezzmark.report.figures.encode import draw_encode
from mezzmark.report.figures.latency import draw_latency
from mezzmark.report.figures.marks import inline_svg, png_bytes, standalone_svg, svg_text
from mezzmark.report.figures.size import draw_size
from mezzmark.report.figures.spans import draw_spans
from mezzmark.report.figures.theme import Shape, own_look, role_words
from mezzmark.report.prose.numbers import estimate_text, shown_name
from mezzmark.report.prose.terms import setting_words
from mezzmark.report.tables.cells import ENCODE_CELLS, SCRUB_CELLS, cell_anchors
from mezzmark.report.view import RunView, encode_speeds

ALT_ROWS = 5
"""Encodings read out in a figure's text alternative; the table beside it has all of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A finished figure. `kind` is `latency`, `spans`, `encode` or `size`; `file_stem` names its
    files; `wide_svg` and `narrow_svg` are ready to stand in a page."""

    kind: str
    file_stem: str
    title: str
    caption: str
    alt: str
    wide_svg: Markup
    narrow_svg: Markup
    svg: bytes
    png: bytes


def draw_gallery(view: RunView, *, prefix: str) -> tuple[Picture, ...]:
    """All figures of one run, in the order of the report. `prefix` makes ids and file names of
    several runs differ."""
    with own_look():
        return tuple(_pictures(view, prefix))


def _pictures(view: RunView, prefix: str) -> Iterator[Picture]:
    for index, ranking in enumerate(view.rankings):
        yield _latency_picture(view, ranking, prefix, anchor=f"{prefix}ranking-{index}")
    if view.rankings:
        yield _spans_picture(view, view.rankings[0], prefix, anchor=f"{prefix}ranking-0")
    if encode_speeds(view):
        yield _encode_picture(view, prefix)
    if view.rankings and any(e.encoding in view.bitrates_bps for e in view.rankings[0].entries):
        yield _size_picture(view, view.rankings[0], prefix)


def _latency_picture(view: RunView, ranking: Ranking, prefix: str, *, anchor: str) -> Picture:
    return make_picture(
        "latency",
        f"{prefix}time-to-picture-{setting_slug(ranking.setting)}",
        f"Time to picture {setting_words(ranking.setting)}",
        "Above each line the spread of single moves, below it one dot per trial, at most 200. "
        "The mark is the median, the triangle the time within which 95 of 100 moves were "
        f"done. {role_words(view, ranking)}",
        _latency_alt(ranking),
        partial(
            draw_latency, view, ranking, anchor=anchor, cells=_scrub_cells(view, ranking, prefix)
        ),
    )


def _spans_picture(view: RunView, ranking: Ranking, prefix: str, *, anchor: str) -> Picture:
    return make_picture(
        "spans",
        f"{prefix}where-the-waiting-goes",
        "Where the waiting goes",
        "Locate is the seek, decode is everything until the frame asked for, present is "
        "scaling and colour conversion for the viewer. "
        f"{role_words(view, ranking, blue='Blue names', orange='Orange name')}",
        "For each encoding the shares of locate, decode and present in all time waited.",
        partial(
            draw_spans, view, ranking, anchor=anchor, cells=_scrub_cells(view, ranking, prefix)
        ),
    )


def _encode_picture(view: RunView, prefix: str) -> Picture:
    return make_picture(
        "encode",
        f"{prefix}encode-speed",
        "Encode speed",
        "One mark per thread count. Right of the dashed line encoding is faster than the "
        f"footage plays. {_encode_roles(view)}",
        _encode_alt(view),
        partial(
            draw_encode,
            view,
            anchors=_encode_anchors(view, prefix),
            cells=_encode_cells(view, prefix),
        ),
    )


def _encode_roles(view: RunView) -> str:
    """What blue means among encode speeds, where time to picture or a choice made something so."""
    if view.choice is None and not view.rankings:
        return ""
    names = [name for name in encode_speeds(view) if view.role(name) == "lead"]
    if not names:
        return ""
    if view.choice is not None:
        return "Blue: the chosen encoding."
    return "Blue: those that may bring a picture soonest."


def _size_picture(view: RunView, ranking: Ranking, prefix: str) -> Picture:
    return make_picture(
        "size",
        f"{prefix}size-against-time",
        "Size against time to picture",
        "Towards the lower left corner files are smaller and pictures come sooner. "
        f"{role_words(view, ranking)}",
        "Bit rate of each encoding against its median time to picture; the ranking table "
        "holds both numbers.",
        partial(draw_size, view, ranking, cells=_scrub_cells(view, ranking, prefix)),
    )


def make_picture(
    kind: str,
    file_stem: str,
    title: str,
    caption: str,
    alt: str,
    draw: Callable[[Shape], Figure],
) -> Picture:
    """A figure drawn in both shapes and turned into all that page and files need."""
    label = str(escape(f"{title}. {alt}"))
    wide, narrow = draw("wide"), draw("narrow")
    wide_text = svg_text(wide)
    return Picture(
        kind=kind,
        file_stem=file_stem,
        title=title,
        caption=caption,
        alt=alt,
        wide_svg=Markup(inline_svg(wide_text, prefix=f"{file_stem}-w", label=label)),
        narrow_svg=Markup(inline_svg(svg_text(narrow), prefix=f"{file_stem}-n", label=label)),
        svg=standalone_svg(wide_text).encode("utf-8"),
        png=png_bytes(wide),
    )


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


def _latency_alt(ranking: Ranking) -> str:
    parts = [
        f"{shown_name(entry.encoding)} {estimate_text(entry.estimates['p50_ms'])}"
        for entry in ranking.entries[:ALT_ROWS]
    ]
    more = len(ranking.entries) - ALT_ROWS
    tail = f"; {more} more in the table" if more > 0 else ""
    return f"Medians, fastest first: {'; '.join(parts)}{tail}."


def _encode_alt(view: RunView) -> str:
    best = {
        name: max(by_threads.values(), key=lambda estimate: estimate.point)
        for name, by_threads in encode_speeds(view).items()
    }
    names = sorted(best, key=lambda name: (-best[name].point, name))
    parts = [f"{shown_name(name)} {estimate_text(best[name])}" for name in names[:ALT_ROWS]]
    more = len(names) - ALT_ROWS
    tail = f"; {more} more in the table" if more > 0 else ""
    return f"Best speeds: {'; '.join(parts)}{tail}."


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

"""What the names of encodings stand for: those of a run, and the whole catalogue."""

from collections.abc import Mapping

from mezzmark.model.encoding import Encoding
from mezzmark.report.tables.run import named
from mezzmark.report.tables.table import Column, Entry, Table, tabulate
from mezzmark.report.view import RunView


def encoding_table(view: RunView) -> Table:
    """What each encoding's name stands for in a run."""
    return tabulate(
        view.manifest.encodings,
        [
            Column("encoding", lambda e: named(view, e.name), "left"),
            Column("codec", lambda e: f"{e.codec} {e.profile}".strip(), "left"),
            Column("container", lambda e: e.container.upper(), "left"),
            Column("pixel format", lambda e: e.pixel_format, "left"),
            Column("pictures", _pictures, "left"),
            Column("encoder", lambda e: e.encoder, "left"),
            Column("options", _options, "left"),
        ],
        table_id=f"{view.prefix}encodings",
        title="Encodings",
        note="The encoder and its options are FFmpeg's own words, as one would type them.",
    )


def _pictures(encoding: Encoding) -> str:
    return "all intra" if encoding.is_intra else f"key every {encoding.keyframe_interval}"


def _options(encoding: Encoding) -> str:
    options = dict(encoding.options)
    if encoding.bitrate_bps:
        options["b"] = str(encoding.bitrate_bps)
    return " ".join(f"{key}={value}" for key, value in sorted(options.items()))


def catalogue_table(found: Mapping[str, tuple[Encoding, str]], *, is_probed: bool) -> Table:
    """Every encoding of the catalogue, and whether it works here, if it was tried."""
    works: Column[tuple[Encoding, str]] = Column(
        "works here", lambda r: Entry("no", sign="wrong") if r[1] else "yes", "left"
    )
    return tabulate(
        found.values(),
        [
            Column("encoding", lambda r: r[0].name, "left"),
            Column("codec", lambda r: r[0].codec, "left"),
            *([works] if is_probed else []),
            Column("file", lambda r: f"{r[0].container}, {r[0].pixel_format}", "left"),
            Column("pictures", lambda r: _kind(r[0]), "left"),
            Column("encoder", lambda r: f"{r[0].encoder} {_options(r[0])}", "left", is_long=True),
        ],
        table_id="catalogue",
        title="",
    )


def _kind(encoding: Encoding) -> str:
    lossless = ["lossless"] if encoding.is_lossless else []
    alpha = ["alpha"] if encoding.has_alpha else []
    return ", ".join([_pictures(encoding), *lossless, *alpha])

"""Shows what a file is: facts first, then what to do about it."""

import json
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from mezzmark.model.inspection import Inspection, Spread
from mezzmark.report.prose.footage import file_advice
from mezzmark.report.prose.numbers import visible_text

_LEVELS = " ▁▂▃▄▅▆▇█"
"""Block characters for the bit rate over time, lowest to highest."""

LONGEST_TRACE = 60
"""Characters of the bit-rate trace that fit on a line of a terminal."""


def print_inspections(inspections: Sequence[Inspection], *, as_json: bool) -> None:
    """A table for each file, or one JSON array."""
    if as_json:
        print(json.dumps([found.model_dump(mode="json") for found in inspections], indent=2))
        return
    console = Console()
    for found in inspections:
        console.print(_table(found))
        for advice in file_advice(found):
            text = visible_text(f"{advice.what} {advice.remedy}")
            console.print(_marked("!", text, style="yellow"))
        console.print()


def _marked(mark: str, text: str, *, style: str) -> Table:
    """A paragraph whose every line stands right of its mark."""
    paragraph = Table.grid(padding=(0, 1, 0, 0))
    paragraph.add_column(width=3, justify="right", no_wrap=True)
    paragraph.add_column(overflow="fold")
    paragraph.add_row(Text(mark, style=style), Text(text, style=style))
    return paragraph


def _table(found: Inspection) -> Table:
    table = Table(
        title=Text(visible_text(Path(found.media.path).name), style="bold"),
        title_justify="left",
        show_header=False,
        box=None,
        padding=(0, 2, 0, 2),
    )
    table.add_column(style="dim", no_wrap=True)
    table.add_column(overflow="fold")
    for name, value in _rows(found):
        table.add_row(name, Text(visible_text(value)))
    return table


def _rows(found: Inspection) -> list[tuple[str, str]]:
    media = found.media
    rows = [
        ("codec", f"{media.codec} {media.profile or ''}".strip() + f" in {media.container}"),
        ("picture", f"{media.width_px} × {media.height_px}, {_pixels(found)}"),
        ("frame rate", _rate(found)),
        ("length", _length(found)),
        ("key frames", _groups(found)),
        ("B frames", _share(found.b_frame_fraction)),
        ("colour", _tags(found)),
        ("bit rate", _bitrate(found)),
        ("audio", _audio(found)),
        ("size", f"{media.file_bytes / 1e6:.1f} MB"),
    ]
    return [row for row in rows if row[1]]


def _pixels(found: Inspection) -> str:
    media = found.media
    alpha = ", alpha" if media.has_alpha else ""
    scan = ", interlaced" if found.is_interlaced else ""
    return f"{media.chroma} {media.bit_depth} bit ({media.pixel_format}){alpha}{scan}"


def _rate(found: Inspection) -> str:
    rate = found.measured_rate or found.media.frame_rate
    if rate is None:
        return found.rate_kind
    shown = f"{float(rate):.3f} ({rate}), {found.rate_kind}"
    spacing = found.frame_spacing_ms
    if found.rate_kind == "variable" and spacing:
        shown += f": {spacing.minimum:.1f} to {spacing.maximum:.1f} ms between frames"
    return shown


def _length(found: Inspection) -> str:
    examined = f"{found.examined_duration_s:.2f} s, {found.examined_frame_count} frames"
    return f"{examined} examined" if found.is_excerpt else examined


def _groups(found: Inspection) -> str:
    if found.group_kind == "intra":
        return "every picture (intra)"
    frames, seconds = found.keyframe_interval_frames, found.keyframe_spacing_s
    if frames is None or seconds is None:
        return f"{found.keyframe_count} seen"
    return (
        f"every {_spread(frames, digits=0)} frames, {_spread(seconds, digits=2)} s; "
        f"{found.group_kind} groups of pictures"
    )


def _spread(spread: Spread, *, digits: int) -> str:
    if spread.minimum == spread.maximum:
        return f"{spread.median:.{digits}f}"
    return (
        f"{spread.median:.{digits}f} ({spread.minimum:.{digits}f} to {spread.maximum:.{digits}f})"
    )


def _share(fraction: float | None) -> str:
    return "" if fraction is None else f"{fraction:.0%} of pictures"


def _tags(found: Inspection) -> str:
    tags = found.tag_names
    return (
        f"range {tags.colour_range} · primaries {tags.primaries} · "
        f"transfer {tags.transfer} · matrix {tags.matrix}"
    )


def _bitrate(found: Inspection) -> str:
    if found.bitrate_bps is None:
        return ""
    seconds = found.bitrate_by_second_bps
    shown = f"{found.bitrate_bps / 1e6:.1f} Mbit/s"
    if len(seconds) > 1:
        shown += (
            f"  {_trace(seconds)}  {min(seconds) / 1e6:.1f} to {max(seconds) / 1e6:.1f} by second"
        )
    return shown


def _trace(values: Sequence[float]) -> str:
    """A small picture of the values in time, thinned to fit a line."""
    stride = -(-len(values) // LONGEST_TRACE)
    highest = max(values) or 1.0
    return "".join(
        _LEVELS[round(value / highest * (len(_LEVELS) - 1))] for value in values[::stride]
    )


def _audio(found: Inspection) -> str:
    return "; ".join(
        f"{track.codec}, {track.channel_count} channels, {track.sample_rate_hz / 1000:g} kHz"
        for track in found.audio_tracks
    )

"""Which tags an encoding in a container keeps: written with the frames, then read back.

Colour description, chroma location, field order, sample aspect, timecode, rate and duration are
told to encoder and muxer; a demuxer and a decoder say afterwards what is left.
"""

import re
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Final

from av.container import OutputContainer
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame

from mezzmark.engines.media.pixels import pixel_format_facts
from mezzmark.engines.media.probe import (
    describe_media,
    exact_fraction,
    first_picture,
    open_media,
    stated,
    stated_in_pictures,
)
from mezzmark.engines.media.shape import PROGRESSIVE, shown_facts
from mezzmark.model.errors import EncodingError
from mezzmark.model.footage import ColourTags, MediaFacts

TIMECODE: Final = "01:02:03:04"
SAMPLE_ASPECT: Final = Fraction(4, 3)
"""Anamorphic, so that a lost aspect cannot pass for a kept one."""

CHROMA_LOCATION: Final = "topleft"
"""Not the usual "left", so that a guess cannot pass for a kept tag."""

FIELD_ORDERS: Final = {
    0: "unknown",
    1: "progressive",
    2: "top first",
    3: "bottom first",
    4: "top coded first, bottom shown first",
    5: "bottom coded first, top shown first",
}
"""FFmpeg's numbers (AVFieldOrder)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TagsRead:
    """What a file says of itself: `media` as the player reads it, `pictures` what the coded
    pictures state."""

    media: MediaFacts
    pictures: ColourTags
    chroma_location: str | None
    field_order: str
    sample_aspect: str | None
    timecode: str | None


def write_tags(container: OutputContainer, context: VideoCodecContext) -> None:
    """Tell container and encoder every tag that there is, but colour and rate."""
    container.metadata["timecode"] = TIMECODE
    context.thread_type = "SLICE"  # so few pictures gain nothing from being encoded side by side
    context.sample_aspect_ratio = SAMPLE_ASPECT
    context.field_order = PROGRESSIVE
    context.options = context.options | {"chroma_sample_location": CHROMA_LOCATION}


def read_tags(path: Path) -> TagsRead:
    """Every tag that demuxer and decoder find. EncodingError where no frame comes back."""
    with open_media(path) as (container, track):
        media = describe_media(container, track, path)
        order = FIELD_ORDERS.get(int(track.codec_context.field_order), "unknown")
        aspect = exact_fraction(track.sample_aspect_ratio)
        timecode = stated(container, "timecode") or None
        pictures = stated_in_pictures(container, track)
        if (frame := first_picture(container, track)) is None:
            what = "no frame came back"
            raise EncodingError(where="chart", what=what, remedy="Leave this encoding out.")
        location = _chroma_location(frame)
    return TagsRead(
        media=media,
        pictures=pictures,
        chroma_location=location,
        field_order=order,
        sample_aspect=str(aspect) if aspect else None,
        timecode=timecode,
    )


def chroma_locations(pixel_format: str, read: str | None) -> tuple[str | None, str | None]:
    """The location told and the one read, as far as the format has one: none at full chroma, and
    only left or centre where every line has chroma (there "topleft" is the same as "left")."""
    chroma = pixel_format_facts(pixel_format).chroma
    if chroma == "4:2:0":
        return CHROMA_LOCATION, read
    if chroma in ("4:2:2", "4:1:1"):
        across = {"topleft": "left", "bottomleft": "left", "top": "center", "bottom": "center"}
        return across[CHROMA_LOCATION], across.get(read, read) if read else None
    return None, None


def _chroma_location(frame: VideoFrame) -> str | None:
    """The frame's chroma location, which PyAV does not show."""
    found = re.search(r"\bcl:(\w+)", shown_facts(frame))
    return found.group(1) if found and found.group(1) not in ("unspecified", "unknown") else None

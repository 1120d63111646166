"""Which tags an encoding in a container keeps: written with the frames, then read back.

Colour description, chroma location, field order, sample aspect, timecode, rate and duration are
told to encoder and muxer; a demuxer and a decoder say afterwards what is left.
"""

import re
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

from av.container import OutputContainer
from av.video.codeccontext import VideoCodecContext

from mezzmark.engines.media import probe
from mezzmark.engines.media.pixels import pixel_format_facts
from mezzmark.engines.media.shape import PROGRESSIVE, shown_facts
from mezzmark.model.encoding import Encoding
from mezzmark.model.errors import EncodingError
from mezzmark.model.footage import MediaFacts

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


def write_tags(container: OutputContainer, context: VideoCodecContext) -> None:
    """Tell container and encoder every tag that there is, but colour and rate."""
    container.metadata["timecode"] = TIMECODE
    context.thread_type = "SLICE"  # so few pictures gain nothing from being encoded side by side
    context.sample_aspect_ratio = SAMPLE_ASPECT
    context.field_order = PROGRESSIVE
    context.options = context.options | {"chroma_sample_location": CHROMA_LOCATION}


def read_tags(path: Path, encoding: Encoding) -> tuple[MediaFacts, dict[str, Any]]:
    """The file as the player reads it, and by the names of `TagSurvival`'s fields what demuxer and
    decoder find beside what was told. EncodingError where no frame comes back."""
    with probe.open_media(path) as (container, track):
        media = probe.describe_media(container, track, path)
        order = FIELD_ORDERS.get(int(track.codec_context.field_order), "unknown")
        timecode = probe.stated(container, "timecode") or None
        pictures = probe.stated_in_pictures(container, track)
        if (frame := probe.first_picture(container, track)) is None:
            what = "no frame came back"
            raise EncodingError(where="chart", what=what, remedy="Leave this encoding out.")
        # PyAV does not show it.
        found = re.search(r"\bcl:(?!unspecified|unknown)(\w+)", shown_facts(frame))
    aspect = media.sample_aspect
    return media, {
        "encoding": encoding.name,
        "container": encoding.container,
        "read": media.tags,
        "pictures": pictures,
        "chroma_location": _chroma_locations(encoding.pixel_format, found[1] if found else None),
        "field_order": (FIELD_ORDERS[PROGRESSIVE], order),
        "sample_aspect": (str(SAMPLE_ASPECT), str(aspect) if aspect else None),
        "timecode": (TIMECODE, timecode),
    }


def _chroma_locations(pixel_format: str, read: str | None) -> tuple[str | None, str | None]:
    """The location told and the one read, as far as the format has one: none at full chroma, and
    only left or centre where every line has chroma (there "topleft" is the same as "left")."""
    chroma = pixel_format_facts(pixel_format).chroma
    if chroma == "4:2:0":
        return CHROMA_LOCATION, read
    if chroma in ("4:2:2", "4:1:1"):
        across = {"topleft": "left", "bottomleft": "left", "top": "center", "bottom": "center"}
        return across[CHROMA_LOCATION], across.get(read, read) if read else None
    return None, None

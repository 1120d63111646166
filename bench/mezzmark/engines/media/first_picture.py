"""What a file's first coded picture says: colour tags of its own, HDR metadata, how to show it."""

import math
import struct
from contextlib import suppress
from itertools import islice
from typing import Any, Final, cast

import av
from av.container import InputContainer
from av.error import FFmpegError
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from mezzmark.engines.media.pixels import pixel_format_facts, tags_of
from mezzmark.engines.media.probe import DECODER_LIMIT
from mezzmark.model.colour import FULL_RANGE, UNSPECIFIED
from mezzmark.model.footage import ColourTags, HdrMetadata

_FIRST_PACKETS: Final = 64
"""So many at most until a decoder gives its first picture; some hold back as many as they have
threads."""


def stated_in_pictures(container: InputContainer, track: VideoStream) -> ColourTags:
    """Colour tags that the coded pictures state themselves, whatever the container says, read by a
    decoder that never saw the container; nothing where it cannot do without."""
    known = track.codec_context
    bare = cast(VideoCodecContext, av.CodecContext.create(known.codec.name, "r"))
    bare.options = dict(DECODER_LIMIT)
    with suppress(FFmpegError, ValueError):
        if known.extradata:
            bare.extradata = known.extradata
        bare.width, bare.height, bare.pix_fmt = known.width, known.height, known.pix_fmt
        container.seek(0)
        for packet in islice(container.demux(track), _FIRST_PACKETS):
            for frame in bare.decode(packet if packet.size else None):
                return _unreserved(tags_of(frame), frame.format.name)
    return ColourTags()


def _unreserved(tags: ColourTags, pixel_format: str) -> ColourTags:
    """Reserved code points (ITU-T H.273) say nothing; no more does the matrix of RGB where the
    samples are not RGB."""
    silent = {
        name: UNSPECIFIED for name in ("primaries", "transfer") if getattr(tags, name) in (0, 3)
    }
    if tags.matrix == 3 or (tags.matrix == 0 and not pixel_format_facts(pixel_format).is_rgb):
        silent["matrix"] = UNSPECIFIED
    if pixel_format.startswith("yuvj"):
        silent["colour_range"] = FULL_RANGE
    return tags.model_copy(update=silent)


def hdr_metadata_of(frame: VideoFrame) -> HdrMetadata | None:
    """What a decoded picture carries of its mastering display and its light levels, as FFmpeg lays
    them out (AVMasteringDisplayMetadata, AVContentLightMetadata); None where there is neither."""
    found: dict[str, float | None] = {}
    for side in _side_data(frame):
        if side.type.name == "MASTERING_DISPLAY_METADATA":
            *_, least, unit, most, most_unit, _, is_stated = struct.unpack("=22i", bytes(side))
            if is_stated and unit and most_unit:
                found |= {"mastering_min_cd": least / unit, "mastering_max_cd": most / most_unit}
        elif side.type.name == "CONTENT_LIGHT_LEVEL":
            cll, fall = struct.unpack("=2I", bytes(side))
            found |= {"max_cll_cd": cll or None, "max_fall_cd": fall or None}
    return HdrMetadata.model_validate(found) if found else None


def _side_data(frame: VideoFrame) -> list[Any]:
    """All of it; PyAV's own iteration fails."""
    found: Any = frame.side_data
    return [found[place] for place in range(len(found))]


def quarter_turns(frame: VideoFrame) -> int:
    """By how many quarters to the left the picture asks to be turned when it is shown (display
    matrix, ISO/IEC 14496-12, 6.2.2), 0 to 3. A mirrored one is shown as it is stored."""
    for side in _side_data(frame):
        if side.type.name == "DISPLAYMATRIX":
            right, down, _, left, up, *_ = struct.unpack("=9i", bytes(side))
            if right * up - down * left > 0:
                return round(-math.atan2(down, right) / (math.pi / 2)) % 4
    return 0


def first_picture(container: InputContainer, track: VideoStream) -> VideoFrame | None:
    """The first picture that decodes; None without one."""
    with suppress(FFmpegError):
        container.seek(0)
        return next(container.decode(track), None)
    return None

"""How a picture says that it is shown: turned, in fields, with samples of an aspect, on which
display; its shape, carried from a clip to the files that are made of it; and the slices that it is
coded in, which several threads can decode at once.

An encoder takes the order from each frame and a muxer from the encoder's context. Frames lose it
where their planes are copied, and PyAV neither sets nor shows it: libavfilter does.
"""

import math
import re
import struct
from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import Any, Final, cast

import av.logging
from av.container import OutputContainer
from av.filter import Graph
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame

from mezzmark.model.encoding import Encoding
from mezzmark.model.footage import FieldOrder, HdrMetadata, MediaFacts

FIELD_ORDERS: Final[dict[int, FieldOrder]] = {
    2: "top first",
    3: "bottom first",
    4: "bottom first",
    5: "top first",
}
"""FFmpeg's numbers (AVFieldOrder) of pictures of two fields, by which is shown first."""

PROGRESSIVE: Final = 1
_TICK: Final = Fraction(1, 25)

_NUMBERS: Final[dict[FieldOrder, int]] = {"top first": 2, "bottom first": 3}
_MODES: Final[dict[FieldOrder, str]] = {"top first": "tff", "bottom first": "bff"}


def _filtered(frame: VideoFrame, name: str, option: str | None = None) -> VideoFrame:
    """The frame as it leaves one of libavfilter's filters that copies no samples."""
    graph, width, height = Graph(), frame.width, frame.height
    entry = graph.add_buffer(width=width, height=height, format=frame.format, time_base=_TICK)
    node, sink = graph.add(name, option), graph.add("buffersink")
    entry.link_to(node)
    node.link_to(sink)
    graph.configure()
    pts, time_base = frame.pts, frame.time_base
    frame.pts, frame.time_base = 0, _TICK
    entry.push(frame)
    left = cast(VideoFrame, sink.pull())
    left.pts, left.time_base = pts, time_base or _TICK
    return left


def shown_facts(frame: VideoFrame) -> str:
    """What libavfilter's `showinfo` prints of a frame."""
    level = av.logging.get_level()
    av.logging.set_level(av.logging.INFO)
    try:
        with av.logging.Capture() as lines:
            _filtered(frame, "showinfo")
    finally:
        av.logging.set_level(level)
    return "".join(line[2] for line in lines)


def order_of(frame: VideoFrame | None) -> FieldOrder | None:
    """The order of a decoded frame's fields; None where it says that it is progressive."""
    if frame is None or not frame.interlaced_frame:
        return None
    return "top first" if re.search(r"\bi:T", shown_facts(frame)) else "bottom first"


def mark_fields(frame: VideoFrame, order: FieldOrder | None) -> VideoFrame:
    """The frame marked as one of two fields; itself where it is or there are none."""
    if order is None or frame.interlaced_frame:
        return frame
    return _filtered(frame, "setfield", _MODES[order])


def carry_shape(
    encoding: Encoding, source: MediaFacts
) -> Callable[[OutputContainer, VideoCodecContext], None]:
    """What tells an encoder the shape of a clip's pictures, before it is opened."""

    def prepare(_container: OutputContainer, context: VideoCodecContext) -> None:
        if (aspect := wanted_aspect(encoding, source)) != 1:
            context.sample_aspect_ratio = aspect
        if source.field_order and encoding.interlaced_options is not None:
            context.field_order = _NUMBERS[source.field_order]
            context.options = context.options | encoding.interlaced_options

    return prepare


def wanted_aspect(encoding: Encoding, source: MediaFacts) -> Fraction:
    """The aspect that the samples of an encoding of this clip have."""
    size, of_clip = (source.width_px, source.height_px), source.sample_aspect or Fraction(1)
    is_native = encoding.picture_size(*size) == size
    return of_clip if is_native else of_clip * encoding.scale[1] / encoding.scale[0]


def side_data_of(frame: VideoFrame) -> dict[str, bytes]:
    """What a picture carries beside its samples, by FFmpeg's name; PyAV's own iteration fails."""
    found: Any = frame.side_data
    parts = (found[place] for place in range(len(found)))
    return {part.type.name: bytes(part) for part in parts}


def hdr_metadata_of(frame: VideoFrame) -> HdrMetadata | None:
    """Its mastering display and its light levels, as FFmpeg lays them out
    (AVMasteringDisplayMetadata, AVContentLightMetadata); None where there is neither. A
    display that is darker than dark is not stated."""
    found: dict[str, float | None] = {}
    side = side_data_of(frame)
    if display := side.get("MASTERING_DISPLAY_METADATA"):
        *_, least, unit, most, most_unit, _, is_stated = struct.unpack("=22i", display)
        if is_stated and min(unit, most_unit) > 0 and min(least, most) >= 0:
            found |= {"mastering_min_cd": least / unit, "mastering_max_cd": most / most_unit}
    if light := side.get("CONTENT_LIGHT_LEVEL"):
        cll, fall = struct.unpack("=2I", light)
        found |= {"max_cll_cd": cll or None, "max_fall_cd": fall or None}
    return HdrMetadata.model_validate(found) if found else None


def quarter_turns(frame: VideoFrame) -> int:
    """By how many quarters to the left the picture asks to be turned when it is shown (display
    matrix, ISO/IEC 14496-12, 6.2.2), 0 to 3. A mirrored one is shown as it is stored."""
    if matrix := side_data_of(frame).get("DISPLAYMATRIX"):
        right, down, _, left, up, *_ = struct.unpack("=9i", matrix)
        if right * up - down * left > 0:
            return round(-math.atan2(down, right) / (math.pi / 2)) % 4
    return 0


_IS_SLICE: Final[dict[str, Callable[[int], bool]]] = {
    "h264": lambda first: first & 31 in (1, 2, 5),
    "hevc": lambda first: first >> 1 & 63 <= 31,
    "mpeg2video": lambda first: 1 <= first <= 0xAF,
}
"""By FFmpeg's name of the codec: whether a unit with this first byte is a slice (ITU-T H.264
(08/2021) 7.3.1 and table 7-1; H.265 (08/2021) 7.3.1.2 and table 7-1, where dependent slice segments
count too; H.262 (02/2012) 6.2.1 and table 6-1)."""

_LENGTH_SIZE_AT: Final = {"h264": 4, "hevc": 21}
"""In MP4 and its kin units are led by their length. Byte of the decoder configuration whose last
two bits are that length's size less one (ISO/IEC 14496-15, 5.3.3 and 8.3.3)."""


def slice_reader(context: VideoCodecContext) -> Callable[[bytes], tuple[int, ...]] | None:
    """A function from a packet to each slice's bytes without padding; None for other codecs."""
    name, setup = context.codec.canonical_name, context.extradata or b""
    is_slice, size_at = _IS_SLICE.get(name), _LENGTH_SIZE_AT.get(name, 0)
    if is_slice is None:
        return None
    is_led_by_length = len(setup) > size_at > 0 and setup[0] == 1
    length_size = (setup[size_at] & 3) + 1 if is_led_by_length else 0

    def sizes(packet: bytes) -> tuple[int, ...]:
        units = _by_length(packet, length_size) if length_size else packet.split(b"\0\0\1")[1:]
        return tuple(len(unit.rstrip(b"\0\3")) for unit in units if unit and is_slice(unit[0]))

    return sizes


def _by_length(packet: bytes, length_size: int) -> Iterator[bytes]:
    at = 0
    while at + length_size < len(packet):
        start = at + length_size
        at = start + int.from_bytes(packet[at:start], "big")
        yield packet[start:at]

"""The slices of a coded picture: what several threads can decode at once within one picture.

Found by the start of each unit in a packet: ITU-T H.264 (08/2021) 7.3.1 and table 7-1, H.265
(08/2021) 7.3.1.2 and table 7-1 (dependent slice segments count too), H.262 (02/2012) 6.2.1 and
table 6-1. In MP4 and its kin units are led by their length instead (ISO/IEC 14496-15, 5.3.3 and
8.3.3, which hold the length's own size in the decoder configuration).
"""

from collections.abc import Callable, Iterator
from typing import Final

from av.video.codeccontext import VideoCodecContext

_IS_SLICE: Final[dict[str, Callable[[int], bool]]] = {
    "h264": lambda first: first & 31 in (1, 2, 5),
    "hevc": lambda first: first >> 1 & 63 <= 31,
    "mpeg2video": lambda first: 1 <= first <= 0xAF,
}
"""By FFmpeg's name of the codec: whether a unit with this first byte is a slice."""

_LENGTH_SIZE_AT: Final = {"h264": 4, "hevc": 21}
"""Byte of the decoder configuration whose last two bits are the length's size less one."""


def slice_reader(context: VideoCodecContext) -> Callable[[bytes], tuple[int, ...]] | None:
    """A function from a packet to the bytes of each of its slices, padding left out; None for a
    codec whose slices are not looked for."""
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

"""Pictures for the tests of encoding: stamped, moving, with detail in every plane.

Made by the tests' own numpy, so that what comes back can be compared with what was drawn.
"""

import tempfile
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path

import av
import numpy as np

from mezzmark.engines.convert import Converter
from mezzmark.engines.frame_index import build_frame_index
from mezzmark.engines.media import probe_media
from mezzmark.engines.pixels import frame_from_planes
from mezzmark.engines.stamp import read_stamp, write_stamp
from mezzmark.facts.footage import ColourTags, FrameIndex, MediaFacts

FRAME_COUNT = 12
RATE = Fraction(25)
BT709_LIMITED = ColourTags(colour_range=1, primaries=1, transfer=1, matrix=1)
MASTER_FORMAT = "yuva444p10le"


SMALL = (256, 128)
"""Legal for every encoding without a fixed size, and room for the stamp."""


@cache
def draw_planes(number: int, width_px: int, height_px: int) -> tuple[np.ndarray, ...]:
    """Y, Cb, Cr, A of picture `number` in 10 bits: waves that move, a ramp, a stamp.

    Large pictures repeat a small one, which is quicker to draw.
    """
    y, x = np.mgrid[0 : SMALL[1], 0 : SMALL[0]].astype(np.float64)
    luma = 460 + 200 * np.sin((x + 5 * number) / 17) * np.cos(y / 23) + 0.37 * x
    cb = 512 + 150 * np.sin((x - 3 * number) / 29 + y / 11)
    cr = 512 + 150 * np.cos((y + 4 * number) / 19 - x / 31)
    repeats = (-(-height_px // SMALL[1]), -(-width_px // SMALL[0]))
    planes = tuple(
        np.tile(np.round(plane).astype(np.uint16), repeats)[:height_px, :width_px]
        for plane in (luma, cb, cr)
    )
    write_stamp(planes[0], number, 5, 10)
    ramp = np.round(1023 * np.arange(width_px) / (width_px - 1)).astype(np.uint16)
    return (*planes, np.tile(ramp, (height_px, 1)))


def draw_pictures(
    pixel_format: str, size: tuple[int, int] = SMALL
) -> tuple[list[av.VideoFrame], ColourTags]:
    """New frames of the drawn pictures in a pixel format, and the tags they have there."""
    converter = Converter(master().facts, pixel_format, thread_count=1)
    frames = [
        converter.convert(
            frame_from_planes(draw_planes(number, *size), MASTER_FORMAT, BT709_LIMITED)
        )
        for number in range(FRAME_COUNT)
    ]
    return frames, converter.tags


@cache
def kept_pictures(
    pixel_format: str, size: tuple[int, int] = SMALL
) -> tuple[list[av.VideoFrame], ColourTags]:
    """The same, made once; not to be drawn upon."""
    return draw_pictures(pixel_format, size)


@dataclass(frozen=True, kw_only=True)
class Master:
    """A lossless file of the drawn pictures, with its facts and index."""

    path: Path
    facts: MediaFacts
    index: FrameIndex


@cache
def master() -> Master:
    """The drawn pictures as a lossless file, made once in a folder of the system's."""
    path = Path(tempfile.mkdtemp(prefix="mezzmark-master-")) / "master.mkv"
    with av.open(str(path), "w", format="matroska") as container:
        track = container.add_stream("ffv1", rate=RATE)
        track.width, track.height = SMALL
        track.pix_fmt = MASTER_FORMAT
        track.codec_context.color_range = 1
        track.codec_context.color_primaries = 1
        track.codec_context.color_trc = 1
        track.codec_context.colorspace = 1
        for number in range(FRAME_COUNT):
            frame = frame_from_planes(draw_planes(number, *SMALL), MASTER_FORMAT, BT709_LIMITED)
            frame.pts, frame.time_base = number, 1 / RATE
            container.mux(track.encode(frame))
        container.mux(track.encode())
    return Master(
        path=path, facts=probe_media(path), index=build_frame_index(path, is_stamped=True)
    )


def decode_all(path: Path) -> list[av.VideoFrame]:
    """Every picture of a file, by the library alone."""
    with av.open(str(path)) as container:
        track = container.streams.video[0]
        track.codec_context.thread_count = 1
        return list(container.decode(track))


def stamp_in(frame: av.VideoFrame) -> int | None:
    """The stamp of a decoded picture, from its luma or green plane as the library gives it."""
    bits = frame.format.components[0].bits
    if frame.format.name == "uyvy422":
        luma = np.frombuffer(frame.planes[0], np.uint8).reshape(frame.height, -1)
        reading = read_stamp(np.ascontiguousarray(luma[:, 1 : 2 * frame.width : 2]), 8)
    else:
        dtype = np.uint8 if bits == 8 else np.uint16
        rows = np.frombuffer(frame.planes[0], dtype)
        rows = rows.reshape(frame.height, frame.planes[0].line_size // dtype().itemsize)
        reading = read_stamp(np.ascontiguousarray(rows[:, : frame.width]), bits)
    return None if reading is None else reading.frame_index

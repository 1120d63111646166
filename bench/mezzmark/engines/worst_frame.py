"""The worst part of the worst frame, cut out of both sides as a viewer shows them."""

import base64
from fractions import Fraction
from typing import Final

import av
import numpy as np
import numpy.typing as npt
from av.video.frame import VideoFrame

from mezzmark.engines.viewer import presenter
from mezzmark.facts.fidelity import WorstFrame
from mezzmark.facts.footage import MediaFacts

CROP_PX: Final = (160, 90)
"""Small enough to keep in a record, large enough to see what happened."""


def cut_worst(
    before: VideoFrame,
    after: VideoFrame,
    *,
    frame_index: int,
    before_facts: MediaFacts,
    after_facts: MediaFacts,
) -> WorstFrame:
    """Both views of the tile with the largest squared error; tiles lie on a grid of half tiles."""
    left, right = _view(before, before_facts), _view(after, after_facts)
    across, down = min(CROP_PX[0], left.shape[1]), min(CROP_PX[1], left.shape[0])
    left_px, top_px = _worst_tile(left, right, across, down)
    window = (slice(top_px, top_px + down), slice(left_px, left_px + across))
    return WorstFrame(
        frame_index=frame_index,
        left_px=left_px,
        top_px=top_px,
        before_png=png_base64(left[window]),
        after_png=png_base64(right[window]),
    )


def _view(frame: VideoFrame, facts: MediaFacts) -> npt.NDArray[np.uint8]:
    present = presenter(facts, pixel_aspect=Fraction(1), height_px=facts.height_px, thread_count=1)
    shown = present(frame)
    if shown is None:
        raise ValueError("a frame always gives a view")
    return np.asarray(shown.to_ndarray(), dtype=np.uint8)


def png_base64(rgb: npt.NDArray[np.uint8]) -> str:
    """An RGB picture (lines, samples, 3; codes 0 to 255) as a PNG file in base64."""
    codes = np.ascontiguousarray(rgb)
    encoder = av.CodecContext.create("png", "w")
    encoder.width, encoder.height = codes.shape[1], codes.shape[0]
    encoder.pix_fmt = "rgb24"
    encoder.time_base = Fraction(1, 25)
    frame = VideoFrame.from_ndarray(codes, format="rgb24")
    packets = [*encoder.encode(frame), *encoder.encode(None)]
    return base64.b64encode(b"".join(bytes(packet) for packet in packets)).decode("ascii")


def _worst_tile(
    left: npt.NDArray[np.uint8], right: npt.NDArray[np.uint8], across: int, down: int
) -> tuple[int, int]:
    """Left and top of the tile with the largest squared error, from the sums of half tiles."""
    wide, high = max(1, across // 2), max(1, down // 2)
    half_columns, half_rows = left.shape[1] // wide, left.shape[0] // high
    halves = np.empty((half_rows, half_columns))
    for row in range(half_rows):
        strip = (slice(row * high, (row + 1) * high), slice(0, half_columns * wide))
        difference = left[strip].astype(np.int32) - right[strip]
        columns = np.einsum("yxc,yxc->x", difference, difference)
        halves[row] = columns.reshape(half_columns, wide).sum(axis=1)
    sums = halves[:-1, :-1] + halves[1:, :-1] + halves[:-1, 1:] + halves[1:, 1:]
    top, start = np.unravel_index(int(np.argmax(sums)), sums.shape)
    return int(start) * wide, int(top) * high

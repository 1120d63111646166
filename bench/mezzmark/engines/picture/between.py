"""What befalls pictures between two generations, as in real exports: a move, a bit-depth step."""

from typing import Final

import numpy as np
from av.video.frame import VideoFrame
from av.video.reformatter import VideoReformatter

from mezzmark.engines.media.pixels import Planes, frame_from_planes, pixel_format_facts, planes_of
from mezzmark.engines.picture.quality import PLAIN_TWIN
from mezzmark.model.errors import EncodingError
from mezzmark.model.footage import ColourTags
from mezzmark.model.tasks.fidelity import FidelitySettings

STEP_FORMATS: Final = {
    "yuv420p": "yuv420p10le",
    "yuv422p": "yuv422p10le",
    "yuv444p": "yuv444p10le",
    "yuvj420p": "yuv420p10le",
    "yuvj422p": "yuv422p10le",
    "yuvj444p": "yuv444p10le",
    "uyvy422": "yuv422p10le",
    "gbrp": "gbrp10le",
    "yuv420p10le": "yuv420p",
    "yuv422p10le": "yuv422p",
    "yuv444p10le": "yuv444p",
    "gbrp10le": "gbrp",
    "gbrp12le": "gbrp",
}
"""Where an 8/10-bit step takes a picture before it returns to its own format."""


def picture_offset_px(settings: FidelitySettings, generation: int) -> int:
    """How far right and down the picture lies in this generation: moved and moved back."""
    return settings.shift_px if generation % 2 == 0 else 0


def shifted(frame: VideoFrame, offset_px: int, tags: ColourTags | None = None) -> VideoFrame:
    """The picture moved right and down by whole pixels; what leaves comes back at the other
    side, so that nothing is lost and it can be moved back."""
    if not offset_px:
        return frame
    name = PLAIN_TWIN.get(frame.format.name, frame.format.name)
    pixel_format = frame.format.name if frame.format.name.startswith("yuvj") else name
    planes = planes_of(frame)
    height_px, width_px = planes[0].shape
    moved: Planes = tuple(
        np.roll(
            plane,
            (offset_px * plane.shape[0] // height_px, offset_px * plane.shape[1] // width_px),
            axis=(0, 1),
        )
        for plane in planes
    )
    if len(planes) == 4:
        pixel_format = frame.format.name
    return frame_from_planes(moved, pixel_format, tags)


class BitDepthStep:
    """Takes frames through fewer (or more) bits and back, without moving levels."""

    def __init__(self, pixel_format: str) -> None:
        self._home = pixel_format
        away = STEP_FORMATS.get(self._home)
        if away is None:
            raise EncodingError(
                where=f'pixel format "{self._home}"',
                what="there is no 8/10-bit step for it",
                remedy="Set fidelity.bit_depth_step to false.",
            )
        home = pixel_format_facts(self._home)
        full = home.is_rgb or home.is_full_range
        self._away = away
        self._range = "JPEG" if full else "MPEG"
        self._reformatter = VideoReformatter()

    def pass_through(self, frame: VideoFrame) -> VideoFrame:
        """The frame after the step, in its own format again."""
        for name in (self._away, self._home):
            frame = self._reformatter.reformat(
                frame, format=name, src_color_range=self._range, dst_color_range=self._range
            )
        return frame

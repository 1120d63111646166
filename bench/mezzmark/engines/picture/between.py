"""What befalls pictures between two generations, as in real exports: a move, a bit-depth step."""

import numpy as np
from av.video.frame import VideoFrame
from av.video.reformatter import VideoReformatter

from mezzmark.engines.media.pixels import Planes, frame_from_planes, pixel_format_facts, planes_of
from mezzmark.engines.picture.quality import PLAIN_TWIN
from mezzmark.model.encoding import planar_format
from mezzmark.model.errors import EncodingError
from mezzmark.model.footage import ColourTags
from mezzmark.model.tasks.fidelity import FidelitySettings


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
        home = pixel_format_facts(pixel_format)
        if home.has_alpha or home.chroma == "other":
            raise EncodingError(
                where=f'pixel format "{pixel_format}"',
                what="there is no 8/10-bit step for it",
                remedy="Set fidelity.bit_depth_step to false.",
            )
        full = home.is_rgb or home.is_full_range
        self._home = pixel_format
        self._away = planar_format(home.chroma, 10 if home.bit_depth == 8 else 8)
        self._range = "JPEG" if full else "MPEG"
        self._reformatter = VideoReformatter()

    def pass_through(self, frame: VideoFrame) -> VideoFrame:
        """The frame after the step, in its own format again."""
        for name in (self._away, self._home):
            frame = self._reformatter.reformat(
                frame, format=name, src_color_range=self._range, dst_color_range=self._range
            )
        return frame

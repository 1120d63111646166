"""The stamp outlives every encoder at its lowest quality, read from decoded luma."""

import io
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cache

import av
import pytest

from mezzmark.engines.footage.recipe import RECIPE_TAGS, generate_frames, recipe_clip_id
from mezzmark.engines.media.pixels import Planes, frame_from_planes, pixel_format_facts, planes_of
from mezzmark.engines.media.stamp import StampReading, read_stamp
from mezzmark.model.footage import Recipe

SEED = 1


@dataclass(frozen=True)
class Lowest:
    """An encoder at the lowest quality it offers."""

    encoder: str
    container: str
    pixel_format: str
    options: dict[str, str] = field(default_factory=dict)
    least_width_px: int = 0
    most_frames: int = 16

    @property
    def name(self) -> str:
        said = "-".join(f"{key}={value}" for key, value in self.options.items())
        return f"{self.encoder}-{said}".replace(":log-level=none", "")


def _x265(preset: str, keyframe_interval: int) -> Lowest:
    params = f"pools=2:keyint={keyframe_interval}:log-level=none"
    options = {"crf": "51", "preset": preset, "x265-params": params}
    return Lowest("libx265", "mp4", "yuv420p10le", options)


def _av1(preset: int) -> Lowest:
    options = {"crf": "63", "preset": str(preset), "g": "48", "svtav1-params": "lp=2"}
    return Lowest("libsvtav1", "mp4", "yuv420p10le", options)


Q31 = {"qmin": "31", "qmax": "31"}
LOWEST = [
    Lowest("libx264", "mp4", "yuv420p", {"crf": "51", "preset": "veryfast", "g": "48"}),
    Lowest("libx264", "mp4", "yuv420p", {"crf": "51", "preset": "ultrafast", "g": "1"}),
    Lowest("libx264", "mov", "yuv422p10le", {"crf": "51", "preset": "medium", "bf": "3"}),
    _x265("ultrafast", 48),
    _x265("ultrafast", 1),
    _x265("medium", 48),
    _av1(9),
    _av1(8),
    Lowest("dnxhd", "mov", "yuv422p", {"profile": "dnxhr_lb"}, least_width_px=256),
    Lowest("prores_ks", "mov", "yuv422p10le", {"profile": "proxy"}),
    Lowest("prores_aw", "mov", "yuv422p10le", {"profile": "0"}),
    Lowest("mjpeg", "mov", "yuvj420p", Q31),
    Lowest("mpeg2video", "mov", "yuv420p", Q31 | {"g": "1"}),
    Lowest("mpeg2video", "mov", "yuv420p", Q31 | {"g": "15", "bf": "2"}),
    Lowest("cfhd", "mov", "yuv422p10le", {"quality": "low"}),
    Lowest("jpeg2000", "mov", "yuv422p10le", {"layer_rates": "100"}, most_frames=3),
]
HARDEST = [_x265("ultrafast", 48), _av1(9), LOWEST[0], LOWEST[8], LOWEST[9]]


@cache
def _source(width_px: int, height_px: int, frame_count: int) -> tuple[Recipe, list[Planes]]:
    recipe = Recipe(
        width_px=width_px, height_px=height_px, frame_rate=24, duration_s=frame_count / 24
    )
    return recipe, list(generate_frames(recipe, SEED))


def _encoded(frames: list[Planes], lowest: Lowest) -> io.BytesIO:
    file = io.BytesIO()
    with av.open(file, "w", format=lowest.container) as container:
        stream = container.add_stream(lowest.encoder, rate=24)
        context = stream.codec_context
        context.height, context.width = frames[0][0].shape
        context.pix_fmt = lowest.pixel_format
        context.thread_count = 2
        context.options = lowest.options
        is_full = lowest.pixel_format.startswith("yuvj")
        for number, planes in enumerate(frames):
            frame = frame_from_planes(planes, "yuv420p", RECIPE_TAGS).reformat(
                format=lowest.pixel_format,
                src_colorspace=1,
                dst_colorspace=1,
                src_color_range=1,
                dst_color_range=2 if is_full else 1,
            )
            frame.pts, frame.time_base = number, Fraction(1, 24)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    file.seek(0)
    return file


def _readings(file: io.BytesIO) -> list[StampReading | None]:
    """Stamps read from decoded luma."""
    found = []
    with av.open(file) as container:
        container.streams.video[0].thread_type = "SLICE"
        for frame in container.decode(video=0):
            bit_depth = pixel_format_facts(frame.format.name).bit_depth
            found.append(read_stamp(planes_of(frame)[0], bit_depth))
    return found


def _assert_survives(width_px: int, height_px: int, frame_count: int, lowest: Lowest) -> None:
    if lowest.encoder not in av.codecs_available:
        pytest.skip(f"this FFmpeg build has no {lowest.encoder}")
    recipe, frames = _source(width_px, height_px, frame_count)
    clip_id = recipe_clip_id(recipe, SEED)
    expected = [StampReading(frame_index=n, clip_id=clip_id) for n in range(frame_count)]
    assert _readings(_encoded(frames, lowest)) == expected


@pytest.mark.parametrize("lowest", LOWEST, ids=lambda lowest: lowest.name)
def test_no_stamp_is_lost_or_misread_in_a_small_picture(lowest: Lowest) -> None:
    """At 320x180 each of 36 frames says its own number: none wrong, none unreadable."""
    _assert_survives(320, 180, 36, lowest)


@pytest.mark.parametrize("lowest", HARDEST, ids=lambda lowest: lowest.name)
def test_no_stamp_is_lost_or_misread_in_hd(lowest: Lowest) -> None:
    """At 1280x720 each of 12 frames says its own number, for the encoders that damage most."""
    _assert_survives(1280, 720, 12, lowest)


@pytest.mark.slow
@pytest.mark.parametrize("lowest", LOWEST, ids=lambda lowest: lowest.name)
@pytest.mark.parametrize("size", [(128, 112), (256, 144), (640, 360), (1920, 1080), (3840, 2160)])
def test_no_stamp_is_lost_or_misread_at_any_size(lowest: Lowest, size: tuple[int, int]) -> None:
    """The same from 128x112 to 2160p (5 frames from 1080 lines on, 16 below; of JPEG 2000, slow and
    without a picture that needs another, 3)."""
    if size[0] < lowest.least_width_px:
        pytest.skip(f"{lowest.encoder} makes no picture narrower than {lowest.least_width_px}")
    _assert_survives(*size, min(5 if size[1] >= 1080 else 16, lowest.most_frames), lowest)

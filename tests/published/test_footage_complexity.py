"""Spatial and temporal information (ITU-T P.910): checked outside, and beside natural clips."""

from collections.abc import Iterator
from fractions import Fraction
from functools import cache
from itertools import islice

import av
import numpy as np
import pytest

from fixtures.natural_clips import NATURAL_CLIPS, natural_clip
from mezzmark.engines.footage.recipe import generate_frames
from mezzmark.engines.media.pixels import Planes, frame_from_planes, planes_of
from mezzmark.engines.media.stamp import stamp_layout
from mezzmark.model.footage import Recipe
from simulation.complexity import (
    Complexity,
    complexity_of,
    expanded_luma,
    footage_complexity,
    spatial_information,
    spectral_slope,
    temporal_information,
)

FRAMES = 60
LIBAVFILTER = {
    "carphone_pristine.mp4": (115.37, 15.89),
    "carphone_distorted.mp4": (94.02, 10.93),
    "bikes.mp4": (55.03, 77.59),
    "bigbuckbunny.mp4": (51.82, 19.20),
}
"""Largest SI and TI over the first 60 frames by libavfilter's siti filter (FFmpeg 8.1), which
expands limited to full range first and rounds the gradient: up to 0.5 % of SI and 1.5 % of TI
from a computation in floating point."""

RECIPES = [
    Recipe(width_px=width, height_px=height, duration_s=0.25)
    for width, height in ((640, 360), (1280, 720), (1920, 1080))
]
SEED = 1


@cache
def _natural(name: str) -> Complexity:
    return footage_complexity(natural_clip(name), max_frames=FRAMES)


@cache
def _synthetic(recipe: Recipe) -> tuple[Planes, ...]:
    return tuple(generate_frames(recipe, SEED))


def _below_stamp(recipe: Recipe) -> Iterator[np.ndarray]:
    """Luma without the lines of the stamp: what the camera would have seen."""
    layout = stamp_layout(recipe.width_px, recipe.height_px)
    assert layout is not None
    for planes in _synthetic(recipe):
        yield expanded_luma(planes[0][layout.height_px :], 8, is_full_range=False)


def _bits_per_pixel(frames: list[Planes], keyframe_interval: int) -> float:
    """Of AVC at crf 18, preset veryfast."""
    context = av.CodecContext.create("libx264", "w")
    context.height, context.width = frames[0][0].shape
    context.pix_fmt, context.thread_count = "yuv420p", 2
    context.time_base, context.framerate = Fraction(1, 24), Fraction(24)
    context.options = {"crf": "18", "preset": "veryfast", "g": str(keyframe_interval)}
    packets = []
    for number, planes in enumerate(frames):
        frame = frame_from_planes(planes, "yuv420p")
        frame.pts = number
        packets += context.encode(frame)
    packets += context.encode(None)
    return 8 * sum(packet.size for packet in packets) / len(frames) / frames[0][0].size


@pytest.mark.parametrize("name", NATURAL_CLIPS)
def test_si_and_ti_equal_those_of_an_independent_tool(name: str) -> None:
    """SI within 0.6 % and TI within 1.6 % of libavfilter's, on four clips."""
    spatial, temporal = LIBAVFILTER[name]
    assert _natural(name).spatial_information == pytest.approx(spatial, rel=0.006)
    assert _natural(name).temporal_information == pytest.approx(temporal, rel=0.016)


def test_si_of_a_step_edge_is_the_formula_s() -> None:
    """A vertical step of 100 codes has a gradient of 400 in two of w − 2 columns, so the sd is
    400 · sqrt(p (1 − p)) with p = 2 / (w − 2); worked by hand from the Sobel kernel."""
    luma = np.zeros((20, 42), np.float32)
    luma[:, 21:] = 100
    share = 2 / 40
    assert spatial_information(luma) == pytest.approx(400 * (share * (1 - share)) ** 0.5)


def test_ti_of_alternating_columns_is_their_deviation() -> None:
    """A change of ±10 codes in alternate columns has population sd 10; a uniform one has 0."""
    still = np.full((8, 8), 50, np.float32)
    change = np.tile(np.array([10, -10], np.float32), (8, 4))
    assert temporal_information(still + change, still) == pytest.approx(10)
    assert temporal_information(still + 7, still) == 0


def test_range_and_depth_are_taken_out() -> None:
    """16 to 235, 64 to 940 and full-range 0 to 255 are the same luma."""
    for codes, depth, is_full in (
        ((16, 235), 8, False),
        ((64, 940), 10, False),
        ((0, 255), 8, True),
    ):
        luma = np.array([codes], np.uint16)
        np.testing.assert_allclose(expanded_luma(luma, depth, is_full_range=is_full), [[0, 255]])


def test_the_slope_of_a_known_spectrum_is_found() -> None:
    """Noise shaped to power f^-2 has slope −2 within 0.15; white noise has slope 0."""
    rng = np.random.default_rng(5)
    white = rng.standard_normal((512, 512))
    frequency = np.hypot(np.fft.fftfreq(512)[:, None], np.fft.rfftfreq(512)[None, :])
    frequency[0, 0] = 1
    shaped = np.fft.irfft2(np.fft.rfft2(white) / frequency)
    assert spectral_slope(shaped.astype(np.float32)) == pytest.approx(-2, abs=0.15)
    assert spectral_slope(white.astype(np.float32)) == pytest.approx(0, abs=0.15)


def test_synthetic_footage_lies_in_the_range_of_natural_clips() -> None:
    """The middle frame's SI and TI of the default recipe at 360, 720 and 1080 lines lie between
    the least and the most of four natural clips (176x144 to 1280x720); both are printed."""
    natural = [_natural(name) for name in NATURAL_CLIPS]
    made = [complexity_of(_below_stamp(recipe)) for recipe in RECIPES]
    names = [*NATURAL_CLIPS, *(f"recipe {recipe.height_px} lines" for recipe in RECIPES)]
    for name, found in zip(names, natural + made, strict=True):
        print(
            f"{name:24} SI {found.median_spatial:6.1f} (max {found.spatial_information:6.1f})"
            f"  TI {found.median_temporal:5.1f} (max {found.temporal_information:5.1f})"
        )
    spatial = [found.median_spatial for found in natural]
    temporal = [found.median_temporal for found in natural]
    for found in made:
        assert min(spatial) <= found.median_spatial <= max(spatial)
        assert min(temporal) <= found.median_temporal <= max(temporal)


def test_synthetic_footage_costs_bits_like_natural_clips() -> None:
    """AVC at crf 18 spends, long-GOP and all-intra, a number of bits per pixel that lies between
    the least and the most of the natural clips, stamp included."""
    natural = {}
    for name in NATURAL_CLIPS:
        with av.open(str(natural_clip(name))) as container:
            decoded = islice(container.decode(video=0), 6)
            frames = [tuple(plane.copy() for plane in planes_of(frame)) for frame in decoded]
        natural[name] = [_bits_per_pixel(frames, interval) for interval in (250, 1)]
    for recipe in RECIPES[:2]:
        frames = list(_synthetic(recipe))
        made = [_bits_per_pixel(frames, interval) for interval in (250, 1)]
        print(f"recipe {recipe.height_px} lines {made}, natural {natural}")
        for kind in (0, 1):
            costs = [cost[kind] for cost in natural.values()]
            assert min(costs) <= made[kind] <= max(costs)


def test_synthetic_spectra_fall_like_natural_ones() -> None:
    """The spectral slope of a first frame lies within 0.3 of the natural clips' range."""
    slopes = []
    for name in NATURAL_CLIPS:
        with av.open(str(natural_clip(name))) as container:
            luma = planes_of(next(container.decode(video=0)))[0]
        slopes.append(spectral_slope(expanded_luma(luma, 8, is_full_range=False)))
    for recipe in RECIPES:
        made = spectral_slope(next(_below_stamp(recipe)))
        assert min(slopes) - 0.3 <= made <= max(slopes) + 0.3

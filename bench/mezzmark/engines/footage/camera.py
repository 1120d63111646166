"""The synthetic camera, pure and seeded: how it moves, and what its lens, shutter and sensor make
of a painted picture (focus, motion blur, half-sample phases, grain)."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from mezzmark.engines.footage import scene_painter
from mezzmark.engines.footage.scene_painter import Field
from mezzmark.model.footage import Recipe

PAN_SLANT_RAD = 0.15
"""A pan by hand is never quite level."""

MAX_TRAVEL_HEIGHTS = 0.6
"""A longer pan turns round and comes back, so that the canvas stays of modest size."""

SWAY_FREQUENCIES_HZ = (0.35, 0.8, 1.7, 3.1)
"""Of a standing person's hand: mostly below 2 Hz (common practice, no published source)."""

SWAY_PEAK_TO_RMS = 3.0
SHUTTER_FRACTION = 0.5
"""The customary 180 degree shutter: open half of each frame's time."""

VIDEO_GAIN_PER_STOP = 0.4545
"""A stop in linear light is 2^(1/2.2) in code values."""

PARALLAX_RATIO = 1.5
"""How much faster the nearer subject crosses the picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """Frames between two cuts; the offsets (frames, 2) are down and across, in half samples of
    luma from the canvas's corner; `gain` (frames) multiplies code values above black."""

    first_frame: int
    scene: int
    is_mirrored: bool
    offsets_half_px: npt.NDArray[np.int64]
    subject_half_px: npt.NDArray[np.int64]
    gain: npt.NDArray[np.float64]

    @property
    def frame_count(self) -> int:
        """Frames in this shot."""
        return len(self.gain)


def travel_heights(recipe: Recipe) -> float:
    """How far the pan goes before it turns, in picture heights."""
    return min(MAX_TRAVEL_HEIGHTS, recipe.pan_heights_per_s * _shot_duration_s(recipe))


def plan_shots(recipe: Recipe, scene_count: int, rng: np.random.Generator) -> list[Shot]:
    """The shots of a clip, in order; scenes are visited in turn, mirrored every second time."""
    length = max(1, round(_shot_duration_s(recipe) * float(recipe.frame_rate)))
    travel, half_px, shots = travel_heights(recipe), 2 * recipe.height_px, []
    for number, first in enumerate(range(0, recipe.frame_count, length)):
        frames, (turn, scene) = min(length, recipe.frame_count - first), divmod(number, scene_count)
        seconds = np.arange(frames) / float(recipe.frame_rate)
        walked = recipe.pan_heights_per_s * seconds
        along = np.abs((walked + travel) % (2 * travel) - travel) if travel > 0 else 0 * seconds
        along = along - travel / 2
        slant = rng.normal(0, PAN_SLANT_RAD / 2)
        if rng.random() < 0.5:
            along = -along
        pan = np.stack((along * np.sin(slant), along * np.cos(slant)), axis=1)
        # Offsets grow from the canvas's middle; the subject moves against the camera.
        moved = pan + _sway(recipe, seconds, rng)
        shots.append(
            Shot(
                first_frame=first,
                scene=scene,
                is_mirrored=turn % 2 == 1,
                offsets_half_px=np.rint(moved * half_px).astype(np.int64),
                subject_half_px=np.rint(-PARALLAX_RATIO * moved * half_px).astype(np.int64),
                gain=_exposure_gain(recipe, frames, rng),
            )
        )
    return shots


def _shot_duration_s(recipe: Recipe) -> float:
    return min(recipe.cut_interval_s or recipe.duration_s, recipe.duration_s)


def _sway(
    recipe: Recipe, seconds: npt.NDArray[np.float64], rng: np.random.Generator
) -> npt.NDArray[np.float64]:
    """Sum of slow sinusoids, (frames, 2), of the recipe's rms, in picture heights."""
    strength = 1 / np.array(SWAY_FREQUENCIES_HZ)
    strength *= recipe.handheld_heights * np.sqrt(2 / np.sum(strength**2))
    phases = rng.uniform(0, 2 * np.pi, (len(strength), 2))
    turns = 2 * np.pi * np.outer(seconds, SWAY_FREQUENCIES_HZ)
    waves = np.sin(turns[:, :, None] + phases[None])
    return np.asarray(np.sum(strength[:, None] * waves, axis=1))


def _exposure_gain(
    recipe: Recipe, frame_count: int, rng: np.random.Generator
) -> npt.NDArray[np.float64]:
    """A smooth step, down or up, over the middle third of the shot; never above 1."""
    low = 2 ** (-recipe.exposure_change_stops * VIDEO_GAIN_PER_STOP)
    position = np.clip((np.arange(frame_count) / max(1, frame_count - 1) - 1 / 3) * 3, 0, 1)
    step = position**2 * (3 - 2 * position)
    if rng.random() < 0.5:
        step = 1 - step
    return 1 - (1 - low) * step


Codes = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]

NEAR_BLUR_HEIGHTS, FAR_BLUR_HEIGHTS = 0.004, 0.014
"""Standard deviation of the two blurred copies at focus_falloff = 1."""

IN_FOCUS_RADIUS_HEIGHTS, FALLOFF_HEIGHTS = 0.36, 0.52
READ_NOISE_SHARE = 0.002
"""Signal at which read noise equals shot noise, as a share of full scale in linear light."""

VIDEO_GAMMA = 2.2
HALF_SAMPLE_TAPS = (-1, 9, 9, -1)
"""Sixteenths; the four-tap half-sample interpolator keeps the picture as sharp between samples."""

GRAIN_WEIGHT_ONE, LARGEST_GRAIN_WEIGHT = 64, 127
SUBJECT_HEIGHTS = (0.60, 0.42)
"""Down and across, in picture heights."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """One painted surface. `luma_phases[2 * half_down + half_across]` is luma displaced by so many
    half samples; `cb`, `cr` have half the lines and columns; `grain_weight` (64 = 1.0) is how
    strong noise is at each luma sample; `opacity` (0 to 256, of luma's shape) is None for a layer
    that hides all."""

    luma_phases: tuple[Codes, ...]
    cb: Codes
    cr: Codes
    grain_weight: npt.NDArray[np.uint8]
    opacity: npt.NDArray[np.uint16] | None = None


def paint_backdrop(recipe: Recipe, rng: np.random.Generator) -> Layer:
    """The scene behind, as far as the camera moves, blurred off its middle by `focus_falloff`."""
    travel, sway = travel_heights(recipe), 2 * SWAY_PEAK_TO_RMS * recipe.handheld_heights
    reaches = (recipe.width_px, travel + sway), (recipe.height_px, 0.3 * travel + sway)
    sizes = (size + round(reach * recipe.height_px) + 16 for size, reach in reaches)
    width_px, height_px = (size + size % 2 for size in sizes)
    luma, cb, cr = scene_painter.paint(recipe, width_px, height_px, rng)
    if recipe.focus_falloff > 0:
        # Of each sample from the middle of the canvas, in picture heights.
        down, across = (
            (np.arange(size, dtype=np.float32) - size / 2) / recipe.height_px for size in luma.shape
        )
        distance = np.hypot(down[:, None], across[None, :] * np.float32(0.8))
        luma = _defocus(luma, distance, recipe)
        half = distance[::2, ::2]
        cb, cr = (_defocus(plane, half, recipe, scale=0.5) for plane in (cb, cr))
    return _layer((luma, cb, cr), recipe)


def paint_subject(recipe: Recipe, rng: np.random.Generator) -> Layer:
    """Something nearer than the backdrop, in focus and lit, about half a picture tall."""
    height_px = max(16, round(SUBJECT_HEIGHTS[0] * recipe.height_px) // 4 * 4)
    width_px = max(16, round(SUBJECT_HEIGHTS[1] * recipe.height_px) // 4 * 4)
    luma, cb, cr = scene_painter.paint(recipe, width_px, height_px, rng)
    down = np.linspace(-1, 1, height_px, dtype=np.float32)[:, None]
    across = np.linspace(-1, 1, width_px, dtype=np.float32)[None, :]
    wobble = scene_painter.cloud((height_px, width_px), 2.2, rng)
    nearness = 0.75 + 0.10 * wobble - np.hypot(down, across)
    edge_px = max(1.2, 0.0012 * recipe.height_px)
    opacity = np.clip(nearness * (width_px / 2) / edge_px * 128 + 128, 0, 256).astype(np.uint16)
    light = np.clip(1.25 - 0.35 * np.hypot(down + 0.4, across + 0.4), 0.5, 1.3)
    luma = np.clip(16 + (luma - 16) * light, scene_painter.LUMA_LOW, scene_painter.LUMA_HIGH)
    return _layer((luma, cb, cr), recipe, opacity)


def _defocus(plane: Field, distance: Field, recipe: Recipe, scale: float = 1.0) -> Field:
    """Cross-fade from the sharp picture through two blurred copies as distance grows."""
    picture_lines = recipe.height_px * scale * recipe.focus_falloff
    near = _blurred(plane, NEAR_BLUR_HEIGHTS * picture_lines)
    far = _blurred(plane, FAR_BLUR_HEIGHTS * picture_lines)
    amount = np.clip((distance - IN_FOCUS_RADIUS_HEIGHTS) / FALLOFF_HEIGHTS, 0, 1) * 2
    near = (near - plane) * np.clip(amount, 0, 1) + plane
    return np.asarray((far - near) * np.clip(amount - 1, 0, 1) + near)


def _blurred(plane: Field, sigma_px: float) -> Field:
    """Gaussian blur; wide ones are made on a quarter-size copy."""
    if sigma_px < 6:
        return np.asarray(ndimage.gaussian_filter(plane, sigma_px, truncate=3, mode="nearest"))
    lines, columns = (size // 4 * 4 for size in plane.shape)
    small = plane[:lines, :columns].reshape(lines // 4, 4, columns // 4, 4).mean(axis=(1, 3))
    small = ndimage.gaussian_filter(small, sigma_px / 4, truncate=3, mode="nearest")
    large = scene_painter.doubled(scene_painter.doubled(small))
    return np.pad(large, ((0, plane.shape[0] - lines), (0, plane.shape[1] - columns)), mode="edge")


def _layer(
    planes: tuple[Field, Field, Field],
    recipe: Recipe,
    opacity: npt.NDArray[np.uint16] | None = None,
) -> Layer:
    luma, cb, cr = planes
    bit_depth = recipe.bit_depth
    # What the pan leaves while the shutter is open, in luma samples.
    smeared_px = recipe.pan_heights_per_s * recipe.height_px * SHUTTER_FRACTION / recipe.frame_rate
    if smeared_px >= 2:
        luma = ndimage.uniform_filter1d(luma, round(smeared_px), axis=1)
        half_px = max(1, round(smeared_px / 2))
        cb, cr = (ndimage.uniform_filter1d(plane, half_px, axis=1) for plane in (cb, cr))
    across = _half_sample(luma, axis=1)
    phases = (luma, across, _half_sample(luma, axis=0), _half_sample(across, axis=0))
    return Layer(
        luma_phases=tuple(_quantised(plane, bit_depth) for plane in phases),
        cb=_quantised(cb, bit_depth),
        cr=_quantised(cr, bit_depth),
        grain_weight=_grain_weight(luma),
        opacity=opacity,
    )


def _half_sample(plane: Field, axis: int) -> Field:
    taps = np.array(HALF_SAMPLE_TAPS) / 16
    return np.asarray(ndimage.correlate1d(plane, taps, axis=axis, mode="nearest", origin=-1))


def _quantised(plane: Field, bit_depth: int) -> Codes:
    scaled = plane * np.float32(1 << (bit_depth - 8))
    scaled += np.float32(0.5)
    return scaled.astype(np.uint8) if bit_depth == 8 else scaled.astype(np.uint16)


def _grain_weight(luma: Field) -> npt.NDArray[np.uint8]:
    """Noise of a sensor seen through the transfer curve, 64 = the mean over the scene. Photon
    transfer: sd ~ sqrt(read + signal) in linear light (Janesick, "Photon Transfer", SPIE 2007),
    times the slope of the gamma curve, which lifts the shadows."""
    codes = np.arange(256, dtype=np.float32)
    linear = np.clip((codes - 16) / 219, 0.09, 1) ** VIDEO_GAMMA
    weight = np.sqrt(READ_NOISE_SHARE + linear) * linear ** (1 / VIDEO_GAMMA - 1)
    shares = GRAIN_WEIGHT_ONE * weight / weight[round(scene_painter.LUMA_MEAN)]
    per_code = np.clip(shares, 32, LARGEST_GRAIN_WEIGHT).astype(np.uint8)
    return np.asarray(per_code[luma.astype(np.uint8)])

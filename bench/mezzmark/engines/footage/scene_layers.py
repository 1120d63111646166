"""A painted picture made ready for frames: focus, motion blur, half-sample phases, grain."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from mezzmark.engines.footage import camera, scene_painter
from mezzmark.model.footage import Recipe

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
    """One painted surface, ready to be cut into frames. `luma_phases[2 * half_down + half_across]`
    is luma displaced by that many half samples; `cb` and `cr` have half the lines and columns;
    `grain_weight` (64 = 1.0) is how strong noise is at each luma sample; `opacity` (0 to 256, as
    luma) is None for a layer that hides all."""

    luma_phases: tuple[Codes, ...]
    cb: Codes
    cr: Codes
    grain_weight: npt.NDArray[np.uint8]
    opacity: npt.NDArray[np.uint16] | None = None


def paint_backdrop(recipe: Recipe, rng: np.random.Generator) -> Layer:
    """The scene behind, as far as the camera moves over it: sharp near its middle, blurred away
    from it by `focus_falloff`."""
    travel, sway = camera.travel_heights(recipe), 2 * camera.sway_heights(recipe)
    width_px, height_px = (
        size + round(reach * recipe.height_px) + 16
        for size, reach in (
            (recipe.width_px, travel + sway),
            (recipe.height_px, 0.3 * travel + sway),
        )
    )
    width_px, height_px = width_px + width_px % 2, height_px + height_px % 2
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
    return _layer(luma, cb, cr, recipe)


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
    return _layer(luma, cb, cr, recipe, opacity)


def _defocus(
    plane: scene_painter.Field, distance: scene_painter.Field, recipe: Recipe, scale: float = 1.0
) -> scene_painter.Field:
    """Cross-fade from the sharp picture through two blurred copies as distance grows."""
    picture_lines = recipe.height_px * scale * recipe.focus_falloff
    near = _blurred(plane, NEAR_BLUR_HEIGHTS * picture_lines)
    far = _blurred(plane, FAR_BLUR_HEIGHTS * picture_lines)
    amount = np.clip((distance - IN_FOCUS_RADIUS_HEIGHTS) / FALLOFF_HEIGHTS, 0, 1) * 2
    near = (near - plane) * np.clip(amount, 0, 1) + plane
    return np.asarray((far - near) * np.clip(amount - 1, 0, 1) + near)


def _blurred(plane: scene_painter.Field, sigma_px: float) -> scene_painter.Field:
    """Gaussian blur; wide ones are made on a quarter-size copy."""
    if sigma_px < 6:
        return np.asarray(ndimage.gaussian_filter(plane, sigma_px, truncate=3, mode="nearest"))
    lines, columns = (size // 4 * 4 for size in plane.shape)
    small = plane[:lines, :columns].reshape(lines // 4, 4, columns // 4, 4).mean(axis=(1, 3))
    small = ndimage.gaussian_filter(small, sigma_px / 4, truncate=3, mode="nearest")
    large = scene_painter.doubled(scene_painter.doubled(small))
    return np.pad(large, ((0, plane.shape[0] - lines), (0, plane.shape[1] - columns)), mode="edge")


def _layer(
    luma: scene_painter.Field,
    cb: scene_painter.Field,
    cr: scene_painter.Field,
    recipe: Recipe,
    opacity: npt.NDArray[np.uint16] | None = None,
) -> Layer:
    bit_depth, smear_px = recipe.bit_depth, camera.smear_px(recipe)
    if smear_px >= 2:
        luma = ndimage.uniform_filter1d(luma, round(smear_px), axis=1)
        cb, cr = (
            ndimage.uniform_filter1d(plane, max(1, round(smear_px / 2)), axis=1)
            for plane in (cb, cr)
        )
    across = _half_sample(luma, axis=1)
    phases = (luma, across, _half_sample(luma, axis=0), _half_sample(across, axis=0))
    return Layer(
        luma_phases=tuple(_quantised(plane, bit_depth) for plane in phases),
        cb=_quantised(cb, bit_depth),
        cr=_quantised(cr, bit_depth),
        grain_weight=_grain_weight(luma),
        opacity=opacity,
    )


def _half_sample(plane: scene_painter.Field, axis: int) -> scene_painter.Field:
    taps = np.array(HALF_SAMPLE_TAPS) / 16
    return np.asarray(ndimage.correlate1d(plane, taps, axis=axis, mode="nearest", origin=-1))


def _quantised(plane: scene_painter.Field, bit_depth: int) -> Codes:
    scaled = plane * np.float32(1 << (bit_depth - 8))
    scaled += np.float32(0.5)
    return scaled.astype(np.uint8) if bit_depth == 8 else scaled.astype(np.uint16)


def _grain_weight(luma: scene_painter.Field) -> npt.NDArray[np.uint8]:
    """Noise of a sensor seen through the transfer curve, 64 = the mean over the scene. Photon
    transfer: sd ~ sqrt(read + signal) in linear light (Janesick, "Photon Transfer", SPIE 2007),
    times the slope of the gamma curve, which lifts the shadows."""
    codes = np.arange(256, dtype=np.float32)
    linear = np.clip((codes - 16) / 219, 0.09, 1) ** VIDEO_GAMMA
    weight = np.sqrt(READ_NOISE_SHARE + linear) * linear ** (1 / VIDEO_GAMMA - 1)
    shares = GRAIN_WEIGHT_ONE * weight / weight[round(scene_painter.LUMA_MEAN)]
    per_code = np.clip(shares, 32, LARGEST_GRAIN_WEIGHT).astype(np.uint8)
    return np.asarray(per_code[luma.astype(np.uint8)])

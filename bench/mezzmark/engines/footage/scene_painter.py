"""Painted scenes for synthetic footage: occluding objects, lit, shadowed and textured.

The dead-leaves model (objects of power-law size, each hiding what lies behind; Lee, Mumford and
Huang, "Occlusion models for natural images", Int. J. Computer Vision 41, 2001) gives edges at
all scales; fields with 1/f amplitude (Field, J. Opt. Soc. Am. A 4, 1987) bend the outlines and
give each object its surface. Values are 8-bit limited-range codes as float32.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from mezzmark.model.footage import Recipe

Field = npt.NDArray[np.float32]
Labels = npt.NDArray[np.int32]

LARGEST_PAINTED_LINES = 1500
"""Objects of taller canvases are painted at half size: no lens resolves single 2160p pixels."""

SMALLEST_LEAF_HEIGHTS, LARGEST_LEAF_HEIGHTS = 0.006, 0.40
SIZE_EXPONENT = 2.8
"""p(r) ~ r^-2.8; exactly 3 is scale invariant, a little less leaves fine detail to the surfaces."""

COVERAGE = 7.0
"""Leaf area over canvas area; exp(-7) = 0.1 % of the backdrop shows between them."""

BOX_FRACTION = 0.4
"""Share of leaves with straight edges, as things made by people have."""

DETAIL_HEIGHTS = 0.10
"""A leaf smaller than this is a detail of the object under it and shares most of its colour."""

DETAIL_INHERITANCE = 0.5
WARP_HEIGHTS = 0.012
"""Rms displacement that bends outlines."""

TEXTURE_RMS = 11.0
"""8-bit codes, at texture = 1, on a leaf of mean roughness and mean brightness."""

TEXTURE_TILE_PX = 1024
LUMA_MEAN, LUMA_SD = 112.0, 46.0
SHADING_SD, DAYLIGHT_SD, LIGHT_LIMITS = 0.18, 0.14, (0.45, 1.6)
"""Shares of the light: across one thing, across the scene, and how far both may go."""

CHROMA_SD, CAST_SD = 9.0, 3.0
HUES_RAD = (2.2, 2.5, 3.6, 4.1, 5.5)
"""Angles in the plane of Cb and Cr: wood, skin, dry and fresh leaves, sky."""

SHADOW_DEPTH, SHADOW_HEIGHTS = 0.38, 0.006
LUMA_LOW, LUMA_HIGH = 18.0, 232.0
LENS_SIGMA_PX = 0.5
"""Blur of a good lens and an optical low-pass filter, in sensor pixels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Leaves:
    """One entry per leaf, back to front; lengths in painted samples."""

    centres: npt.NDArray[np.float32]
    radii: npt.NDArray[np.float32]
    slimness: npt.NDArray[np.float32]
    angles: npt.NDArray[np.float32]
    is_box: npt.NDArray[np.bool_]


def paint(
    recipe: Recipe, width_px: int, height_px: int, rng: np.random.Generator
) -> tuple[Field, Field, Field]:
    """Luma (height_px, width_px), Cb and Cr (half of each) of a new scene, all in focus."""
    step = 2 if height_px > LARGEST_PAINTED_LINES else 1
    shape = (-(-height_px // step), -(-width_px // step))
    picture_lines = recipe.height_px / step
    leaves = _scatter(shape, picture_lines, rng)
    labels, parents = _stack(leaves, shape, DETAIL_HEIGHTS * picture_lines)
    bend = WARP_HEIGHTS * picture_lines
    down = np.arange(shape[0], dtype=np.float32)[:, None] + bend * cloud(shape, 2.0, rng)
    across = np.arange(shape[1], dtype=np.float32)[None, :] + bend * cloud(shape, 2.0, rng)
    lines, columns = (
        np.clip(place, 0, size - 1).astype(np.int32)
        for place, size in zip((down, across), shape, strict=True)
    )
    labels = labels[lines, columns]
    luma, rough = _lit(labels, leaves, parents, (down, across), rng)
    luma *= _shadow(labels, max(1, round(SHADOW_HEIGHTS * picture_lines)))
    cb, cr = _tints(labels[:: 3 - step, :: 3 - step], luma[:: 3 - step, :: 3 - step], parents, rng)
    if step == 2:
        luma, rough = (doubled(plane)[:height_px, :width_px] for plane in (luma, rough))
    rough *= np.float32(TEXTURE_RMS * recipe.texture)
    rough *= _surface(height_px, width_px, rng)
    luma += rough
    luma += 16
    np.clip(luma, LUMA_LOW, LUMA_HIGH, out=luma)
    half = (height_px // 2, width_px // 2)
    cb, cr = (_through_lens(plane[: half[0], : half[1]]) for plane in (cb, cr))
    return _through_lens(luma), cb, cr


def cloud(shape: tuple[int, ...], exponent: float, rng: np.random.Generator) -> Field:
    """A smooth random field of unit rms whose amplitude falls as frequency^-exponent. Made at a
    quarter of the size: detail below four samples is not needed for such a field."""
    small = tuple(fft.next_fast_len(-(-size // 4) + 2, real=True) for size in shape)
    field = _power_law(small, exponent, 1.5 / max(small), rng)
    return doubled(doubled(field))[: shape[0], : shape[1]]


def doubled(plane: Field) -> Field:
    """Twice the lines and columns, linear between samples."""
    wide = np.repeat(np.repeat(plane, 2, axis=0), 2, axis=1)
    for axis in (0, 1):
        wide = ndimage.correlate1d(wide, (0.25, 0.5, 0.25), axis=axis, mode="nearest")
    return wide


def _scatter(shape: tuple[int, int], picture_lines: float, rng: np.random.Generator) -> _Leaves:
    """Leaves of power-law size all over the canvas and a little beyond its edges."""
    low = max(1.5, SMALLEST_LEAF_HEIGHTS * picture_lines)
    high = max(2 * low, LARGEST_LEAF_HEIGHTS * picture_lines)
    # The inverse of the distribution function of p(r) ~ r^-a between low and high.
    power = 1 - SIZE_EXPONENT
    sample = low**power + rng.random(200_000) * (high**power - low**power)
    radii = sample ** (1 / power)
    area = np.cumsum(np.pi * radii**2 * 0.65)
    count = int(np.searchsorted(area, COVERAGE * shape[0] * shape[1])) + 1
    radii = radii[:count]
    centres = rng.random((count, 2)) * (np.array(shape) + high) - high / 2
    # Leaf 0 is the backdrop: what no other leaf covers, lit as one very large thing.
    radii[0], centres[0] = 2 * sum(shape), np.array(shape) / 2
    is_upright = rng.random(count) < 0.6
    return _Leaves(
        centres=centres.astype(np.float32),
        radii=radii.astype(np.float32),
        slimness=rng.uniform(0.3, 1.0, count).astype(np.float32),
        angles=np.where(
            is_upright,
            rng.normal(0, 0.08, count) + rng.integers(0, 2, count) * np.pi / 2,
            rng.uniform(0, np.pi, count),
        ).astype(np.float32),
        is_box=rng.random(count) < BOX_FRACTION,
    )


def _stack(
    leaves: _Leaves, shape: tuple[int, int], detail_radius: float
) -> tuple[Labels, npt.NDArray[np.int64]]:
    """The leaf in front at each sample, leaf 0 where no other covers it, and what each leaf is a
    detail of, or itself. Leaves are painted back to front."""
    labels = np.zeros(shape, np.int32)
    parents = np.arange(len(leaves.radii))
    for leaf in range(len(leaves.radii)):
        if leaves.radii[leaf] < detail_radius:
            line, column = np.clip(leaves.centres[leaf], 0, np.array(shape) - 1).astype(int)
            parents[leaf] = labels[line, column]
        _place(labels, leaf, leaves)
    return labels, parents


def _place(labels: Labels, leaf: int, leaves: _Leaves) -> None:
    centre, radius, is_box = leaves.centres[leaf], leaves.radii[leaf], leaves.is_box[leaf]
    reach = radius * (1.45 if is_box else 1.0)
    top, left = (max(0, int(at - reach)) for at in centre)
    bottom, right = (max(0, int(at + reach) + 2) for at in centre)
    patch = labels[top:bottom, left:right]
    down = (np.arange(top, top + patch.shape[0], dtype=np.float32) - centre[0])[:, None]
    across = (np.arange(left, left + patch.shape[1], dtype=np.float32) - centre[1])[None, :]
    cos, sin = np.cos(leaves.angles[leaf]) / radius, np.sin(leaves.angles[leaf]) / radius
    along = cos * across + sin * down
    aside = (cos * down - sin * across) / leaves.slimness[leaf]
    if is_box:
        patch[np.maximum(np.abs(along), np.abs(aside)) < 1] = leaf
    else:
        patch[along**2 + aside**2 < 1] = leaf


def _inherited(
    values: npt.NDArray[np.float64], parents: npt.NDArray[np.int64]
) -> npt.NDArray[np.float32]:
    """Draw details towards the value of the object they lie on; parents come before children."""
    result = values.copy()
    for leaf in np.flatnonzero(parents != np.arange(len(parents))):
        own = values[leaf] * (1 - DETAIL_INHERITANCE)
        result[leaf] = own + result[parents[leaf]] * DETAIL_INHERITANCE
    return result.astype(np.float32)


def _lit(
    labels: Labels,
    leaves: _Leaves,
    parents: npt.NDArray[np.int64],
    position: tuple[Field, Field],
    rng: np.random.Generator,
) -> tuple[Field, Field]:
    """Luma above black under uneven light, and the relative roughness of each surface."""
    count = len(leaves.radii)
    albedo = np.clip(rng.normal(LUMA_MEAN - 16, LUMA_SD, count), 22, 200)
    base = _inherited(albedo, parents)
    # Light falls off across each thing, and mostly comes from above.
    gradients = rng.normal((-0.6 * SHADING_SD, 0), SHADING_SD, (count, 2)).T / leaves.radii
    slopes: Field = gradients.astype(np.float32)
    light: Field = np.float32(DAYLIGHT_SD) * cloud(labels.shape, 1.5, rng)
    for axis in (0, 1):
        away = position[axis] - leaves.centres[:, axis][labels]
        away *= slopes[axis][labels]
        light += away
    light += 1
    np.clip(light, *LIGHT_LIMITS, out=light)
    light *= base[labels]
    rough = _inherited(rng.gamma(1.0, 1.0, count), parents)[labels]
    rough *= np.sqrt(light / np.float32(LUMA_MEAN))
    return light, rough


def _shadow(labels: Labels, reach_px: int) -> Field:
    """What share of the light is left where something in front stands between it and the sun."""
    hidden = np.zeros(labels.shape, np.float32)
    for step in (1, 2):
        moved = step * reach_px
        in_front = labels[:-moved, :-moved] > labels[moved:, moved:]
        hidden[moved:, moved:] += in_front * np.float32(0.5)
    hidden = ndimage.uniform_filter(hidden, 2 * reach_px + 1, mode="nearest")
    return np.asarray(1 - np.float32(SHADOW_DEPTH) * hidden)


def _tints(
    labels: Labels, luma: Field, parents: npt.NDArray[np.int64], rng: np.random.Generator
) -> tuple[Field, Field]:
    """Cb and Cr: few hues per scene, and colour fades with the light that falls on it."""
    count = len(parents)
    main, other = rng.choice(HUES_RAD, 2)
    hue = np.where(rng.random(count) < 0.75, main, other) + rng.normal(0, 0.4, count)
    strength = rng.gamma(2.0, CHROMA_SD / 1.5, count)
    brightness = luma / np.float32(LUMA_MEAN)
    cast = rng.normal(0, CAST_SD)
    planes = []
    for part, sign in ((strength * np.cos(hue), -1), (strength * np.sin(hue), 1)):
        plane = _inherited(part + sign * cast, parents)[labels]
        plane *= brightness
        planes.append(np.clip(plane, -64, 64) + np.float32(128))
    return planes[0], planes[1]


def _surface(height_px: int, width_px: int, rng: np.random.Generator) -> Field:
    """A field of unit rms and amplitude 1/f, repeated to the size; nothing in it is slower than a
    sixteenth of the tile, which would show the repetition."""
    size = TEXTURE_TILE_PX
    tile = _power_law((size, size), 1.0, 16 / size, rng)
    repeats = (-(-height_px // size), -(-width_px // size))
    return np.tile(tile, repeats)[:height_px, :width_px]


def _power_law(
    shape: tuple[int, ...], exponent: float, lowest: float, rng: np.random.Generator
) -> Field:
    """Random field of unit rms, amplitude frequency^-exponent from `lowest` (cycles/sample) up."""
    spectrum = fft.rfft2(rng.standard_normal(shape, dtype=np.float32))
    frequency = np.hypot(fft.fftfreq(shape[0])[:, None], fft.rfftfreq(shape[1])[None, :])
    frequency[0, 0] = 1
    spectrum *= np.where(frequency < lowest, 0, frequency**-exponent).astype(np.float32)
    field: Field = fft.irfft2(spectrum, s=shape).astype(np.float32)
    field /= field.std()
    return field


def _through_lens(plane: Field) -> Field:
    return np.asarray(ndimage.gaussian_filter(plane, LENS_SIGMA_PX, truncate=3, mode="nearest"))

"""Synthetic footage: the frames of a recipe and a seed, always the same, each with its stamp.

Frames are 4:2:0, limited range, BT.709 primaries, transfer and matrix (`RECIPE_TAGS`).
"""

import math
import zlib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from mezzmark.engines.footage import camera
from mezzmark.engines.footage.camera import Codes, Layer, Shot
from mezzmark.engines.media.pixels import Planes
from mezzmark.engines.media.probe import unfit
from mezzmark.engines.media.stamp import MAX_CLIP_ID, MAX_FRAME_INDEX, stamp_layout, write_stamp
from mezzmark.model.footage import ColourTags, Recipe

RECIPE_TAGS = ColourTags(colour_range=1, primaries=1, transfer=1, matrix=1)
"""Limited range; BT.709 primaries, transfer and matrix (ITU-T H.273 code points)."""

RECIPE_VERSION = 2
"""Part of every cache key: to be raised whenever the same recipe and seed give other frames."""

Noise = npt.NDArray[np.int8] | npt.NDArray[np.int16]

MAX_SCENES = 3
"""Clips with more cuts come back to these scenes, mirrored, to bound time and memory."""

PAINTERS = 3
"""Layers, or two and the grain, made at a time."""

GRAIN_BLUR_PX = 0.55
"""Demosaicing makes neighbouring samples share noise."""

GRAIN_LIMIT_SD = 3.0
CHROMA_GRAIN_SHARE = 0.5
GRAIN_POOL_FRAMES = 1.5
"""Noise is drawn once and read from a new place for every frame."""

BLACK_8BIT = 16
CHROMA_MIDDLE_8BIT = 128


def recipe_clip_id(recipe: Recipe, seed: int) -> int:
    """The clip number in the stamp: the same for the same recipe and seed; 1 in 256 others."""
    said = f"{seed}:{recipe.model_dump_json()}".encode()
    return int(zlib.crc32(said)) & MAX_CLIP_ID


def generate_frames(recipe: Recipe, seed: int) -> Iterator[Planes]:
    """Y, Cb, Cr of every frame, the caller's own. FootageError if the picture is too small, or the
    clip too long, for the stamp."""
    _require_stampable(recipe)
    rng = np.random.default_rng(seed)
    length_s = recipe.cut_interval_s or recipe.duration_s
    scene_count = min(MAX_SCENES, max(1, math.ceil(recipe.duration_s / length_s)))
    clip_id = recipe_clip_id(recipe, seed)
    scene_rngs = rng.spawn(scene_count)
    pool_rng, frame_rng = rng.spawn(2)
    with ThreadPoolExecutor(PAINTERS) as painters:
        pool = painters.submit(_GrainPool, recipe, pool_rng)
        scenes = [
            (
                painters.submit(camera.paint_backdrop, recipe, back),
                painters.submit(camera.paint_subject, recipe, front),
            )
            for back, front in (scene_rng.spawn(2) for scene_rng in scene_rngs)
        ]
    grain = pool.result()
    for shot in camera.plan_shots(recipe, scene_count, rng):
        backdrop, subject = (layer.result() for layer in scenes[shot.scene])
        for position in range(shot.frame_count):
            planes = _expose(backdrop, subject, recipe, shot, position)
            moved_px = shot.offsets_half_px[position] // 2
            weight = _window(backdrop.grain_weight, grain.shape, moved_px, shot.is_mirrored)
            planes = grain.added(planes, weight, frame_rng)
            _stamp(planes, shot.first_frame + position, clip_id, recipe.bit_depth)
            yield planes


class _GrainPool:
    """Sensor noise in code values, drawn once for the clip, read anywhere."""

    def __init__(self, recipe: Recipe, rng: np.random.Generator) -> None:
        self.shape = (recipe.height_px, recipe.width_px)
        self.is_absent = recipe.grain == 0
        unit = recipe.grain * (1 << (recipe.bit_depth - 8))
        largest = math.ceil(GRAIN_LIMIT_SD * unit)
        self.limit = (largest * camera.LARGEST_GRAIN_WEIGHT + 32) // camera.GRAIN_WEIGHT_ONE
        self.dtype = np.dtype(np.int8 if recipe.bit_depth == 8 else np.int16)
        self.luma = self._drawn(unit, rng)
        self.chroma = self._drawn(CHROMA_GRAIN_SHARE * unit, rng)

    def _drawn(self, sd: float, rng: np.random.Generator) -> Noise:
        """Gaussian noise of this rms in codes, shared a little by neighbours, flat."""
        lines = int(GRAIN_POOL_FRAMES * self.shape[0])
        field = rng.standard_normal((lines, self.shape[1]), dtype=np.float32)
        field = ndimage.gaussian_filter(field, GRAIN_BLUR_PX, truncate=2, mode="wrap")
        field *= sd / max(float(field.std()), 1e-12)
        np.clip(field, -GRAIN_LIMIT_SD * sd, GRAIN_LIMIT_SD * sd, out=field)
        return np.asarray(np.rint(field, out=field).ravel(), dtype=self.dtype)

    def added(self, planes: Planes, weight: Codes, rng: np.random.Generator) -> Planes:
        if self.is_absent:
            return planes
        luma, cb, cr = planes
        noise = np.multiply(self._cut(self.luma, luma.shape, rng), weight, dtype=np.int16)
        noise += camera.GRAIN_WEIGHT_ONE // 2
        noise //= camera.GRAIN_WEIGHT_ONE
        room = np.iinfo(luma.dtype).max if luma.dtype == np.uint8 else (1 << 10) - 1
        np.clip(luma, self.limit, room - self.limit, out=luma)
        # The limits just set leave room for the noise, so that adding modulo the word is exact.
        luma += noise.astype(self.dtype, copy=False).view(luma.dtype)
        cb += self._cut(self.chroma, cb.shape, rng).view(cb.dtype)
        cr += self._cut(self.chroma, cr.shape, rng).view(cr.dtype)
        return luma, cb, cr

    def _cut(self, pool: Noise, shape: tuple[int, ...], rng: np.random.Generator) -> Noise:
        size = shape[0] * shape[1]
        start = int(rng.integers(0, len(pool) - size))
        return pool[start : start + size].reshape(shape)


def _expose(backdrop: Layer, subject: Layer, recipe: Recipe, shot: Shot, position: int) -> Planes:
    """One frame before grain: the window on the backdrop, the subject over it, the exposure."""
    offset = shot.offsets_half_px[position]
    phase = 2 * int(offset[0] & 1) + int(offset[1] & 1)
    shape = (recipe.height_px, recipe.width_px)
    half = (shape[0] // 2, shape[1] // 2)
    luma = _window(backdrop.luma_phases[phase], shape, offset // 2, shot.is_mirrored).copy()
    cb, cr = (
        _window(plane, half, np.rint(offset / 4).astype(np.int64), shot.is_mirrored).copy()
        for plane in (backdrop.cb, backdrop.cr)
    )
    _overlay(luma, cb, cr, subject, shot.subject_half_px[position])
    gain = float(shot.gain[position])
    if gain < 1:
        luma = _gained(luma, gain, BLACK_8BIT << (recipe.bit_depth - 8))
        middle = CHROMA_MIDDLE_8BIT << (recipe.bit_depth - 8)
        cb, cr = (_gained(plane, gain, middle) for plane in (cb, cr))
    return luma, cb, cr


def _window(
    surface: Codes, shape: tuple[int, int], offset_px: npt.NDArray[np.int64], is_mirrored: bool
) -> Codes:
    """The part of a canvas that the camera sees, `offset_px` from the middle position."""
    top, left = (
        int(np.clip((size - seen) // 2 + moved, 0, size - seen))
        for size, seen, moved in zip(surface.shape, shape, offset_px, strict=True)
    )
    seen = surface[top : top + shape[0], left : left + shape[1]]
    return seen[:, ::-1] if is_mirrored else seen


def _overlay(
    luma: Codes, cb: Codes, cr: Codes, subject: Layer, moved_half_px: npt.NDArray[np.int64]
) -> None:
    """Blend the subject in, a third from the right, in place."""
    assert subject.opacity is not None
    phase = 2 * int(-moved_half_px[0] & 1) + int(-moved_half_px[1] & 1)
    top = int(luma.shape[0] * 0.42) + int(moved_half_px[0] // 2)
    left = int(luma.shape[1] * 0.58) + int(moved_half_px[1] // 2)
    _blend(luma, subject.luma_phases[phase], subject.opacity, top, left)
    small = subject.opacity[::2, ::2]
    for plane, source in ((cb, subject.cb), (cr, subject.cr)):
        _blend(plane, source, small, top // 2, left // 2)


def _blend(under: Codes, over: Codes, opacity: npt.NDArray[np.uint16], top: int, left: int) -> None:
    lines = slice(max(0, top), min(under.shape[0], top + over.shape[0]))
    columns = slice(max(0, left), min(under.shape[1], left + over.shape[1]))
    if lines.start >= lines.stop or columns.start >= columns.stop:
        return
    cut = np.s_[lines.start - top : lines.stop - top, columns.start - left : columns.stop - left]
    below = under[lines, columns]
    difference = (over[cut].astype(np.int32) - below) * opacity[cut].astype(np.int32)
    below += (difference >> 8).astype(below.dtype)


def _gained(plane: Codes, gain: float, pivot: int) -> Codes:
    """pivot + gain · (plane − pivot), rounded, in integers; gain at most 1."""
    word, bits = (np.uint16, 8) if plane.dtype == np.uint8 else (np.uint32, 16)
    factor = round(gain * (1 << bits))
    offset = pivot * ((1 << bits) - factor) + (1 << (bits - 1))
    scaled = np.multiply(plane, word(factor), dtype=word)
    scaled += word(offset)
    scaled >>= bits
    return scaled.astype(np.uint8) if plane.dtype == np.uint8 else scaled.astype(np.uint16)


def _stamp(planes: Planes, frame_index: int, clip_id: int, bit_depth: int) -> None:
    """Stamp luma and make the chroma under it grey, so that RGB shows the same cells."""
    luma, cb, cr = planes
    write_stamp(luma, frame_index, clip_id, bit_depth)
    layout = stamp_layout(luma.shape[1], luma.shape[0])
    assert layout is not None
    grey = CHROMA_MIDDLE_8BIT << (bit_depth - 8)
    for plane in (cb, cr):
        plane[: layout.height_px // 2, : layout.width_px // 2] = grey


def _require_stampable(recipe: Recipe) -> None:
    where = f"recipe {recipe.width_px}x{recipe.height_px}, {recipe.duration_s:g} s"
    if stamp_layout(recipe.width_px, recipe.height_px) is None:
        what = "the picture is too small to carry its frame number"
        raise unfit(where, what, "Use at least 128x112")
    if recipe.frame_count > MAX_FRAME_INDEX + 1:
        most = MAX_FRAME_INDEX + 1
        what = f"{recipe.frame_count} frames are more than the {most} that can be numbered"
        raise unfit(where, what, "Make the clip shorter")

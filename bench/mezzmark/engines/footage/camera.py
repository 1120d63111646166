"""How the synthetic camera moves: shots, pan, sway of the hand, exposure. Pure and seeded."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mezzmark.model.footage import Recipe

PAN_SLANT_RAD = 0.15
"""A pan by hand is never quite level."""

MAX_TRAVEL_HEIGHTS = 0.6
"""A longer pan turns round and comes back, so that the canvas stays of modest size."""

SWAY_FREQUENCIES_HZ = (0.35, 0.8, 1.7, 3.1)
"""Unsteadiness of a standing person: most of it below 2 Hz (common practice, no published
source)."""

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


def sway_heights(recipe: Recipe) -> float:
    """Largest distance of the sway from its middle, in picture heights."""
    return SWAY_PEAK_TO_RMS * recipe.handheld_heights


def smear_px(recipe: Recipe) -> float:
    """Length of the motion blur that the pan leaves while the shutter is open, in luma samples."""
    return float(recipe.pan_heights_per_s * recipe.height_px * SHUTTER_FRACTION / recipe.frame_rate)


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

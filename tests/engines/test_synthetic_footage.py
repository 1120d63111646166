"""Synthetic footage: seeded, whole, legal, moving as the recipe says, and stamped."""

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest

from mezzmark.engines.footage import recipe
from mezzmark.engines.footage.recipe import generate_frames, recipe_clip_id
from mezzmark.engines.media.stamp import StampReading, read_stamp, stamp_layout
from mezzmark.model.errors import FootageError
from mezzmark.model.footage import Recipe

SMALL = Recipe(width_px=320, height_px=180, duration_s=0.5)
SMALLER = {"width_px": 160, "height_px": 114}
STILL = {
    "pan_heights_per_s": 0,
    "handheld_heights": 0,
    "exposure_change_stops": 0,
    "focus_falloff": 0,
}


def _frames(seed: int = 1, **changes) -> list[tuple[np.ndarray, ...]]:
    return list(generate_frames(SMALL.model_copy(update=changes), seed))


def _picture(planes: tuple[np.ndarray, ...]) -> np.ndarray:
    """Luma below the stamp, as float."""
    layout = stamp_layout(planes[0].shape[1], planes[0].shape[0])
    assert layout is not None
    return planes[0][layout.height_px :].astype(float)


def test_the_same_seed_gives_the_same_frames_and_another_seed_others() -> None:
    """Every plane of every frame is equal for one seed, and no first frame is for two."""
    first, again, other = (_frames(seed, **SMALLER) for seed in (1, 1, 2))
    for one, two in zip(first, again, strict=True):
        for left, right in zip(one, two, strict=True):
            np.testing.assert_array_equal(left, right)
    assert not np.array_equal(first[0][0], other[0][0])


def test_scenes_painted_side_by_side_are_those_painted_in_turn(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Three scenes by one painter and by three: every plane of every frame is equal."""
    made = []
    for painters in (1, 3):
        monkeypatch.setattr(recipe, "PAINTERS", painters)
        frames = _frames(cut_interval_s=0.125, **SMALLER)
        made.append([plane.tobytes() for planes in frames for plane in planes])
    assert made[0] == made[1]
    assert made[0]


@pytest.mark.parametrize("bit_depth", [8, 10])
@pytest.mark.parametrize("size", [(320, 180), (130, 114), (362, 202)])
def test_frames_have_the_shape_depth_and_number_asked_for(
    size: tuple[int, int], bit_depth: int
) -> None:
    """4:2:0 planes, uint8 or uint16, legal codes, `frame_count` of them, each with its number."""
    changes = {"width_px": size[0], "height_px": size[1], "bit_depth": bit_depth, "grain": 4}
    recipe = SMALL.model_copy(update=changes)
    frames = list(generate_frames(recipe, 3))
    assert len(frames) == recipe.frame_count == 12
    for number, (luma, cb, cr) in enumerate(frames):
        assert luma.shape == (size[1], size[0])
        assert cb.shape == cr.shape == (size[1] // 2, size[0] // 2)
        assert luma.dtype == (np.uint8 if bit_depth == 8 else np.uint16)
        for plane in (luma, cb, cr):
            assert plane.min() >= 1 << (bit_depth - 8)
            assert plane.max() < 255 << (bit_depth - 8)
        expected = StampReading(frame_index=number, clip_id=recipe_clip_id(recipe, 3))
        assert read_stamp(luma, bit_depth) == expected


def test_the_canvas_is_covered() -> None:
    """No flat gaps: without grain or blur almost no 8x8 block is a single code."""
    picture = _picture(_frames(grain=0, duration_s=0.05, **STILL)[0])[:112]
    blocks = picture.reshape(14, 8, 40, 8).swapaxes(1, 2)
    is_flat = np.ptp(blocks, axis=(2, 3)) == 0
    assert is_flat.mean() < 0.02


@pytest.mark.parametrize("grain", [0.5, 1.25, 3.0])
@pytest.mark.parametrize("bit_depth", [8, 10])
def test_grain_has_the_rms_asked_for_and_is_new_in_every_frame(
    grain: float, bit_depth: int
) -> None:
    """In a still scene the sd of the difference of two frames is sqrt(2) times the grain, within
    a quarter (it is stronger in the dark and weaker in the light), whichever two frames."""
    frames = _frames(grain=grain, bit_depth=bit_depth, **STILL)
    scale = 1 << (bit_depth - 8)
    for first, second in ((0, 1), (3, 4), (2, 9)):
        difference = (_picture(frames[first]) - _picture(frames[second])) / scale
        assert np.std(difference) / np.sqrt(2) == pytest.approx(grain, rel=0.25)
        assert abs(difference.mean()) < 0.1


def test_without_motion_or_grain_nothing_moves() -> None:
    """Only the stamp differs between the frames of a still, clean recipe."""
    frames = _frames(grain=0, **STILL)
    for planes in frames[1:]:
        np.testing.assert_array_equal(_picture(planes), _picture(frames[0]))


def test_a_pan_moves_the_picture_by_what_the_recipe_says() -> None:
    """Over 11 frames at 24/s a pan of 0.5 heights/s moves 180 lines' backdrop 41 samples, found by
    phase correlation (within 2)."""
    changes = STILL | {"pan_heights_per_s": 0.5, "grain": 0, "frame_rate": Fraction(24)}
    frames = _frames(seed=2, **changes)
    first, last = _picture(frames[0])[:, :180], _picture(frames[11])[:, :180]
    window = np.outer(np.hanning(first.shape[0]), np.hanning(180))
    spectra = [np.fft.fft2((part - part.mean()) * window) for part in (first, last)]
    product = spectra[0] * np.conj(spectra[1])
    peak = np.abs(np.fft.ifft2(product / (np.abs(product) + 1e-9)))
    _, across = np.unravel_index(np.argmax(peak), peak.shape)
    moved = min(across, 180 - across)
    assert moved == pytest.approx(0.5 * 180 * 11 / 24, abs=2)


def test_cuts_fall_where_the_recipe_says() -> None:
    """With a cut every quarter second of 24 frames/s the picture changes much at 6 and nowhere
    else."""
    frames = _frames(cut_interval_s=0.25, frame_rate=Fraction(24), **SMALLER)
    jumps = [np.std(_picture(after) - _picture(before)) for before, after in pairwise(frames)]
    assert int(np.argmax(jumps)) + 1 == 6
    assert jumps[5] > 2 * max(jumps[:5] + jumps[6:])


def test_exposure_changes_by_the_stops_asked_for() -> None:
    """Two stops change the mean above black by 2^(2/2.2), within 3 % of rounding."""
    changes = STILL | {"exposure_change_stops": 2.0, "grain": 0}
    frames = _frames(bit_depth=10, **changes)
    ends = sorted(np.mean(_picture(frames[n]) - 64) for n in (0, -1))
    assert ends[1] / ends[0] == pytest.approx(2 ** (2 / 2.2), rel=0.03)


def test_focus_falloff_softens_the_edges_of_the_picture() -> None:
    """With falloff the finest detail (second differences) loses more than half of its strength at
    the left edge, and less than a twentieth in the middle."""
    edges, middles = [], []
    for falloff in (0.0, 1.0):
        changes = STILL | {"focus_falloff": falloff, "grain": 0, "duration_s": 0.05}
        frames = _frames(seed=6, **changes)
        detail = np.diff(_picture(frames[0]), n=2, axis=1)
        edges.append(np.std(detail[:, :24]))
        middles.append(np.std(detail[:60, 140:180]))
    assert edges[1] < edges[0] / 2
    assert middles[1] > middles[0] * 0.95


def test_what_cannot_be_stamped_is_refused() -> None:
    """A picture too small, or more frames than the stamp counts, is a FootageError."""
    with pytest.raises(FootageError, match="too small"):
        next(generate_frames(Recipe(width_px=64, height_px=64), 1))
    long = Recipe(width_px=320, height_px=180, duration_s=600, frame_rate=Fraction(120))
    with pytest.raises(FootageError, match="65536"):
        next(generate_frames(long, 1))

"""Laws of the stamp for any number, size, depth and damage."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mezzmark.engines.media.stamp import StampReading, read_stamp, stamp_layout, write_stamp

CELLS = 42
frames = st.integers(0, 65_535)
clips = st.integers(0, 255)


def _stamped(frame_index: int, clip_id: int) -> np.ndarray:
    luma = np.full((180, 320), 90, np.uint8)
    write_stamp(luma, frame_index, clip_id, 8)
    return luma


def _paint(luma: np.ndarray, cell: int, level: int) -> None:
    row, column = divmod(cell, 14)
    luma[row * 16 : row * 16 + 16, column * 16 : column * 16 + 16] = level


def _flip(luma: np.ndarray, cell: int) -> None:
    row, column = divmod(cell, 14)
    _paint(luma, cell, 32 if luma[row * 16 + 8, column * 16 + 8] > 126 else 220)


@given(
    frames,
    clips,
    st.integers(60, 1000).map(lambda half: 2 * half),
    st.integers(52, 600).map(lambda half: 2 * half),
    st.sampled_from([8, 10, 12]),
    st.integers(0, 2**32 - 1),
)
@settings(max_examples=60, deadline=None)
def test_what_is_written_is_read(
    frame_index: int, clip_id: int, width_px: int, height_px: int, bit_depth: int, seed: int
) -> None:
    """Any number is read back from any picture of legal size, whatever the picture holds."""
    rng = np.random.default_rng(seed)
    dtype = np.uint8 if bit_depth == 8 else np.uint16
    luma = rng.integers(0, 1 << bit_depth, (height_px, width_px)).astype(dtype)
    write_stamp(luma, frame_index, clip_id, bit_depth)
    assert read_stamp(luma, bit_depth) == StampReading(frame_index=frame_index, clip_id=clip_id)


@given(frames, clips, st.sets(st.integers(2, CELLS - 1), min_size=1, max_size=3))
@settings(max_examples=150, deadline=None)
def test_up_to_three_wrong_cells_are_always_found(
    frame_index: int, clip_id: int, cells: set[int]
) -> None:
    """One, two or three cells turned over never read as another frame."""
    luma = _stamped(frame_index, clip_id)
    for cell in cells:
        _flip(luma, cell)
    assert read_stamp(luma, 8) is None


@given(frames, clips, st.sets(st.integers(2, CELLS - 1), min_size=3, max_size=3))
@settings(max_examples=150, deadline=None)
def test_grey_cells_beside_a_wrong_one_never_give_another_frame(
    frame_index: int, clip_id: int, cells: set[int]
) -> None:
    """Two grey cells and one wrong one are within the check's distance: unreadable, not wrong."""
    luma = _stamped(frame_index, clip_id)
    wrong, *greys = sorted(cells)
    _flip(luma, wrong)
    for cell in greys:
        _paint(luma, cell, 126)
    assert read_stamp(luma, 8) is None


@given(st.integers(0, 65_534), clips, st.floats(0, 1))
@settings(max_examples=100, deadline=None)
def test_a_blend_of_two_frames_reads_as_one_of_them_or_not_at_all(
    frame_index: int, clip_id: int, share: float
) -> None:
    """Cross-fading two consecutive frames never gives a third number."""
    first, second = _stamped(frame_index, clip_id), _stamped(frame_index + 1, clip_id)
    mixed = np.rint(first * (1 - share) + second * share).astype(np.uint8)
    reading = read_stamp(mixed, 8)
    legal = {frame_index, frame_index + 1}
    assert reading is None or (reading.frame_index in legal and reading.clip_id == clip_id)


@pytest.mark.slow
def test_random_cells_pass_the_check_no_more_often_than_its_odds() -> None:
    """Of 100,000 random patterns behind good references, 1.5 are expected to pass at 2^-16;
    more than 8 would happen by chance once in 30,000 times (Poisson)."""
    rng = np.random.default_rng(11)
    layout = stamp_layout(120, 104)
    assert layout is not None
    passed = 0
    luma = np.zeros((104, 120), np.uint8)
    for _ in range(100_000):
        grid = rng.integers(0, 2, (layout.rows, layout.columns)) * np.uint8(188) + np.uint8(32)
        grid[0, :2] = (220, 32)
        luma[:96, :112] = grid.repeat(16, axis=0).repeat(16, axis=1)
        passed += read_stamp(luma, 8) is not None
    assert passed <= 8

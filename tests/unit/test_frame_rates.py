"""Rates in disguise are recognised, and others left alone."""

from fractions import Fraction

import pytest

from mezzmark.engines.footage.originals import index_duration_s
from mezzmark.model.footage import FrameIndex, constant_rate, is_constant_rate, standard_rate

MILLISECOND = Fraction(1, 1000)


def index_of(pts: list[int], time_base: Fraction, frame_rate: Fraction | None) -> FrameIndex:
    """An index with these times and nothing else of interest."""
    count = len(pts)
    return FrameIndex(
        path="x",
        file_bytes=1,
        time_base=time_base,
        pts=tuple(pts),
        is_keyframe=(True,) * count,
        packet_bytes=(1,) * count,
        digests=("",) * count,
        stamps=(-1,) * count,
        is_stamped=False,
        width_px=64,
        height_px=64,
        pixel_format="yuv420p",
        frame_rate=frame_rate,
    )


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        (Fraction(19001, 317), Fraction(60000, 1001)),
        (Fraction(2997, 100), Fraction(30000, 1001)),
        (Fraction(23976, 1000), Fraction(24000, 1001)),
        (Fraction(24), Fraction(24)),
        (Fraction(12), Fraction(12)),
        (Fraction(2995, 100), Fraction(2995, 100)),
    ],
)
def test_rounded_rates_become_the_standard_ones(written: Fraction, meant: Fraction) -> None:
    """Rounded forms of standard rates are taken for these; 24 and 23.976 are never confused."""
    assert standard_rate(written) == meant


def test_times_rounded_to_milliseconds_are_a_constant_rate() -> None:
    """Matroska's rounded times of 59.94 frames/s are constant, and the exact rate is found."""
    exact = Fraction(60000, 1001)
    pts = [round(n / exact / MILLISECOND) for n in range(200)]
    index = index_of(pts, MILLISECOND, Fraction(19001, 317))
    assert constant_rate(index) == exact
    assert is_constant_rate(index, exact)


def test_a_variable_rate_is_seen_and_averaged() -> None:
    """Pictures held for 40 and 80 ms by turns are not constant; they average 60 ms."""
    pts = [n * 60 + (n % 2) * -20 for n in range(101)]
    index = index_of(pts, MILLISECOND, Fraction(25))
    rate = constant_rate(index)
    assert rate == Fraction(100, 6)
    assert not is_constant_rate(index, rate)


def test_one_picture_has_the_rate_that_its_file_states() -> None:
    """A single picture implies no rate, so the stated one stands."""
    assert constant_rate(index_of([7], MILLISECOND, Fraction(50))) == 50


def test_one_picture_without_a_rate_has_the_length_at_which_it_is_encoded() -> None:
    """A still lasts as long as one picture of the file that is made of it (25 a second where the
    file states no rate), and never no time at all."""
    still = index_of([0], MILLISECOND, None)
    assert index_duration_s(still) == float(1 / constant_rate(still)) == 0.04

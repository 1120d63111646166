"""Frame rates: the usual ones, those that can be written down, and the rate of an index."""

from fractions import Fraction
from typing import Final

from mezzmark.facts.footage import FrameIndex

STANDARD_RATES: Final = (
    Fraction(24000, 1001),
    Fraction(24),
    Fraction(25),
    Fraction(30000, 1001),
    Fraction(30),
    Fraction(48000, 1001),
    Fraction(48),
    Fraction(50),
    Fraction(60000, 1001),
    Fraction(60),
)
"""The rates that FFmpeg's MXF writer has codes for (SMPTE ST 326 and its successors)."""

_MPEG2_BASE_RATES: Final = tuple(
    rate for rate in STANDARD_RATES if rate not in (Fraction(48), Fraction(48000, 1001))
)
"""ISO/IEC 13818-2, table 6-4."""
_MPEG2_NUMERATORS: Final = range(1, 5)
_MPEG2_DENOMINATORS: Final = range(1, 33)
"""ISO/IEC 13818-2, 6.3.5: rate = base · (frame_rate_extension_n + 1) / (…_d + 1)."""

ROUNDING_FRACTION: Final = 2e-4
"""Containers that round times write rates up to about this far off; the nearest two standard
rates (24 and 23.976) lie five times further apart."""


def standard_rate(rate: Fraction) -> Fraction:
    """The standard rate that `rate` is a rounding of, or `rate` itself if it is none."""
    nearest = min(STANDARD_RATES, key=lambda standard: abs(standard - rate))
    return nearest if abs(nearest / rate - 1) < ROUNDING_FRACTION else rate


def is_mpeg2_rate(rate: Fraction) -> bool:
    """Whether MPEG-2 can write down this frame rate exactly."""
    return any(
        base * numerator / denominator == rate
        for base in _MPEG2_BASE_RATES
        for numerator in _MPEG2_NUMERATORS
        for denominator in _MPEG2_DENOMINATORS
    )


def is_constant_rate(index: FrameIndex, frame_rate: Fraction) -> bool:
    """Whether every picture lies within a tick, or a tenth of a picture, of even spacing."""
    step = 1 / (frame_rate * index.time_base)
    allowed = max(Fraction(1), step / 10)
    start = index.pts[0]
    return all(abs(pts - start - n * step) <= allowed for n, pts in enumerate(index.pts))


def constant_rate(index: FrameIndex) -> Fraction:
    """The rate at which the pictures are encoded when evenly spaced.

    The rate the file states, if its pictures keep to it; else their average; rounded to a
    standard rate where it is one in disguise.
    """
    if index.frame_rate is not None:
        stated = standard_rate(index.frame_rate)
        if is_constant_rate(index, stated):
            return stated
    if index.frame_count < 2:
        return standard_rate(index.frame_rate or Fraction(25))
    span = (index.pts[-1] - index.pts[0]) * index.time_base
    return standard_rate(((index.frame_count - 1) / span).limit_denominator(1001))

"""Bit rate against quality: ladders of two codecs compared."""

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Final

import numpy as np

from mezzmark.decide.picture.fidelity import EncodingFidelity
from mezzmark.model.colour import Floats
from mezzmark.model.encoding import Encoding
from mezzmark.model.fact import Fact, grouped

Ladder = Sequence[tuple[float, float]]
"""The (bit rate, dB) of one codec's encodings."""

BJONTEGAARD_POINTS: Final = 4
"""A cubic needs four."""

LEAST_STEP: Final = 1.02
"""Two encodings closer in bit rate than 2 % are one rung of a ladder."""


class RateComparison(Fact):
    """Two codecs' ladders compared: the test needs so much more or less bit rate at equal PSNR,
    and gives so many dB more or less at equal bit rate (Bjøntegaard)."""

    anchor: str
    test: str
    rate_fraction: float
    quality_db: float
    clip_count: int


def compare_ladders(
    judged: Sequence[EncodingFidelity], encodings: Sequence[Encoding]
) -> tuple[RateComparison, ...]:
    """Bjøntegaard deltas between every two codecs that have at least four encodings each, from
    PSNR of all planes over bit rate, averaged over the clips both have."""
    codec_of = {one.name: one.codec for one in encodings if not one.is_proxy}
    points = grouped(
        ((codec, clip.clip), (clip.generations[0].bitrate_bps, psnr.mean))
        for entry in judged
        if (codec := codec_of.get(entry.encoding)) and not entry.is_bit_exact
        for clip in entry.clips
        if (psnr := clip.generations[0].frames.get("psnr"))
    )
    by_codec = grouped((codec, (clip, ladder)) for (codec, clip), ladder in points.items())
    ladders = {codec: dict(by_clip) for codec, by_clip in by_codec.items()}
    compared = [_compare(a, b, ladders[a], ladders[b]) for a, b in combinations(sorted(ladders), 2)]
    return tuple(comparison for comparison in compared if comparison is not None)


def rungs(points: Ladder) -> list[tuple[float, float]]:
    """The points of a ladder in order of bit rate: each needs more bits than the one before and
    gives more. Of two at about one bit rate the better stays."""
    kept: list[tuple[float, float]] = []
    for rate, quality in sorted(points):
        if kept and rate < kept[-1][0] * LEAST_STEP:
            if quality > kept[-1][1]:
                kept[-1] = (rate, quality)
        elif not kept or quality > kept[-1][1]:
            kept.append((rate, quality))
    return kept


def _compare(
    anchor: str,
    test: str,
    anchor_by_clip: Mapping[str, Ladder],
    test_by_clip: Mapping[str, Ladder],
) -> RateComparison | None:
    found = []
    for clip in sorted(anchor_by_clip.keys() & test_by_clip.keys()):
        sides = rungs(anchor_by_clip[clip]), rungs(test_by_clip[clip])
        rate, quality = bjontegaard_rate_fraction(*sides), bjontegaard_quality_db(*sides)
        if rate is not None and quality is not None:
            found.append((rate, quality))
    if not found:
        return None
    rate, quality = (float(np.mean(of_clips)) for of_clips in zip(*found, strict=True))
    return RateComparison(
        anchor=anchor, test=test, rate_fraction=rate, quality_db=quality, clip_count=len(found)
    )


def bjontegaard_rate_fraction(anchor: Ladder, test: Ladder) -> float | None:
    """Mean change of bit rate at equal quality: -0.1 means 10 % fewer bits than the anchor.

    VCEG-M33 (Bjøntegaard 2001): cubics of log10 rate over dB are integrated over the dB range that
    both share. None with fewer than four points on a side, or where the ranges do not overlap.
    """
    mean = _mean_gap(_axes(anchor)[:, ::-1], _axes(test)[:, ::-1])
    return None if mean is None else float(10**mean - 1)


def bjontegaard_quality_db(anchor: Ladder, test: Ladder) -> float | None:
    """Mean change of quality at equal bit rate, in dB; as `bjontegaard_rate_fraction`, with the
    axes exchanged."""
    return _mean_gap(_axes(anchor), _axes(test))


def _axes(ladder: Ladder) -> Floats:
    return np.array([(np.log10(rate), quality) for rate, quality in sorted(ladder)]).reshape(-1, 2)


def _mean_gap(anchor: Floats, test: Floats) -> float | None:
    if min(len(anchor), len(test)) < BJONTEGAARD_POINTS:
        return None
    low = max(anchor[:, 0].min(), test[:, 0].min())
    high = min(anchor[:, 0].max(), test[:, 0].max())
    if low >= high:
        return None
    areas = []
    for points in (anchor, test):
        integral = np.polyint(np.polyfit(points[:, 0], points[:, 1], 3))
        areas.append(np.polyval(integral, high) - np.polyval(integral, low))
    return float((areas[1] - areas[0]) / (high - low))

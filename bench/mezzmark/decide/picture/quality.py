"""Picture quality in figures: series of frames in, means and worst frames out.

The mean of PSNR is that of the frames' PSNR: each frame counts alike. (The PSNR of the mean squared
error, in which each error counts alike, is never above it.) An identical frame has no finite PSNR
and is left out.
"""

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from mezzmark.model.colour import Floats
from mezzmark.model.fact import Fact
from mezzmark.model.tasks.fidelity import METRICS, GenerationQuality


class FrameFigures(Fact):
    """One metric over the frames of one clip, without identical ones; `worst` is the smallest."""

    mean: float
    worst: float


class GenerationFigures(Fact):
    """A generation's figures by metric (a row of `METRICS`), and what no dB can say."""

    generation: int
    is_bit_exact: bool
    frames: dict[str, FrameFigures]
    bitrate_bps: float


def generation_figures(found: GenerationQuality, *, frame_rate: float) -> GenerationFigures:
    """All metrics of one generation that have a finite value."""
    frames = {}
    for name, metric in METRICS.items():
        values = metric.of(found.quality)
        finite = values[np.isfinite(values)]
        if finite.size:
            frames[name] = FrameFigures(mean=float(finite.mean()), worst=float(finite.min()))
    return GenerationFigures(
        generation=found.generation,
        is_bit_exact=found.is_bit_exact,
        frames=frames,
        bitrate_bps=8 * found.file_bytes * frame_rate / found.frame_count,
    )


def bjontegaard_rate_fraction(
    anchor: Sequence[tuple[float, float]], test: Sequence[tuple[float, float]]
) -> float | None:
    """Mean change of bit rate at equal quality: -0.1 means 10 % fewer bits than the anchor.

    Points are (bit rate, dB). VCEG-M33 (Bjøntegaard 2001): cubics of log10 rate over dB are
    integrated over the dB range that both share. None with fewer than four points on a side, or
    where the ranges do not overlap.
    """
    left, right = _sides(anchor, test, lambda point: (point[1], np.log10(point[0])))
    mean = _mean_gap(left, right)
    return None if mean is None else float(10**mean - 1)


def bjontegaard_quality_db(
    anchor: Sequence[tuple[float, float]], test: Sequence[tuple[float, float]]
) -> float | None:
    """Mean change of quality at equal bit rate, in dB; as `bjontegaard_rate_fraction`, with the
    axes exchanged."""
    left, right = _sides(anchor, test, lambda point: (np.log10(point[0]), point[1]))
    return _mean_gap(left, right)


BJONTEGAARD_POINTS: Final = 4
"""A cubic needs four."""


def _sides(
    anchor: Sequence[tuple[float, float]],
    test: Sequence[tuple[float, float]],
    axes: Callable[[tuple[float, float]], tuple[float, float]],
) -> tuple[Floats, Floats]:
    return (
        np.array([axes(point) for point in sorted(anchor)]),
        np.array([axes(point) for point in sorted(test)]),
    )


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

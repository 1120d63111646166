"""Picture quality in figures: series of frames in, means and worst frames out.

The mean of PSNR is that of the frames' PSNR: each frame counts alike. (The PSNR of the mean squared
error, in which each error counts alike, is never above it.) An identical frame has no finite PSNR;
it is left out of the mean and is counted.
"""

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from mezzmark.model.colour import Floats
from mezzmark.model.fact import Fact
from mezzmark.model.tasks.fidelity import GenerationQuality, QualitySeries


class FrameFigures(Fact):
    """One metric over the frames of one clip; every value in `unit`.

    `worst` is the smallest; `identical_count` frames are left out.
    """

    metric: str
    unit: str
    mean: float
    worst: float
    frame_count: int
    identical_count: int


class GenerationFigures(Fact):
    """A generation's figures by metric name, and what no dB can say."""

    generation: int
    is_bit_exact: bool
    frames: dict[str, FrameFigures]
    bitrate_bps: float


def psnr_db(squared_error: Floats, *, peak: int) -> Floats:
    """10 · log10(peak² / mean squared error) (ITU-T J.340, 6.1 gives it so; from memory);
    infinite for 0."""
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(float(peak) ** 2 / np.asarray(squared_error, float)))


def weighted_error(quality: QualitySeries) -> Floats:
    """Each frame's squared error over all samples of all planes."""
    errors = np.asarray(quality.squared_error, dtype=np.float64)
    return np.asarray(errors @ np.asarray(quality.plane_weights), dtype=np.float64)


def generation_figures(found: GenerationQuality, *, frame_rate: float) -> GenerationFigures:
    """All metrics of one generation."""
    quality = found.quality
    frames: dict[str, FrameFigures] = {}
    if quality.squared_error:
        errors = np.asarray(quality.squared_error, dtype=np.float64)
        for place, name in enumerate(_plane_names(quality)):
            values = psnr_db(errors[:, place], peak=quality.peak)
            _add(frames, f"PSNR {name}", "dB", values)
        _add(frames, "PSNR", "dB", psnr_db(weighted_error(quality), peak=quality.peak))
    if quality.ssim:
        _add(frames, "SSIM", "", np.asarray(quality.ssim_all, dtype=np.float64))
        _add(frames, f"SSIM {_plane_names(quality)[0]}", "", np.asarray(quality.ssim)[:, 0])
    if quality.xpsnr_db:
        first = [np.inf if v[0] is None else v[0] for v in quality.xpsnr_db]
        _add(frames, f"XPSNR {_plane_names(quality)[0]}", "dB", np.asarray(first))
    return GenerationFigures(
        generation=found.generation,
        is_bit_exact=found.is_bit_exact,
        frames=frames,
        bitrate_bps=8 * found.file_bytes * frame_rate / found.frame_count,
    )


def _plane_names(quality: QualitySeries) -> Sequence[str]:
    return ("G", "B", "R") if quality.pixel_format.startswith("gbr") else ("Y", "U", "V")


def _add(frames: dict[str, FrameFigures], metric: str, unit: str, values: Floats) -> None:
    finite = values[np.isfinite(values)]
    if finite.size == 0:
        return
    frames[metric] = FrameFigures(
        metric=metric,
        unit=unit,
        mean=float(finite.mean()),
        worst=float(finite.min()),
        frame_count=int(values.size),
        identical_count=int(values.size - finite.size),
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

"""How hard a picture is: spatial and temporal information, and the slope of its spectrum.

SI and TI follow ITU-T P.910 (07/2022) clause 7.8: the standard deviation over the picture of the
Sobel gradient of luma, and of the difference of two consecutive lumas. Here luma is first spread
from limited to full range (255/219), as current tools do; on raw codes both are 219/255 = 0.86
times as large.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from mezzmark.engines.media.pixels import pixel_format_facts, planes_of

LIMITED_BLACK_8BIT, LIMITED_SPAN_8BIT = 16, 219
FULL_RANGE = 2
"""AVCOL_RANGE_JPEG: luma already fills its range."""

SLOPE_FROM_CYCLES, SLOPE_TO_CYCLES = 0.02, 0.35
"""Cycles per sample over which the spectrum is fitted: above the picture's own shape, below what
chroma siting, scaling and coding remove."""

Luma = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]


@dataclass(frozen=True, slots=True, kw_only=True)
class Complexity:
    """Per frame, in 8-bit full-range codes; `temporal` has one entry fewer than `spatial`."""

    spatial: tuple[float, ...]
    temporal: tuple[float, ...]

    @property
    def spatial_information(self) -> float:
        """SI of the clip: the largest over its frames (P.910)."""
        return max(self.spatial)

    @property
    def temporal_information(self) -> float:
        """TI of the clip: the largest over its frames; 0 for a single frame (P.910)."""
        return max(self.temporal, default=0.0)

    @property
    def median_spatial(self) -> float:
        """The middle frame's SI, which a cut or a title does not move."""
        return float(np.median(self.spatial))

    @property
    def median_temporal(self) -> float:
        """The middle frame's TI, which a cut does not move; 0 for a single frame."""
        return float(np.median(self.temporal)) if self.temporal else 0.0


def expanded_luma(luma: Luma, bit_depth: int, *, is_full_range: bool) -> npt.NDArray[np.float32]:
    """Luma in 8-bit full-range codes, not clipped and not rounded."""
    codes = luma.astype(np.float32) / np.float32(1 << (bit_depth - 8))
    if is_full_range:
        return codes
    return (codes - np.float32(LIMITED_BLACK_8BIT)) * np.float32(255 / LIMITED_SPAN_8BIT)


def spatial_information(luma: npt.NDArray[np.float32]) -> float:
    """Population sd of the Sobel gradient's magnitude, edge samples left out (P.910, 7.8.1)."""
    down = ndimage.sobel(luma, axis=0)[1:-1, 1:-1]
    across = ndimage.sobel(luma, axis=1)[1:-1, 1:-1]
    return float(np.std(np.hypot(down, across), dtype=np.float64))


def temporal_information(luma: npt.NDArray[np.float32], previous: npt.NDArray[np.float32]) -> float:
    """Population sd of the difference of two consecutive lumas (P.910, 7.8.2)."""
    return float(np.std(luma - previous, dtype=np.float64))


def complexity_of(lumas: Iterable[npt.NDArray[np.float32]]) -> Complexity:
    """SI and TI of frames given as `expanded_luma`; ValueError if there are none."""
    spatial, temporal = [], []
    previous = None
    for luma in lumas:
        spatial.append(spatial_information(luma))
        if previous is not None:
            temporal.append(temporal_information(luma, previous))
        previous = luma
    if not spatial:
        raise ValueError("SI and TI need at least one frame")
    return Complexity(spatial=tuple(spatial), temporal=tuple(temporal))


def footage_complexity(path: str | Path, max_frames: int | None = None) -> Complexity:
    """SI and TI of a file's first video track."""
    with av.open(str(path)) as container:
        return complexity_of(_decoded_lumas(container, max_frames))


def spectral_slope(luma: npt.NDArray[np.float32]) -> float:
    """Slope of log power over log frequency, orientations averaged; natural pictures lie near -2.

    A Hann window keeps the picture's edges from adding a slope of their own. Source of the -2:
    Field, J. Opt. Soc. Am. A 4 (1987), 2379.
    """
    window = np.outer(np.hanning(luma.shape[0]), np.hanning(luma.shape[1]))
    power = np.abs(fft.rfft2((luma - luma.mean()) * window)) ** 2
    radius = np.hypot(
        fft.fftfreq(luma.shape[0])[:, None], fft.rfftfreq(luma.shape[1])[None, :]
    ).ravel()
    edges = np.geomspace(SLOPE_FROM_CYCLES, SLOPE_TO_CYCLES, 25)
    ring = np.digitize(radius, edges)
    total = np.bincount(ring, power.ravel(), minlength=26)[1:25]
    count = np.bincount(ring, minlength=26)[1:25]
    is_filled = count > 0
    centres = np.sqrt(edges[1:] * edges[:-1])[is_filled]
    mean_power = total[is_filled] / count[is_filled]
    return float(np.polyfit(np.log(centres), np.log(mean_power), 1)[0])


def _decoded_lumas(
    container: av.container.InputContainer, max_frames: int | None
) -> Iterable[npt.NDArray[np.float32]]:
    for frame in islice(container.decode(video=0), max_frames):
        facts = pixel_format_facts(frame.format.name)
        yield expanded_luma(
            planes_of(frame)[0],
            facts.bit_depth,
            is_full_range=facts.is_full_range or frame.color_range == FULL_RANGE,
        )

"""Where chroma lies against luma, finer than a pixel, from the phases of the chart's waves."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from mezzmark.facts.chart import (
    CHROMA_WAVE_AMPLITUDE,
    LUMA_WAVE_AMPLITUDE,
    WAVE_PERIOD_PX,
    WAVES,
    Chart,
    inner_box,
    pixel_box,
)
from mezzmark.facts.colour import Floats

MIN_WAVE_FRACTION: Final = 0.05
"""Below 5 % of its contrast a wave's position is noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveReading:
    """Chroma's place against luma's in luma pixels (right and down positive; None where too
    little of a wave is left), and how much of the chroma wave along x is left."""

    shift_x_px: float | None
    shift_y_px: float | None
    chroma_fraction: float


def read_waves(
    luma: Floats, chroma_difference: Floats, *, step: tuple[int, int], chart: Chart
) -> WaveReading:
    """Compare the waves of luma and of Cb - Cr. Chroma samples are taken to be sited left, as the
    chart writes them: every `step[0]` luma columns from the first, in the middle of `step[1]`
    lines."""
    along_x = _amplitude(chroma_difference, "chroma-x", step, chart)
    return WaveReading(
        shift_x_px=_shift(_amplitude(luma, "luma-x", (1, 1), chart), along_x),
        shift_y_px=_shift(
            _amplitude(luma, "luma-y", (1, 1), chart),
            _amplitude(chroma_difference, "chroma-y", step, chart),
        ),
        chroma_fraction=abs(along_x) / (2 * CHROMA_WAVE_AMPLITUDE),
    )


def _shift(luma: complex, chroma: complex) -> float | None:
    is_weak = (
        abs(luma) < MIN_WAVE_FRACTION * LUMA_WAVE_AMPLITUDE
        or abs(chroma) < MIN_WAVE_FRACTION * 2 * CHROMA_WAVE_AMPLITUDE
    )
    if is_weak:
        return None
    return float(np.angle(luma / chroma) * WAVE_PERIOD_PX / (2 * np.pi))


def _amplitude(values: Floats, name: str, step: tuple[int, int], chart: Chart) -> complex:
    across, down = step
    cells = next(wave.cells for wave in WAVES if wave.name == name)
    box = inner_box(pixel_box(cells, width_px=chart.width_px, height_px=chart.height_px))
    columns = np.arange(-(-box.left // across), -(-box.right // across), dtype=np.int64)
    lines = np.arange(-(-box.top // down), -(-box.bottom // down), dtype=np.int64)
    window = values[lines[0] : lines[-1] + 1, columns[0] : columns[-1] + 1]
    if name.endswith("x"):
        return wave_phase(window.mean(axis=0), np.asarray(columns * across, dtype=np.float64))
    return wave_phase(
        window.mean(axis=1), np.asarray(lines * down + (down - 1) / 2, dtype=np.float64)
    )


def wave_phase(values: Floats, positions_px: Floats) -> complex:
    """Complex amplitude of the wave of `WAVE_PERIOD_PX` in values sampled at these positions.

    Least squares on cosine, sine and a constant, so that the window need not hold whole periods.
    A wave sin(2π(x - s)/P) of amplitude A has angle -90° - 360°·s/P and modulus A.
    """
    turn = 2 * np.pi * positions_px / WAVE_PERIOD_PX
    columns = np.stack([np.cos(turn), np.sin(turn), np.ones_like(turn)], axis=1)
    cosine, sine, _ = np.linalg.lstsq(columns, values, rcond=None)[0]
    return complex(cosine, -sine)

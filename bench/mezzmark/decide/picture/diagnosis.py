"""Why a picture came back changed, and who would see it: a chart measurement in, kinds out."""

from typing import Final, Literal

import numpy as np

from mezzmark.decide.picture.signatures import (
    EIGHT_BIT,
    SITING,
    Signature,
    signatures,
)
from mezzmark.model.colour import Floats
from mezzmark.model.fact import Fact
from mezzmark.model.tasks.fidelity import ChartMeasurement

QUIET_CODES: Final = 1.0
"""RMS viewer codes (of 255) below which patches have not moved: rounding alone gives about 0.5."""

EXPLAINED_FRACTION: Final = 0.4
"""A cause is named only if it leaves at most this share of the RMS change unexplained; the next
best cause then explains visibly less, and coding noise, which follows no signature, none."""

STILL_CODES: Final = 3.0
"""RMS viewer codes up to which flat patches count as standing still. Dropping bits below the
eighth lowers them by less than one code, and the viewer's own rounding of deep pictures by about
one more; misplaced chroma does not touch them."""

EIGHT_BIT_LIMIT: Final = 0.5
"""Half of the staircase: nearer to "all of it" than to "none"."""

SITING_LIMIT_PX: Final = 0.25
"""Half of the smallest known mistake, half a luma pixel."""

INVISIBLE_DELTA_E: Final = 1.0
"""About the smallest ΔE2000 seen between two patches side by side (common practice)."""

SIDE_BY_SIDE_DELTA_E: Final = 2.0
"""Below this a difference is found only by comparing (common practice)."""

MOST_VIEWERS_DELTA_E: Final = 5.0
"""From here on two colours look different at a glance (common practice)."""


NO_SHIFT: Final = "no shift"
UNEXPLAINED: Final = "unexplained"

Visibility = Literal["invisible", "side by side", "trained eye", "most viewers"]
"""Who would see a difference: nobody, whoever compares, a trained eye, or most viewers."""


class Diagnosis(Fact):
    """What happened to the chart.

    `cause` is the key of a known cause (see `signatures`), `NO_SHIFT` or `UNEXPLAINED`.
    `residual_codes` is the RMS change (viewer codes of 255) that the cause leaves unexplained,
    `change_codes` the whole of it. `delta_e` is the 90th percentile of ΔE2000 over the patches.
    Shifts of chroma and counts of codes are as in `ChartMeasurement`.
    """

    cause: str
    delta_e: float
    worst_delta_e: float
    worst_patch: str
    change_codes: float
    residual_codes: float
    chroma_shift_x_px: float | None = None
    chroma_shift_y_px: float | None = None
    ramp_codes_entered: int = 0
    ramp_codes_returned: int = 0


def diagnose(measurement: ChartMeasurement) -> Diagnosis:
    """Name the one known cause that explains the change, or say that there is none.

    Levels and colours are judged first; only a chart whose patches stand still is searched for
    8-bit steps and for misplaced chroma, which leave flat patches alone.
    """
    expected = np.array([patch.expected_rgb for patch in measurement.patches])
    entered = np.array([patch.entered_rgb for patch in measurement.patches])
    # What the viewer and rounding had done before the encoder saw the chart is taken off.
    shown = np.array([patch.shown_rgb for patch in measurement.patches]) - entered + expected
    change = _rms(shown - expected)
    best = _closest(shown, signatures(matrix=measurement.chart.matrix))
    residual = _rms(shown - best.shown_rgb)
    cause = UNEXPLAINED if measurement.visible_delta_e >= INVISIBLE_DELTA_E else NO_SHIFT
    if change > QUIET_CODES and residual <= EXPLAINED_FRACTION * change:
        cause = best.cause
    else:
        residual = change
        if change <= STILL_CODES and _has_eight_bit_steps(measurement):
            cause = EIGHT_BIT
        elif change <= STILL_CODES and _has_misplaced_chroma(measurement):
            cause = SITING
    worst = measurement.worst_patch
    return Diagnosis(
        cause=cause,
        delta_e=measurement.visible_delta_e,
        worst_delta_e=worst.delta_e_2000,
        worst_patch=worst.name,
        change_codes=change,
        residual_codes=residual,
        chroma_shift_x_px=measurement.chroma_shift_x_px,
        chroma_shift_y_px=measurement.chroma_shift_y_px,
        ramp_codes_entered=measurement.ramp_codes_entered,
        ramp_codes_returned=measurement.ramp_codes_returned,
    )


def visibility(delta_e: float) -> Visibility:
    """Who would see a colour difference of this ΔE2000."""
    if delta_e < INVISIBLE_DELTA_E:
        return "invisible"
    if delta_e < SIDE_BY_SIDE_DELTA_E:
        return "side by side"
    return "trained eye" if delta_e < MOST_VIEWERS_DELTA_E else "most viewers"


def _closest(shown: Floats, known: tuple[Signature, ...]) -> Signature:
    return min(known, key=lambda signature: _rms(shown - signature.shown_rgb))


def _rms(difference: Floats) -> float:
    return float(np.sqrt(np.mean(difference**2)))


def _has_eight_bit_steps(measurement: ChartMeasurement) -> bool:
    fraction = measurement.eight_bit_step_fraction
    return fraction is not None and fraction > EIGHT_BIT_LIMIT


def _has_misplaced_chroma(measurement: ChartMeasurement) -> bool:
    shifts = (measurement.chroma_shift_x_px, measurement.chroma_shift_y_px)
    return any(shift is not None and abs(shift) > SITING_LIMIT_PX for shift in shifts)

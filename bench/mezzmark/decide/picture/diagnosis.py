"""Why a picture came back changed, and who would see it: a chart measurement in, words out."""

from typing import Final

import numpy as np

from mezzmark.decide.picture.signatures import (
    EIGHT_BIT,
    SITING,
    Cause,
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


class Diagnosis(Fact):
    """What happened to the chart.

    `cause` is the key of a known cause, "no shift", or "unexplained". `residual_codes` is the RMS
    change (viewer codes of 255) that the cause leaves unexplained, `change_codes` the whole of it.
    `delta_e` is the 90th percentile of ΔE2000 over the patches.
    """

    cause: str
    words: str
    delta_e: float
    worst_delta_e: float
    worst_patch: str
    change_codes: float
    residual_codes: float


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
    cause: Cause | None = None
    if change > QUIET_CODES and residual <= EXPLAINED_FRACTION * change:
        cause = best.cause
    elif change <= STILL_CODES and _has_eight_bit_steps(measurement):
        cause, residual = EIGHT_BIT, change
    elif change <= STILL_CODES and _has_misplaced_chroma(measurement):
        cause, residual = SITING, change
    else:
        residual = change
    return _say(measurement, cause, change, residual)


def visibility_words(delta_e: float) -> str:
    """Who would see a colour difference of this ΔE2000, in a reader's words."""
    if delta_e < INVISIBLE_DELTA_E:
        return "no visible shift"
    if delta_e < SIDE_BY_SIDE_DELTA_E:
        return "a shift seen only side by side"
    if delta_e < MOST_VIEWERS_DELTA_E:
        return "a shift that a trained eye would see"
    return "a shift most viewers would see"


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


def _say(
    measurement: ChartMeasurement, cause: Cause | None, change: float, residual: float
) -> Diagnosis:
    delta_e = measurement.visible_delta_e
    seen = visibility_words(delta_e)
    figure = f" (ΔE {delta_e:.1f})" if delta_e >= INVISIBLE_DELTA_E else ""
    if cause is not None:
        key, words = cause.key, f"{seen}{figure}, {_detail(measurement, cause)}"
    elif delta_e < INVISIBLE_DELTA_E:
        key, words = "no shift", seen
    else:
        key = "unexplained"
        words = (
            f"{seen}{figure}, unexplained: no known cause fits "
            f"(RMS {residual:.1f} of 255 codes is left)"
        )
    worst = measurement.worst_patch
    return Diagnosis(
        cause=key,
        words=words,
        delta_e=delta_e,
        worst_delta_e=worst.delta_e_2000,
        worst_patch=worst.name,
        change_codes=change,
        residual_codes=residual,
    )


def _detail(measurement: ChartMeasurement, cause: Cause) -> str:
    if cause.kind == "siting":
        shifts = (
            (measurement.chroma_shift_x_px, "across"),
            (measurement.chroma_shift_y_px, "down"),
        )
        said = [
            f"{shift:+.2f} px {way}"
            for shift, way in shifts
            if shift is not None and abs(shift) > SITING_LIMIT_PX
        ]
        return f"but colour edges moved {' and '.join(said)}, as if {cause.words}"
    if cause.kind == "depth":
        return (
            f"but smooth ramps turned into steps ({measurement.ramp_codes_returned} of "
            f"{measurement.ramp_codes_entered} grey levels are left), as if {cause.words}"
        )
    return f"as if {cause.words}"

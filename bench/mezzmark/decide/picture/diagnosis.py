"""Why a picture came back changed, and who would see it: a chart measurement in, kinds out."""

import itertools
from typing import Final, Literal, get_args

import numpy as np

from mezzmark.model import colour
from mezzmark.model.chart import PATCHES
from mezzmark.model.fact import Fact
from mezzmark.model.tasks.fidelity import ChartMeasurement

PURE_GAMMAS: Final[tuple[colour.DisplayName, ...]] = ("1.96", "2.2", "2.4")

GAMMA_PAIRS: Final[tuple[tuple[colour.DisplayName, colour.DisplayName], ...]] = (
    *itertools.permutations(PURE_GAMMAS, 2),
    ("sRGB", "2.4"),
    ("2.4", "sRGB"),
)
"""(used, meant): 1.96 is what some desktop colour management makes of BT.709 video, 2.2 a desktop
display, 2.4 BT.1886; sRGB is a curve of its own near black."""

EIGHT_BIT: Final = "8-bit steps"
SITING: Final = "chroma siting"
LIMITED_AS_FULL: Final = "limited as full"
FULL_AS_LIMITED: Final = "full as limited"
WIDE_AS_709: Final = "2020 as 709"
NARROW_AS_2020: Final = "709 as 2020"

MATRIX_PAIRS: Final = tuple(itertools.permutations(get_args(colour.MatrixName), 2))
"""(written, read)."""


def matrix_cause(written: colour.MatrixName, read: colour.MatrixName) -> str:
    """The mistake of reading colours written by one matrix with another."""
    return f"matrix {written[3:]} as {read[3:]}"


def gamma_cause(used: colour.DisplayName, meant: colour.DisplayName) -> str:
    """The mistake of using one display curve where the other was meant."""
    return f"gamma {used} for {meant}"


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
    residuals = {
        known: _rms(shown - pictured)
        for known, pictured in signatures(matrix=measurement.chart.matrix).items()
    }
    best = min(residuals, key=residuals.__getitem__)
    residual = residuals[best]
    cause = UNEXPLAINED if measurement.visible_delta_e >= INVISIBLE_DELTA_E else NO_SHIFT
    shifts_px = (measurement.chroma_shift_x_px or 0.0, measurement.chroma_shift_y_px or 0.0)
    if change > QUIET_CODES and residual <= EXPLAINED_FRACTION * change:
        cause = best
    else:
        residual = change
        if change <= STILL_CODES and (measurement.eight_bit_step_fraction or 0.0) > EIGHT_BIT_LIMIT:
            cause = EIGHT_BIT
        elif change <= STILL_CODES and max(map(abs, shifts_px)) > SITING_LIMIT_PX:
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


def _rms(difference: colour.Floats) -> float:
    return float(np.sqrt(np.mean(difference**2)))


def signatures(*, matrix: colour.MatrixName) -> dict[str, colour.Floats]:
    """What a viewer would show of every patch of a chart written with `matrix` if exactly one
    known mistake were made, by its cause: codes 0 to 255, shape (patches, 3).

    Predicted from the formulas and the chart's own values alone, never from a picture.
    """
    rgb = np.array([patch.rgb for patch in PATCHES], dtype=np.float64)
    luma, blue, red = np.moveaxis(colour.rgb_to_ycc(rgb, matrix=matrix), -1, 0)
    # 8-bit scale of BT.709-6, 4.6.
    as_full = (219 * luma + 16) / 255, blue * (224 / 255), red * (224 / 255)
    as_limited = (255 * luma - 16) / 219, blue * (255 / 224), red * (255 / 224)
    shown = {
        LIMITED_AS_FULL: colour.ycc_to_rgb(np.stack(as_full, axis=-1), matrix=matrix),
        FULL_AS_LIMITED: colour.ycc_to_rgb(np.stack(as_limited, axis=-1), matrix=matrix),
        WIDE_AS_709: _show_with_primaries(rgb, source="BT.709", target="BT.2020"),
        NARROW_AS_2020: _show_with_primaries(rgb, source="BT.2020", target="BT.709"),
    }
    for written, read in MATRIX_PAIRS:
        misread = colour.ycc_to_rgb(colour.rgb_to_ycc(rgb, matrix=written), matrix=read)
        shown[matrix_cause(written, read)] = misread
    for used, meant in GAMMA_PAIRS:
        shown[gamma_cause(used, meant)] = show_with_gamma(rgb, used=used, meant=meant)
    return {cause: np.clip(changed, 0, 1) * 255.0 for cause, changed in shown.items()}


def show_with_gamma(
    rgb: colour.Floats, *, used: colour.DisplayName, meant: colour.DisplayName
) -> colour.Floats:
    """R'G'B' that on the display meant gives the light of the display used; pure gammas:
    V^(used/meant)."""
    return colour.display_signal(colour.display_light(rgb, display=used), display=meant)


def _show_with_primaries(rgb: colour.Floats, *, source: str, target: str) -> colour.Floats:
    """R'G'B' in `target` primaries of the colour that `rgb` is in `source`, through the light of
    a gamma 2.4 display."""
    light = colour.display_light(np.clip(rgb, 0, 1), display="2.4")
    moved = colour.change_primaries(light, source=source, target=target)
    return colour.display_signal(np.clip(moved, 0, 1), display="2.4")

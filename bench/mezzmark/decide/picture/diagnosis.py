"""Why a picture came back changed, and who would see it: a chart measurement in, kinds out."""

import itertools
from typing import Final, Literal, get_args

import numpy as np

from mezzmark.model import colour
from mezzmark.model.chart import Chart
from mezzmark.model.fact import Fact
from mezzmark.model.tasks.fidelity import ChartMeasurement, FidelityMeasurement

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

MATRIX_PAIRS: Final = tuple(itertools.permutations(get_args(colour.MatrixName), 2))
"""(written, read)."""


def matrix_cause(written: colour.MatrixName, read: colour.MatrixName) -> str:
    """The mistake of reading colours written by one matrix with another."""
    return f"matrix {written[3:]} as {read[3:]}"


PRIMARIES_PAIRS: Final = tuple(itertools.permutations(colour.CHROMATICITIES, 2))  # (written, read)


def primaries_cause(written: str, read: str) -> str:
    """The mistake of showing colours of some primaries by those of others."""
    return f"{written[3:]} as {read[3:]}"


WIDE_AS_709: Final = primaries_cause("BT.2020", "BT.709")
NARROW_AS_2020: Final = primaries_cause("BT.709", "BT.2020")
TRANSFERS: Final = get_args(colour.TransferName)


def transfer_cause(written: colour.TransferName, read: colour.TransferName) -> str:
    """The mistake of showing one kind of signal as another."""
    return f"{written} as {read}"


def gamma_cause(used: colour.DisplayName, meant: colour.DisplayName) -> str:
    """The mistake of using one display curve where the other was meant."""
    return f"gamma {used} for {meant}"


QUIET_CODES: Final = 1.0
"""RMS viewer codes (of 255) below which patches have not moved: rounding alone gives about 0.5."""

EXPLAINED_FRACTION: Final = 0.4
"""A cause is named only if it leaves at most this share of the RMS change unexplained; the next
best cause then explains visibly less, and coding noise, which follows no signature, none."""

STILL_CODES: Final = 3.0
"""RMS viewer codes up to which flat patches count as standing still. Dropping bits below the eighth
lowers them by less than one code, the viewer's own rounding by about one more; misplaced chroma
does not touch them."""

EIGHT_BIT_LIMIT: Final = 0.5  # Half of the staircase: nearer to "all of it" than to "none"
SITING_LIMIT_PX: Final = 0.25  # Half of the smallest known mistake, half a luma pixel

INVISIBLE_DELTA_E: Final = 1.0
"""About the smallest ΔE2000 seen between two patches side by side (common practice)."""

ITP_PER_DELTA_E: Final = 3.0
"""ΔE_ITP counts in steps that the most critical adaptation just notices (ITU-R BT.2124): over our
SDR chart and all known mistakes it is 3.2 times ΔE2000 (median of patches)."""

SIDE_BY_SIDE_DELTA_E: Final = 2.0
"""Below this a difference is found only by comparing (common practice)."""

MOST_VIEWERS_DELTA_E: Final = 5.0
"""From here on two colours look different at a glance (common practice)."""

NO_SHIFT: Final = "no shift"
UNEXPLAINED: Final = "unexplained"

Visibility = Literal["invisible", "side by side", "trained eye", "most viewers"]
"""Who would see a difference: nobody, whoever compares, a trained eye, or most viewers."""


class Diagnosis(Fact):
    """What happened to the chart. `cause` is the key of a known cause (see `signatures`),
    `NO_SHIFT` or `UNEXPLAINED`; `further` are those that come with it where tags are misread.
    `residual_codes` is the RMS change (viewer codes of 255) that the cause leaves unexplained,
    `change_codes` the whole of it. `delta_e` is the 90th percentile over the patches, of ΔE2000 or,
    where `is_hdr`, of ΔE_ITP, and `worst_delta_e` that of the one that moved most. Shifts of
    chroma and counts of codes are as in `ChartMeasurement`.
    `by_pictures` says that it is what a viewer sees that believes the pictures' own tags first,
    `lacks_bits` that HDR has 8 bits: a code of PQ is ΔE_ITP 3.3, of HLG 1.5 to 4 (by BT.2124)."""

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
    is_hdr: bool = False
    lacks_bits: bool = False
    by_pictures: bool = False
    further: tuple[str, ...] = ()

    @property
    def severity(self) -> float:
        """The shift in steps of ΔE2000, whatever it was measured by."""
        return severity(self.delta_e, is_hdr=self.is_hdr)

    @property
    def worst_severity(self) -> float:
        """The same of the worst patch."""
        return severity(self.worst_delta_e, is_hdr=self.is_hdr)

    @property
    def is_wrong(self) -> bool:
        """Whether somebody would see it."""
        return self.severity >= INVISIBLE_DELTA_E or self.lacks_bits


def diagnose_both(measured: FidelityMeasurement) -> tuple[Diagnosis, ChartMeasurement] | None:
    """The worse of what two kinds of viewer show of a chart, with its measurement: one believes
    the container's tags first, the other those in the pictures. None without a chart."""
    if measured.chart is None:
        return None
    seen = [(diagnose(measured.chart), measured.chart)]
    if (chart := measured.chart_by_pictures) is not None:
        seen.append((diagnose(chart).model_copy(update={"by_pictures": True}), chart))
    return max(seen, key=lambda one: one[0].delta_e)


def diagnose(measurement: ChartMeasurement) -> Diagnosis:
    """Name the one known cause that explains the change, or say that there is none. Levels and
    colours are judged first; only a chart whose patches stand still is searched for 8-bit steps and
    for misplaced chroma, which leave flat patches alone."""
    expected = np.array([patch.expected_rgb for patch in measurement.patches])
    entered = np.array([patch.entered_rgb for patch in measurement.patches])
    # What the viewer and rounding had done before the encoder saw the chart is taken off.
    shown = np.array([patch.shown_rgb for patch in measurement.patches]) - entered + expected
    change, is_hdr = _rms(shown - expected), measurement.chart.is_hdr
    residuals = {
        known: _rms(shown - pictured) for known, pictured in signatures(measurement.chart).items()
    }
    best = min(residuals, key=residuals.__getitem__)
    residual = residuals[best]
    further: tuple[str, ...] = ()
    if measurement.misread:
        causes, pictured = misreading(measurement.chart, *measurement.misread)
        if causes and _rms(shown - pictured) <= EXPLAINED_FRACTION * change:
            best, further, residual = causes[0], causes[1:], _rms(shown - pictured)
    shift = severity(measurement.visible_delta_e, is_hdr=is_hdr)
    cause = UNEXPLAINED if shift >= INVISIBLE_DELTA_E else NO_SHIFT
    shifts_px = (measurement.chroma_shift_x_px or 0.0, measurement.chroma_shift_y_px or 0.0)
    if change > QUIET_CODES and residual <= EXPLAINED_FRACTION * change:
        cause = best
    else:
        residual, further = change, ()
        if change <= STILL_CODES and (measurement.eight_bit_step_fraction or 0.0) > EIGHT_BIT_LIMIT:
            cause = EIGHT_BIT
        elif change <= STILL_CODES and max(map(abs, shifts_px)) > SITING_LIMIT_PX:
            cause = SITING
    worst = measurement.worst_patch
    return Diagnosis(
        cause=cause,
        delta_e=measurement.visible_delta_e,
        worst_delta_e=worst.delta_e,
        worst_patch=worst.name,
        change_codes=change,
        residual_codes=residual,
        chroma_shift_x_px=measurement.chroma_shift_x_px,
        chroma_shift_y_px=measurement.chroma_shift_y_px,
        ramp_codes_entered=measurement.ramp_codes_entered,
        ramp_codes_returned=measurement.ramp_codes_returned,
        is_hdr=is_hdr,
        lacks_bits=is_hdr and measurement.eight_bit_step_fraction is None,
        further=further,
    )


def severity(delta_e: float, *, is_hdr: bool) -> float:
    """A difference in steps of ΔE2000; of HDR it comes in ΔE_ITP."""
    return delta_e / ITP_PER_DELTA_E if is_hdr else delta_e


def visibility(delta_e: float) -> Visibility:
    """Who would see a colour difference of this ΔE2000."""
    if delta_e < INVISIBLE_DELTA_E:
        return "invisible"
    if delta_e < SIDE_BY_SIDE_DELTA_E:
        return "side by side"
    return "trained eye" if delta_e < MOST_VIEWERS_DELTA_E else "most viewers"


def _rms(difference: colour.Floats) -> float:
    return float(np.sqrt(np.mean(difference**2)))


def signatures(chart: Chart) -> dict[str, colour.Floats]:
    """What a viewer would show of every patch of a chart if exactly one known mistake were made, by
    its cause: codes 0 to 255, shape (patches, 3), by formulas from the chart's own values."""
    rgb, matrix = chart.patch_signals, chart.matrix
    luma, blue, red = np.moveaxis(colour.rgb_to_ycc(rgb, matrix=matrix), -1, 0)
    # 8-bit scale of BT.709-6, 4.6.
    as_full = (219 * luma + 16) / 255, blue * (224 / 255), red * (224 / 255)
    as_limited = (255 * luma - 16) / 219, blue * (255 / 224), red * (255 / 224)
    shown = {
        LIMITED_AS_FULL: colour.ycc_to_rgb(np.stack(as_full, axis=-1), matrix=matrix),
        FULL_AS_LIMITED: colour.ycc_to_rgb(np.stack(as_limited, axis=-1), matrix=matrix),
        WIDE_AS_709: _show_with_primaries(rgb, chart, source="BT.709", target="BT.2020"),
        NARROW_AS_2020: _show_with_primaries(rgb, chart, source="BT.2020", target="BT.709"),
    }
    for written, read in MATRIX_PAIRS:
        misread = colour.ycc_to_rgb(colour.rgb_to_ycc(rgb, matrix=written), matrix=read)
        shown[matrix_cause(written, read)] = misread
    for other in TRANSFERS:
        if other != chart.transfer:
            light = colour.light_of(np.clip(rgb, 0, 1), other)
            shown[transfer_cause(chart.transfer, other)] = colour.signal_of(light, chart.transfer)
    for used, meant in () if chart.is_hdr else GAMMA_PAIRS:
        shown[gamma_cause(used, meant)] = show_with_gamma(rgb, used=used, meant=meant)
    return {cause: np.clip(changed, 0, 1) * 255.0 for cause, changed in shown.items()}


def misreading(
    chart: Chart, meant: colour.Meaning, believed: colour.Meaning
) -> tuple[tuple[str, ...], colour.Floats]:
    """The causes that a viewer mistakes, and what it then shows: codes 0 to 255, (patches, 3)."""
    ranges = {True: FULL_AS_LIMITED, False: LIMITED_AS_FULL}
    causes = {
        transfer_cause(meant.transfer, believed.transfer): meant.transfer != believed.transfer,
        ranges[meant.is_full_range]: meant.is_full_range != believed.is_full_range,
        matrix_cause(meant.matrix, believed.matrix): meant.matrix != believed.matrix,
        primaries_cause(meant.primaries, believed.primaries): meant.primaries != believed.primaries,
    }
    codes = colour.rgb_to_ycc(chart.patch_signals, matrix=meant.matrix)
    if meant.is_full_range != believed.is_full_range:
        now, then = meant.is_full_range, believed.is_full_range
        luma, chroma = (
            of(code(part, bit_depth=8, is_full_range=now), bit_depth=8, is_full_range=then)
            for code, of, part in (
                (colour.luma_code, colour.luma_of_code, codes[:, :1]),
                (colour.chroma_code, colour.chroma_of_code, codes[:, 1:]),
            )
        )
        codes = np.concatenate([luma, chroma], axis=1)
    rgb = chart.as_meant(colour.ycc_to_rgb(codes, matrix=believed.matrix), believed)
    return tuple(cause for cause, is_so in causes.items() if is_so), rgb * 255.0


def show_with_gamma(
    rgb: colour.Floats, *, used: colour.DisplayName, meant: colour.DisplayName
) -> colour.Floats:
    """R'G'B' that on the display `meant` gives the light of `used`: V^(used/meant)."""
    return colour.display_signal(colour.display_light(rgb, display=used), display=meant)


def _show_with_primaries(
    rgb: colour.Floats, chart: Chart, *, source: str, target: str
) -> colour.Floats:
    """R'G'B' in `target` primaries of the colour that `rgb` is in `source`."""
    light = colour.light_of(np.clip(rgb, 0, 1), chart.transfer)
    moved = colour.change_primaries(light, source=source, target=target)
    return colour.signal_of(moved, chart.transfer)

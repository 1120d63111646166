"""What came back of a chart: levels, curves, colour differences, steps, clipping and positions."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

import av
import numpy as np
from scipy import optimize, stats

from mezzmark.engines.media.pixels import Plane, pixel_format_facts, planes_of
from mezzmark.engines.media.probe import FULL_RANGE
from mezzmark.engines.picture.chart import CHROMA_STEPS
from mezzmark.model.chart import (
    CHROMA_WAVE_AMPLITUDE,
    FULL_RAMP,
    LUMA_WAVE_AMPLITUDE,
    PATCHES,
    SHALLOW_RAMPS,
    WAVE_PERIOD_PX,
    WAVES,
    Chart,
    PixelBox,
    Ramp,
    inner_box,
    pixel_box,
)
from mezzmark.model.colour import (
    DisplayName,
    Floats,
    chroma_of_code,
    display_light,
    luma_of_code,
    rgb_to_xyz_matrix,
    rgb_to_ycc,
)
from mezzmark.model.errors import EncodingError
from mezzmark.model.tasks.fidelity import ChannelFit, ChartMeasurement, PatchReading

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


CONFIDENCE_LEVEL: Final = 0.95

CLIP_MARGIN: Final = 0.75 / 255
"""Readings nearer to 0 or 1 than this may be clipped and say nothing of the curve."""

MIN_POINTS: Final = 6
"""Twice the number of parameters; fewer points give no interval."""

GAMMA_BOUNDS: Final = (0.25, 4.0)


def fit_channel(
    channel: Literal["red", "green", "blue"] | str, entered: Floats, shown: Floats
) -> ChannelFit:
    """Least squares of shown = offset + gain · entered^gamma over unclipped points (0 to 1).

    Intervals are t intervals from the fit's covariance (Gauss-Newton, scipy curve_fit). Where too
    few points are free of clipping, gain 0, offset = mean and gamma 1 say that nothing is left.
    """
    keep = (shown > CLIP_MARGIN) & (shown < 1 - CLIP_MARGIN) & (entered > 0)
    points = int(keep.sum())
    if points < MIN_POINTS:
        return _fit(channel, (0.0, float(shown.mean()), 1.0), None, points)
    bounds = ([0.0, -1.0, GAMMA_BOUNDS[0]], [4.0, 1.0, GAMMA_BOUNDS[1]])
    try:
        best, covariance = optimize.curve_fit(
            _curve, entered[keep], shown[keep], p0=(1.0, 0.0, 1.0), bounds=bounds
        )
    except RuntimeError:  # no convergence: the readings follow no such curve
        return _fit(channel, (0.0, float(shown.mean()), 1.0), None, points)
    quantile = float(stats.t.ppf((1 + CONFIDENCE_LEVEL) / 2, points - 3))
    errors = quantile * np.sqrt(np.diag(covariance))
    return _fit(channel, tuple(best), errors if np.isfinite(errors).all() else None, points)


def _curve(entered: Floats, gain: float, offset: float, gamma: float) -> Floats:
    return np.asarray(offset + gain * entered**gamma)


def _fit(
    channel: str, best: tuple[float, float, float], errors: Floats | None, points: int
) -> ChannelFit:
    gain, offset, gamma = (float(value) for value in best)
    half = None if errors is None else [float(error) for error in errors]
    return ChannelFit(
        channel=channel,
        gain=gain,
        offset=offset,
        gamma=gamma,
        gain_low=gain - half[0] if half else None,
        gain_high=gain + half[0] if half else None,
        offset_low=offset - half[1] if half else None,
        offset_high=offset + half[1] if half else None,
        gamma_low=gamma - half[2] if half else None,
        gamma_high=gamma + half[2] if half else None,
        confidence_level=CONFIDENCE_LEVEL,
        point_count=points,
    )


VIEWER_TOP: Final = 255.0
"""Viewer RGB is 8-bit full range."""

SUPER_WHITE: Final = next(p for p in PATCHES if p.rgb[0] == 1.09)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPicture:
    """A chart as it came back, averaged over frames.

    `luma`, `cb`, `cr` are normalised by the frame's own range; `codes` is luma in code values of
    `bit_depth`, `first_codes` that of the first frame alone; `step` is luma samples per chroma
    sample; `viewer_rgb` is (lines, samples, 3).
    """

    pixel_format: str
    bit_depth: int
    is_rgb: bool
    is_full_range: bool
    step: tuple[int, int]
    luma: Floats
    cb: Floats
    cr: Floats
    codes: Floats
    first_codes: Plane | Floats
    viewer_rgb: Floats


def average_picture(pairs: Iterable[tuple[av.VideoFrame, Floats]], chart: Chart) -> ChartPicture:
    """The mean of decoded frames and what the viewer made of them (RGB codes 0 to 255).

    Raises EncodingError when there is no frame or the size is not the chart's.
    """
    totals: list[Floats] = []
    first: av.VideoFrame | None = None
    count = 0
    for frame, rgb in pairs:
        _check_size(frame, chart)
        parts = [*(plane.astype(np.float64) for plane in planes_of(frame)[:3]), rgb]
        totals = [a + b for a, b in zip(totals, parts, strict=True)] if totals else parts
        first = first or frame
        count += 1
    if first is None:
        raise EncodingError(
            where="chart", what="no frame came back", remedy="Leave this encoding out."
        )
    means = [total / count for total in totals]
    return _picture(first, means, chart)


def measure_chart(
    picture: ChartPicture, entered: ChartPicture, chart: Chart, *, display: DisplayName = "2.4"
) -> ChartMeasurement:
    """Everything the chart tells. `entered` is the picture of the frames that were encoded, seen
    by a viewer that reads them rightly. ΔE2000 is between the light of two displays of kind
    `display` with BT.709 primaries that show the entered and the returned picture ("2.4" is
    BT.1886 with a black of no light)."""
    patches = _read_patches(picture, entered, chart, display)
    planes = read_waves(picture.luma, picture.cb - picture.cr, step=picture.step, chart=chart)
    seen = rgb_to_ycc(picture.viewer_rgb / VIEWER_TOP, matrix=chart.matrix)
    view = read_waves(seen[..., 0], seen[..., 1] - seen[..., 2], step=(1, 1), chart=chart)
    return ChartMeasurement(
        chart=chart,
        pixel_format=picture.pixel_format,
        display=display,
        patches=patches,
        fits=_fit_channels(patches),
        black_rgb=_shown(patches, "grey 0 %"),
        white_rgb=_shown(patches, "grey 100 %"),
        ramp_codes_entered=_code_count(entered, chart),
        ramp_codes_returned=_code_count(picture, chart),
        eight_bit_step_fraction=_eight_bit_steps(picture, entered, chart),
        super_white_fraction=_super_white(picture, chart),
        chroma_shift_x_px=planes.shift_x_px,
        chroma_shift_y_px=planes.shift_y_px,
        viewer_chroma_shift_x_px=view.shift_x_px,
        viewer_chroma_shift_y_px=view.shift_y_px,
        chroma_detail_fraction=planes.chroma_fraction,
    )


def delta_e_2000(first_rgb: Floats, second_rgb: Floats, *, display: DisplayName) -> Floats:
    """CIEDE2000 between R'G'B' signals (0 to 1, last axis) shown on a BT.709 display, D65 white.

    Sharma, Wu and Dalal 2005 (Color Res. Appl. 30:21-30), as colour-science computes it.
    """
    return delta_e_of_lab(lab_of(first_rgb, display=display), lab_of(second_rgb, display=display))


def delta_e_of_lab(first_lab: Floats, second_lab: Floats) -> Floats:
    """CIEDE2000 between CIE L*a*b* colours (last axis)."""
    from colour.difference import delta_E_CIE2000

    return np.asarray(delta_E_CIE2000(first_lab, second_lab))


def lab_of(rgb: Floats, *, display: DisplayName) -> Floats:
    """CIE L*a*b* (D65) of R'G'B' signals shown on a BT.709 display."""
    from colour.models import XYZ_to_Lab

    light = display_light(np.clip(rgb, 0, 1), display=display)
    xyz = light @ rgb_to_xyz_matrix("BT.709").T
    return np.asarray(XYZ_to_Lab(xyz, illuminant=np.array([0.3127, 0.3290])))


def _check_size(frame: av.VideoFrame, chart: Chart) -> None:
    if (frame.width, frame.height) != (chart.width_px, chart.height_px):
        raise EncodingError(
            where="chart",
            what=f"came back as {frame.width}×{frame.height} instead of "
            f"{chart.width_px}×{chart.height_px}",
            remedy="Leave this encoding out.",
        )


def _picture(frame: av.VideoFrame, means: list[Floats], chart: Chart) -> ChartPicture:
    facts = pixel_format_facts(frame.format.name)
    depth = facts.bit_depth
    full = facts.is_rgb or facts.is_full_range or int(frame.color_range) == FULL_RANGE
    if facts.is_rgb:
        green, blue, red = (plane / float(2**depth - 1) for plane in means[:3])
        ycc = rgb_to_ycc(np.stack([red, green, blue], axis=-1), matrix=chart.matrix)
        luma, cb, cr = (ycc[..., i] for i in range(3))
        codes = luma * float(2**depth - 1)
    else:
        codes = means[0]
        luma = luma_of_code(codes, bit_depth=depth, is_full_range=full)
        cb, cr = (chroma_of_code(p, bit_depth=depth, is_full_range=full) for p in means[1:3])
    return ChartPicture(
        pixel_format=frame.format.name,
        bit_depth=depth,
        is_rgb=facts.is_rgb,
        is_full_range=full,
        step=(1, 1) if facts.is_rgb else CHROMA_STEPS[facts.chroma],
        luma=luma,
        cb=cb,
        cr=cr,
        codes=codes,
        first_codes=codes if facts.is_rgb else planes_of(frame)[0],
        viewer_rgb=means[-1],
    )


def _slices(box: PixelBox) -> tuple[slice, slice]:
    return slice(box.top, box.bottom), slice(box.left, box.right)


def _inner(cells: tuple[int, int, int, int], chart: Chart) -> PixelBox:
    return inner_box(pixel_box(cells, width_px=chart.width_px, height_px=chart.height_px))


def _read_patches(
    picture: ChartPicture, before: ChartPicture, chart: Chart, display: DisplayName
) -> tuple[PatchReading, ...]:
    shown = _patch_means(picture.viewer_rgb, chart)
    entered = _patch_means(before.viewer_rgb, chart)
    expected = np.clip([p.rgb for p in PATCHES], 0, 1) * VIEWER_TOP
    deltas = delta_e_2000(entered / VIEWER_TOP, shown / VIEWER_TOP, display=display)
    return tuple(
        PatchReading(
            name=patch.name,
            kind=patch.kind,
            expected_rgb=_triple(expected[i]),
            entered_rgb=_triple(entered[i]),
            shown_rgb=_triple(shown[i]),
            delta_e_2000=float(deltas[i]),
        )
        for i, patch in enumerate(PATCHES)
    )


def _patch_means(rgb: Floats, chart: Chart) -> Floats:
    return np.array([rgb[_slices(_inner(p.cells, chart))].mean(axis=(0, 1)) for p in PATCHES])


def _triple(values: Floats) -> tuple[float, float, float]:
    red, green, blue = (float(value) for value in values)
    return red, green, blue


def _shown(patches: tuple[PatchReading, ...], name: str) -> tuple[float, float, float]:
    return next(patch.shown_rgb for patch in patches if patch.name == name)


def _fit_channels(patches: tuple[PatchReading, ...]) -> tuple[ChannelFit, ...]:
    greys = [p for p in patches if p.kind in ("grey", "near")]
    entered = np.array([p.entered_rgb for p in greys]) / VIEWER_TOP
    shown = np.array([p.shown_rgb for p in greys]) / VIEWER_TOP
    return tuple(
        fit_channel(name, entered[:, i], shown[:, i])
        for i, name in enumerate(("red", "green", "blue"))
    )


def _code_count(picture: ChartPicture, chart: Chart) -> int:
    """Distinct luma codes among the columns of the long ramp."""
    return int(np.unique(np.rint(_ramp_columns(picture, chart, FULL_RAMP))).size)


def _ramp_columns(picture: ChartPicture, chart: Chart, ramp: Ramp) -> Floats:
    """Mean luma code of each column of a ramp as it came back."""
    box = pixel_box(ramp.cells, width_px=chart.width_px, height_px=chart.height_px)
    margin = (box.bottom - box.top) // 4
    return np.asarray(picture.codes[box.top + margin : box.bottom - margin].mean(axis=0))


def _eight_bit_steps(picture: ChartPicture, entered: ChartPicture, chart: Chart) -> float | None:
    """Share of the error that cutting or rounding to 8 bits makes, by projection on it; or, where
    a codec's noise has hidden the steps, by how often the bits below the eighth are all empty."""
    if min(picture.bit_depth, entered.bit_depth) <= 8:
        return None
    unit = 2.0 ** (picture.bit_depth - 8)
    scale = 2.0 ** (picture.bit_depth - entered.bit_depth)
    best = _empty_bits(picture, chart, int(unit))
    for cut in (np.floor, np.rint):
        dot = norm = 0.0
        for ramp in SHALLOW_RAMPS:
            before = _ramp_columns(entered, chart, ramp) * scale
            pattern = cut(before / unit) * unit - before
            pattern -= pattern.mean()
            error = _ramp_columns(picture, chart, ramp) - before
            dot += float(np.dot(error - error.mean(), pattern))
            norm += float(np.dot(pattern, pattern))
        best = max(best, dot / norm)
    return best


def _empty_bits(picture: ChartPicture, chart: Chart, unit: int) -> float:
    """0 where codes on the shallow ramps are multiples of `unit` as often as by chance, 1 where
    always."""
    rows = [
        picture.first_codes[_slices(_inner(ramp.cells, chart))].ravel() for ramp in SHALLOW_RAMPS
    ]
    share = float(np.mean(np.remainder(np.concatenate(rows), unit) == 0))
    return max(0.0, (share - 1 / unit) / (1 - 1 / unit))


def _super_white(picture: ChartPicture, chart: Chart) -> float | None:
    if picture.is_rgb or picture.is_full_range:
        return None
    level = picture.luma[_slices(_inner(SUPER_WHITE.cells, chart))].mean()
    return float((level - 1) / (SUPER_WHITE.rgb[0] - 1))

"""What came back of a chart: levels, curves, colour differences, steps, clipping and positions."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import av
import numpy as np

from mezzmark.engines.chart import CHROMA_STEPS, ramp_values
from mezzmark.engines.chart_fit import fit_channel, wave_phase
from mezzmark.engines.media import FULL_RANGE
from mezzmark.engines.pixels import pixel_format_facts, planes_of
from mezzmark.facts.chart import (
    CHROMA_WAVE_AMPLITUDE,
    FULL_RAMP,
    PATCHES,
    SHALLOW_RAMPS,
    WAVE_PERIOD_PX,
    WAVES,
    Chart,
    Patch,
    PixelBox,
    inner_box,
    pixel_box,
)
from mezzmark.facts.colour import (
    DisplayName,
    Floats,
    chroma_of_code,
    display_light,
    luma_code,
    luma_of_code,
    rgb_to_xyz_matrix,
    rgb_to_ycc,
)
from mezzmark.facts.errors import EncodingError
from mezzmark.facts.fidelity import ChannelFit, ChartMeasurement, PatchReading

VIEWER_TOP: Final = 255.0
"""Viewer RGB is 8-bit full range."""

MIN_WAVE_FRACTION: Final = 0.05
"""Below 5 % of its contrast a wave's position is noise."""

SUPER_WHITE: Final = next(p for p in PATCHES if p.rgb[0] == 1.09)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPicture:
    """A chart as it came back, averaged over frames.

    `luma`, `cb`, `cr` are normalised by the frame's own range; `codes` is luma in code values of
    `bit_depth`; `step` is luma samples per chroma sample; `viewer_rgb` is (lines, samples, 3).
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
    picture: ChartPicture, chart: Chart, *, display: DisplayName = "2.4"
) -> ChartMeasurement:
    """Everything the chart tells. ΔE2000 is between the light of a display of kind `display` with
    BT.709 primaries showing the expected R'G'B' and the one shown ("2.4" is BT.1886, black 0)."""
    patches = _read_patches(picture, chart, display)
    entered = np.rint(_entered_codes(FULL_RAMP.start, FULL_RAMP.stop, picture, chart))
    shift_x, detail = _chroma_shift(picture.luma, picture.cb - picture.cr, "x", picture, chart)
    shift_y, _ = _chroma_shift(picture.luma, picture.cb - picture.cr, "y", picture, chart)
    viewer_x, viewer_y = _viewer_shift(picture, chart)
    return ChartMeasurement(
        chart=chart,
        pixel_format=picture.pixel_format,
        display=display,
        patches=patches,
        fits=_fit_channels(patches),
        black_rgb=_shown(patches, "grey 0 %"),
        white_rgb=_shown(patches, "grey 100 %"),
        ramp_codes_entered=int(np.unique(entered).size),
        ramp_codes_returned=int(np.unique(np.rint(_ramp_columns(picture, chart, 0))).size),
        eight_bit_step_fraction=_eight_bit_steps(picture, chart),
        super_white_fraction=_super_white(picture, chart),
        chroma_shift_x_px=shift_x,
        chroma_shift_y_px=shift_y,
        viewer_chroma_shift_x_px=viewer_x,
        viewer_chroma_shift_y_px=viewer_y,
        chroma_detail_fraction=detail,
    )


def delta_e_2000(first_rgb: Floats, second_rgb: Floats, *, display: DisplayName) -> Floats:
    """CIEDE2000 between R'G'B' signals (0 to 1, last axis) shown on a BT.709 display, D65 white.

    Sharma, Wu and Dalal 2005 (Color Res. Appl. 30:21-30), as colour-science computes it.
    """
    from colour.difference import delta_E_CIE2000

    return np.asarray(
        delta_E_CIE2000(lab_of(first_rgb, display=display), lab_of(second_rgb, display=display))
    )


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
        viewer_rgb=means[-1],
    )


def _slices(box: PixelBox) -> tuple[slice, slice]:
    return slice(box.top, box.bottom), slice(box.left, box.right)


def _inner(cells: tuple[int, int, int, int], chart: Chart) -> PixelBox:
    return inner_box(pixel_box(cells, width_px=chart.width_px, height_px=chart.height_px))


def _read_patches(
    picture: ChartPicture, chart: Chart, display: DisplayName
) -> tuple[PatchReading, ...]:
    shown = np.array(
        [picture.viewer_rgb[_slices(_inner(p.cells, chart))].mean(axis=(0, 1)) for p in PATCHES]
    )
    expected = np.clip([p.rgb for p in PATCHES], 0, 1) * VIEWER_TOP
    deltas = delta_e_2000(expected / VIEWER_TOP, shown / VIEWER_TOP, display=display)
    return tuple(
        _reading(patch, expected[i], shown[i], float(deltas[i])) for i, patch in enumerate(PATCHES)
    )


def _reading(patch: Patch, expected: Floats, shown: Floats, delta: float) -> PatchReading:
    return PatchReading(
        name=patch.name,
        kind=patch.kind,
        expected_rgb=tuple(float(v) for v in expected),
        shown_rgb=tuple(float(v) for v in shown),
        delta_e_2000=delta,
    )


def _shown(patches: tuple[PatchReading, ...], name: str) -> tuple[float, float, float]:
    return next(patch.shown_rgb for patch in patches if patch.name == name)


def _fit_channels(patches: tuple[PatchReading, ...]) -> tuple[ChannelFit, ...]:
    greys = [p for p in patches if p.kind in ("grey", "near")]
    expected = np.array([p.expected_rgb for p in greys]) / VIEWER_TOP
    shown = np.array([p.shown_rgb for p in greys]) / VIEWER_TOP
    return tuple(
        fit_channel(name, expected[:, i], shown[:, i])
        for i, name in enumerate(("red", "green", "blue"))
    )


def _entered_codes(start: float, stop: float, picture: ChartPicture, chart: Chart) -> Floats:
    x = np.arange(chart.width_px, dtype=np.float64)
    signal = start + (stop - start) * x / (chart.width_px - 1)
    return luma_code(signal, bit_depth=picture.bit_depth, is_full_range=picture.is_full_range)


def _ramp_columns(picture: ChartPicture, chart: Chart, index: int) -> Floats:
    """Mean luma code of each column of ramp 0 (the long one) or 1… (the shallow ones)."""
    ramp = (FULL_RAMP, *SHALLOW_RAMPS)[index]
    box = pixel_box(ramp.cells, width_px=chart.width_px, height_px=chart.height_px)
    margin = (box.bottom - box.top) // 4
    return np.asarray(picture.codes[box.top + margin : box.bottom - margin].mean(axis=0))


def _eight_bit_steps(picture: ChartPicture, chart: Chart) -> float | None:
    """Share of the error that cutting or rounding to 8 bits makes, by projection on it."""
    if picture.bit_depth <= 8:
        return None
    unit = 2 ** (picture.bit_depth - 8)
    best = 0.0
    for cut in (np.floor, np.rint):
        dot = norm = 0.0
        for index, ramp in enumerate(SHALLOW_RAMPS, start=1):
            x = np.arange(chart.width_px, dtype=np.float64)
            signal = ramp_values(ramp, x, width_px=chart.width_px)
            ideal = luma_code(
                signal, bit_depth=picture.bit_depth, is_full_range=picture.is_full_range
            )
            pattern = cut(ideal / unit) * unit - ideal
            pattern -= pattern.mean()
            error = _ramp_columns(picture, chart, index) - ideal
            dot += float(np.dot(error - error.mean(), pattern))
            norm += float(np.dot(pattern, pattern))
        best = max(best, dot / norm)
    return best


def _super_white(picture: ChartPicture, chart: Chart) -> float | None:
    if picture.is_rgb or picture.is_full_range:
        return None
    level = picture.luma[_slices(_inner(SUPER_WHITE.cells, chart))].mean()
    return float((level - 1) / (SUPER_WHITE.rgb[0] - 1))


def _chroma_shift(
    luma: Floats, chroma: Floats, axis: str, picture: ChartPicture, chart: Chart
) -> tuple[float | None, float]:
    """Chroma's place against luma's along an axis, and the chroma wave's remaining contrast."""
    across, down = picture.step
    return _relative_shift(luma, chroma, axis, (across, down), chart)


def _viewer_shift(picture: ChartPicture, chart: Chart) -> tuple[float | None, float | None]:
    ycc = rgb_to_ycc(picture.viewer_rgb / VIEWER_TOP, matrix=chart.matrix)
    luma, chroma = ycc[..., 0], ycc[..., 1] - ycc[..., 2]
    return (
        _relative_shift(luma, chroma, "x", (1, 1), chart)[0],
        _relative_shift(luma, chroma, "y", (1, 1), chart)[0],
    )


def _relative_shift(
    luma: Floats, chroma: Floats, axis: str, step: tuple[int, int], chart: Chart
) -> tuple[float | None, float]:
    luma_wave = _wave(luma, f"luma-{axis}", (1, 1), chart)
    chroma_wave = _wave(chroma, f"chroma-{axis}", step, chart)
    fraction = abs(chroma_wave) / (2 * CHROMA_WAVE_AMPLITUDE)
    if fraction < MIN_WAVE_FRACTION or abs(luma_wave) < MIN_WAVE_FRACTION * CHROMA_WAVE_AMPLITUDE:
        return None, fraction
    turn = np.angle(luma_wave / chroma_wave)
    return float(turn * WAVE_PERIOD_PX / (2 * np.pi)), fraction


def _wave(values: Floats, name: str, step: tuple[int, int], chart: Chart) -> complex:
    across, down = step
    wave = next(w for w in WAVES if w.name == name)
    box = _inner(wave.cells, chart)
    window = values[
        -(-box.top // down) : -(-box.bottom // down),
        -(-box.left // across) : -(-box.right // across),
    ]
    if name.endswith("x"):
        columns = np.arange(-(-box.left // across), -(-box.right // across)) * across
        return wave_phase(window.mean(axis=0), columns.astype(np.float64))
    lines = np.arange(-(-box.top // down), -(-box.bottom // down)) * down + (down - 1) / 2
    return wave_phase(window.mean(axis=1), lines.astype(np.float64))

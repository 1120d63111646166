"""The chart as pictures, exact at every sample in any pixel format; and what came back of one:
colours, differences, steps and positions. Long because both use the same windows."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import av
import numpy as np

from mezzmark.engines.media.conversion import picture_tags, written_tags
from mezzmark.engines.media.pixels import Planes, frame_from_planes, pixel_format_facts, planes_of
from mezzmark.model import chart as design
from mezzmark.model import colour as colours
from mezzmark.model.chart import Chart
from mezzmark.model.errors import EncodingError
from mezzmark.model.footage import ColourTags
from mezzmark.model.tasks.fidelity import ChartMeasurement, PatchReading

Cells = tuple[int, int, int, int]

GREY_LEVEL: Final = 0.5
"""Luma between the patches and under the chroma waves."""


def chart_tags(chart: Chart, pixel_format: str) -> ColourTags:
    """The tags told with a chart: as its clip's, or all. RGB and yuvj are full range."""
    everything = ColourTags(
        primaries=colours.PRIMARIES_CODES[chart.primaries],
        transfer=colours.TRANSFER_CODES[chart.transfer],
        matrix=colours.MATRIX_CODES[chart.matrix],
    )
    stated = chart.stated or everything
    return written_tags(stated, pixel_format, height_px=chart.height_px)


def chart_frame(chart: Chart, pixel_format: str) -> av.VideoFrame:
    """The chart in a pixel format, tagged. Chroma is sited left, in 4:2:0 halfway between lines
    (ITU-T H.273 chroma location 0). EncodingError for samples that cannot be written."""
    tags = picture_tags(chart_tags(chart, pixel_format))
    return frame_from_planes(chart_planes(chart, pixel_format), pixel_format, tags)


def chart_planes(chart: Chart, pixel_format: str) -> Planes:
    """Planes of the chart in the order `planes_of` gives, rounded once to the format's depth."""
    facts = pixel_format_facts(pixel_format)
    depth, full = facts.bit_depth, facts.is_full_range
    form: Any = {"bit_depth": depth, "is_full_range": full}
    field = _field(chart, step=(1, 1))
    if facts.is_rgb:
        rgb = np.clip(colours.ycc_to_rgb(field, matrix=chart.matrix), 0, 1) * float(2**depth - 1)
        values = [rgb[..., i] for i in (1, 2, 0)]
    else:
        luma = np.clip(field[..., 0], 0, 1) if full else field[..., 0]
        chroma = _field(chart, step=facts.chroma_step)
        values = [colours.luma_code(luma, **form)]
        values += [colours.chroma_code(chroma[..., i], **form) for i in (1, 2)]
    if facts.has_alpha:  # from clear to opaque, so that a lost or flattened alpha cannot pass
        values.append(np.tile(np.linspace(0, 2**depth - 1, chart.width_px), (chart.height_px, 1)))
    codes = (np.clip(np.rint(plane), 0, 2**depth - 1) for plane in values)
    return tuple(c.astype(np.uint8) if depth == 8 else c.astype(np.uint16) for c in codes)


def _field(chart: Chart, *, step: tuple[int, int]) -> colours.Floats:
    """Unrounded Y'CbCr of the chart, where a plane of this chroma step has its samples."""
    across, down = step
    x = np.arange(0, chart.width_px, across, dtype=np.float64)
    y = np.arange(0, chart.height_px, down, dtype=np.float64) + (down - 1) / 2
    ycc = np.zeros((y.size, x.size, 3))
    ycc[..., 0] = GREY_LEVEL
    colour_of = colours.rgb_to_ycc(chart.patch_signals, matrix=chart.matrix)
    for patch, colour in zip(design.PATCHES, colour_of, strict=True):
        ycc[_window(patch.cells, chart, step)] = colour
    for ramp in (design.FULL_RAMP, *design.SHALLOW_RAMPS):
        window = _window(ramp.cells, chart, step)
        ycc[window] = 0.0
        ycc[(*window, 0)] = ramp.start + (ramp.stop - ramp.start) * x / (chart.width_px - 1)
    for wave in design.WAVES:
        window = _window(wave.cells, chart, step)
        ycc[window] = _wave_values(wave, x[window[1]], y[window[0]])
    return ycc


def _window(
    cells: Cells, chart: Chart, step: tuple[int, int] = (1, 1), *, is_inner: bool = False
) -> tuple[slice, slice]:
    """The lines and columns of cells, or well inside, in a plane sampled every `step` samples."""
    box = design.pixel_box(cells, width_px=chart.width_px, height_px=chart.height_px)
    box = design.inner_box(box) if is_inner else box
    across, down = step
    return (
        slice(-(-box.top // down), -(-box.bottom // down)),
        slice(-(-box.left // across), -(-box.right // across)),
    )


def _wave_values(wave: design.Wave, x: colours.Floats, y: colours.Floats) -> colours.Floats:
    kind, axis = wave.name.split("-")
    along = x[None, :, None] if axis == "x" else y[:, None, None]
    luma, chroma = design.LUMA_WAVE_AMPLITUDE, design.CHROMA_WAVE_AMPLITUDE
    amplitude = np.array((luma, 0, 0) if kind == "luma" else (0, chroma, -chroma))
    values = np.zeros((y.size, x.size, 3))
    values[..., 0] = GREY_LEVEL
    return np.asarray(values + amplitude * np.sin(2 * np.pi * along / design.WAVE_PERIOD_PX))


MIN_WAVE_FRACTION: Final = 0.05
"""Below 5 % of its contrast a wave's position is noise."""


def read_chroma_shift(picture: "ChartPicture", chart: Chart) -> tuple[float | None, float | None]:
    """Chroma's place against luma's in luma pixels, right and down positive, from the waves of luma
    and of Cb - Cr; None where too little is left. Chroma samples are taken to be sited left: every
    `step[0]` luma columns, in the middle of `step[1]` lines."""
    chroma = picture.cb - picture.cr
    across, down = (
        _shift(
            _amplitude(picture.luma, f"luma-{axis}", (1, 1), chart),
            _amplitude(chroma, f"chroma-{axis}", picture.step, chart),
        )
        for axis in "xy"
    )
    return across, down


def _shift(luma: complex, chroma: complex) -> float | None:
    full = design.LUMA_WAVE_AMPLITUDE, 2 * design.CHROMA_WAVE_AMPLITUDE
    if min(abs(luma) / full[0], abs(chroma) / full[1]) < MIN_WAVE_FRACTION:
        return None
    return float(np.angle(luma / chroma) * design.WAVE_PERIOD_PX / (2 * np.pi))


def _amplitude(values: colours.Floats, name: str, step: tuple[int, int], chart: Chart) -> complex:
    cells = next(wave.cells for wave in design.WAVES if wave.name == name)
    lines, columns = _window(cells, chart, step, is_inner=True)
    (across, down), window = step, values[lines, columns]
    if name.endswith("x"):
        return wave_phase(window.mean(axis=0), across * _places(columns))
    return wave_phase(window.mean(axis=1), down * _places(lines) + (down - 1) / 2)


def _places(window: slice) -> colours.Floats:
    return np.arange(window.start, window.stop, dtype=np.float64)


def wave_phase(values: colours.Floats, positions_px: colours.Floats) -> complex:
    """Complex amplitude of the wave of `WAVE_PERIOD_PX`, by least squares on cosine, sine and a
    constant, so that the window need not hold whole periods. A wave sin(2π(x - s)/P) of amplitude A
    has angle -90° - 360°·s/P and modulus A."""
    turn = 2 * np.pi * positions_px / design.WAVE_PERIOD_PX
    columns = np.stack([np.cos(turn), np.sin(turn), np.ones_like(turn)], axis=1)
    cosine, sine, _ = np.linalg.lstsq(columns, values, rcond=None)[0]
    return complex(cosine, -sine)


DISPLAY: Final = "2.4"
"""BT.1886 with a black of no light."""

VIEWER_TOP: Final = 255.0
"""Viewer RGB is 8-bit full range."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPicture:
    """A chart as it came back. `luma`, `cb`, `cr` are normalised by the range believed; `codes` are
    luma's; `step` is luma samples per chroma sample. `patch_rgb` (patches, 3; 0 to 255) is what a
    viewer shows that takes codes for what is `believed`, in the chart's own light."""

    pixel_format: str
    bit_depth: int
    step: tuple[int, int]
    luma: colours.Floats
    cb: colours.Floats
    cr: colours.Floats
    codes: colours.Floats
    patch_rgb: colours.Floats
    believed: colours.Meaning


def read_picture(
    frame: av.VideoFrame, chart: Chart, believed: colours.Meaning, viewer_rgb: colours.Floats | None
) -> ChartPicture:
    """A decoded frame, and what a viewer shows that believes this of it: `viewer_rgb` (lines,
    samples, 3; 0 to 255), or its planes in float. EncodingError for another size."""
    if (frame.width, frame.height) != (chart.width_px, chart.height_px):
        size = f"{chart.width_px}×{chart.height_px}"
        what = f"came back as {frame.width}×{frame.height} instead of {size}"
        raise EncodingError(where="chart", what=what, remedy="Leave this encoding out.")
    facts = pixel_format_facts(frame.format.name)
    depth = facts.bit_depth
    planes = [plane.astype(np.float64) for plane in planes_of(frame)[:3]]
    if facts.is_rgb:
        green, blue, red = (plane / float(2**depth - 1) for plane in planes)
        ycc = colours.rgb_to_ycc(np.stack([red, green, blue], axis=-1), matrix=chart.matrix)
        luma, cb, cr = (ycc[..., i] for i in range(3))
        codes = luma * float(2**depth - 1)
    else:
        codes = planes[0]
        form: Any = {"bit_depth": depth, "is_full_range": believed.is_full_range}
        luma = colours.luma_of_code(codes, **form)
        cb, cr = (colours.chroma_of_code(plane, **form) for plane in planes[1:])
    if viewer_rgb is None:
        matrix = chart.matrix if facts.is_rgb else believed.matrix
        shown = _decoded_means((luma, cb, cr), facts.chroma_step, matrix, chart)
    else:
        parts = (viewer_rgb[_window(patch.cells, chart, is_inner=True)] for patch in design.PATCHES)
        shown = np.array([part.mean(axis=(0, 1)) for part in parts]) / VIEWER_TOP
    return ChartPicture(
        pixel_format=frame.format.name,
        bit_depth=depth,
        step=facts.chroma_step,
        luma=luma,
        cb=cb,
        cr=cr,
        codes=codes,
        patch_rgb=chart.as_meant(shown, believed) * VIEWER_TOP,
        believed=believed,
    )


def _decoded_means(
    parts: Sequence[colours.Floats], step: tuple[int, int], matrix: colours.MatrixName, chart: Chart
) -> colours.Floats:
    """R'G'B' of each patch from the means of its Y'CbCr, without a viewer's rounding."""
    ycc = np.empty((len(design.PATCHES), 3))
    for row, patch in enumerate(design.PATCHES):
        cells = design.pixel_box(patch.cells, width_px=chart.width_px, height_px=chart.height_px)
        box = design.inner_box(cells)
        for place, part in enumerate(parts):
            across, down = step if place else (1, 1)
            lines = slice(-(-box.top // down), box.bottom // down)
            ycc[row, place] = part[lines, -(-box.left // across) : box.right // across].mean()
    return colours.ycc_to_rgb(ycc, matrix=matrix)


def measure_chart(picture: ChartPicture, entered: ChartPicture, chart: Chart) -> ChartMeasurement:
    """Everything the chart tells. `entered` is the picture of the frames that were encoded, seen
    by a viewer that reads them rightly. Differences are between the light of two displays of the
    chart's primaries and transfer that show the entered and the returned picture."""
    shift_x_px, shift_y_px = read_chroma_shift(picture, chart)
    is_misread = picture.believed != entered.believed
    return ChartMeasurement(
        chart=chart,
        pixel_format=picture.pixel_format,
        display=DISPLAY,
        patches=_read_patches(picture, entered, chart),
        ramp_codes_entered=_code_count(entered, chart),
        ramp_codes_returned=_code_count(picture, chart),
        eight_bit_step_fraction=_eight_bit_steps(picture, entered, chart),
        chroma_shift_x_px=shift_x_px,
        chroma_shift_y_px=shift_y_px,
        misread=(entered.believed, picture.believed) if is_misread else None,
    )


def delta_e_of_lab(first_lab: colours.Floats, second_lab: colours.Floats) -> colours.Floats:
    """CIEDE2000 between CIE L*a*b* colours (Sharma, Wu, Dalal 2005, Color Res. Appl. 30:21-30)."""
    from colour.difference import delta_E_CIE2000

    return np.asarray(delta_E_CIE2000(first_lab, second_lab))


def lab_of(
    rgb: colours.Floats, *, display: colours.DisplayName, primaries: str = "BT.709"
) -> colours.Floats:
    """CIE L*a*b* (D65) of R'G'B' signals shown on a display of these primaries."""
    from colour.models import XYZ_to_Lab

    light = colours.display_light(np.clip(rgb, 0, 1), display=display)
    xyz = light @ colours.rgb_to_xyz_matrix(primaries).T
    return np.asarray(XYZ_to_Lab(xyz, illuminant=np.array([0.3127, 0.3290])))


def _read_patches(
    picture: ChartPicture, before: ChartPicture, chart: Chart
) -> tuple[PatchReading, ...]:
    shown, entered = picture.patch_rgb, before.patch_rgb
    expected = np.clip(chart.patch_signals, 0, 1) * VIEWER_TOP
    signals = entered / VIEWER_TOP, shown / VIEWER_TOP
    lights = (colours.light_of(signal, chart.transfer) for signal in signals)
    itp = colours.delta_e_itp(*lights, primaries=chart.primaries)
    lab = None
    if not chart.is_hdr:
        lab = delta_e_of_lab(
            *(lab_of(signal, display=DISPLAY, primaries=chart.primaries) for signal in signals)
        )
    return tuple(
        PatchReading(
            name=patch.name,
            kind=patch.kind,
            expected_rgb=expected[i].tolist(),
            entered_rgb=entered[i].tolist(),
            shown_rgb=shown[i].tolist(),
            delta_e_2000=None if lab is None else float(lab[i]),
            delta_e_itp=float(itp[i]),
        )
        for i, patch in enumerate(design.PATCHES)
    )


def _code_count(picture: ChartPicture, chart: Chart) -> int:
    """Distinct luma codes among the columns of the long ramp."""
    return int(np.unique(np.rint(_ramp_columns(picture, chart, design.FULL_RAMP))).size)


def _ramp_columns(picture: ChartPicture, chart: Chart, ramp: design.Ramp) -> colours.Floats:
    """Mean luma code of each column of a ramp as it came back."""
    box = design.pixel_box(ramp.cells, width_px=chart.width_px, height_px=chart.height_px)
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
        for ramp in design.SHALLOW_RAMPS:
            before = _ramp_columns(entered, chart, ramp) * scale
            pattern = cut(before / unit) * unit - before
            pattern -= pattern.mean()
            error = _ramp_columns(picture, chart, ramp) - before
            dot += float(np.dot(error - error.mean(), pattern))
            norm += float(np.dot(pattern, pattern))
        best = max(best, dot / norm)
    return best


def _empty_bits(picture: ChartPicture, chart: Chart, unit: int) -> float:
    """0 where codes on shallow ramps are multiples of `unit` as often as by chance, 1 if always."""
    rows = [
        picture.codes[_window(ramp.cells, chart, is_inner=True)].ravel()
        for ramp in design.SHALLOW_RAMPS
    ]
    share = float(np.mean(np.remainder(np.concatenate(rows), unit) == 0))
    return max(0.0, (share - 1 / unit) / (1 - 1 / unit))

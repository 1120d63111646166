"""The chart as pictures: planes and frames of any pixel format, exact at every sample."""

from typing import Final

import av
import numpy as np

from mezzmark.engines.media.pixels import (
    Plane,
    Planes,
    frame_from_planes,
    pixel_format_facts,
)
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
    Wave,
    pixel_box,
)
from mezzmark.model.colour import (
    FULL_RANGE,
    LIMITED_RANGE,
    MATRIX_CODES,
    Floats,
    chroma_code,
    luma_code,
    rgb_to_ycc,
    ycc_to_rgb,
)
from mezzmark.model.footage import ColourTags

GREY_LEVEL: Final = 0.5
"""Luma between the patches and under the chroma waves."""

BT709_CODE: Final = 1
"""ITU-T H.273 number of the primaries and of the transfer function of BT.709."""


def chart_tags(chart: Chart, pixel_format: str) -> ColourTags:
    """The tags of a correctly tagged chart: RGB and yuvj formats are full range, others limited."""
    is_full_range = pixel_format_facts(pixel_format).is_full_range
    return ColourTags(
        colour_range=FULL_RANGE if is_full_range else LIMITED_RANGE,
        primaries=BT709_CODE,
        transfer=BT709_CODE,
        matrix=MATRIX_CODES[chart.matrix],
    )


def chart_frame(chart: Chart, pixel_format: str) -> av.VideoFrame:
    """The chart in a pixel format, tagged.

    Chroma is sited left: across on even luma columns, in 4:2:0 halfway between lines (ITU-T H.273
    chroma location 0). Raises EncodingError for a format whose samples cannot be written.
    """
    tags = chart_tags(chart, pixel_format)
    return frame_from_planes(chart_planes(chart, pixel_format), pixel_format, tags)


def chart_planes(chart: Chart, pixel_format: str) -> Planes:
    """Planes of the chart in the order `planes_of` gives, rounded once to the format's depth."""
    facts = pixel_format_facts(pixel_format)
    depth, full = facts.bit_depth, facts.is_full_range
    field = _field(chart, step=(1, 1))
    if facts.is_rgb:
        rgb = np.clip(ycc_to_rgb(field, matrix=chart.matrix), 0, 1) * float(2**depth - 1)
        values = [rgb[..., i] for i in (1, 2, 0)]
    else:
        luma = np.clip(field[..., 0], 0, 1) if full else field[..., 0]
        chroma = _field(chart, step=facts.chroma_step)
        values = [
            luma_code(luma, bit_depth=depth, is_full_range=full),
            *(chroma_code(chroma[..., i], bit_depth=depth, is_full_range=full) for i in (1, 2)),
        ]
    if facts.has_alpha:  # from clear to opaque, so that a lost or flattened alpha cannot pass
        values.append(np.tile(np.linspace(0, 2**depth - 1, chart.width_px), (chart.height_px, 1)))
    return tuple(_coded(plane, depth) for plane in values)


def _field(chart: Chart, *, step: tuple[int, int]) -> Floats:
    """Unrounded Y'CbCr of the chart, sampled every `step` luma samples across and down, where a
    plane of this chroma step has its samples."""
    across, down = step
    x = np.arange(0, chart.width_px, across, dtype=np.float64)
    y = np.arange(0, chart.height_px, down, dtype=np.float64) + (down - 1) / 2
    ycc = np.zeros((y.size, x.size, 3))
    ycc[..., 0] = GREY_LEVEL
    for patch in PATCHES:
        colour = rgb_to_ycc(np.array(patch.rgb, dtype=np.float64), matrix=chart.matrix)
        ycc[_window(chart, patch.cells, step)] = colour
    for ramp in (FULL_RAMP, *SHALLOW_RAMPS):
        window = _window(chart, ramp.cells, step)
        ycc[window] = 0.0
        ycc[(*window, 0)] = ramp_values(ramp, x, width_px=chart.width_px)
    for wave in WAVES:
        window = _window(chart, wave.cells, step)
        ycc[window] = _wave_values(wave, x[window[1]], y[window[0]])
    return ycc


def ramp_values(ramp: Ramp, x_px: Floats, *, width_px: int) -> Floats:
    """Signal of a ramp at these columns; the first column is `start`, the last `stop`."""
    return ramp.start + (ramp.stop - ramp.start) * x_px / (width_px - 1)


def _window(
    chart: Chart, cells: tuple[int, int, int, int], step: tuple[int, int]
) -> tuple[slice, slice]:
    box: PixelBox = pixel_box(cells, width_px=chart.width_px, height_px=chart.height_px)
    across, down = step
    return (
        slice(-(-box.top // down), -(-box.bottom // down)),
        slice(-(-box.left // across), -(-box.right // across)),
    )


def _wave_values(wave: Wave, x: Floats, y: Floats) -> Floats:
    kind, axis = wave.name.split("-")
    along = x[None, :] if axis == "x" else y[:, None]
    sine = np.broadcast_to(np.sin(2 * np.pi * along / WAVE_PERIOD_PX), (y.size, x.size))
    values = np.zeros((y.size, x.size, 3))
    values[..., 0] = GREY_LEVEL
    if kind == "luma":
        values[..., 0] += LUMA_WAVE_AMPLITUDE * sine
    else:
        values[..., 1] = CHROMA_WAVE_AMPLITUDE * sine
        values[..., 2] = -CHROMA_WAVE_AMPLITUDE * sine
    return values


def _coded(values: Floats, bit_depth: int) -> Plane:
    codes = np.clip(np.rint(values), 0, 2**bit_depth - 1)
    return codes.astype(np.uint8) if bit_depth == 8 else codes.astype(np.uint16)

"""The chart as pictures: planes and frames of any pixel format, exact at every sample."""

from typing import Final

import av
import numpy as np

from mezzmark.engines.media.conversion import picture_tags, written_tags
from mezzmark.engines.media.pixels import Planes, frame_from_planes, pixel_format_facts
from mezzmark.model import chart as design
from mezzmark.model import colour as colours
from mezzmark.model.footage import ColourTags

GREY_LEVEL: Final = 0.5
"""Luma between the patches and under the chroma waves."""


def chart_tags(chart: design.Chart, pixel_format: str) -> ColourTags:
    """The tags told with a chart: as those of its clip, or all of them. RGB and yuvj formats are
    full range, others limited."""
    everything = ColourTags(
        primaries=colours.PRIMARIES_CODES[chart.primaries],
        transfer=colours.TRANSFER_CODES[chart.transfer],
        matrix=colours.MATRIX_CODES[chart.matrix],
    )
    stated = chart.stated or everything
    return written_tags(stated, pixel_format, height_px=chart.height_px)


def chart_frame(chart: design.Chart, pixel_format: str) -> av.VideoFrame:
    """The chart in a pixel format, tagged. Chroma is sited left: across on even luma columns, in
    4:2:0 halfway between lines (ITU-T H.273 chroma location 0). Raises EncodingError for a format
    whose samples cannot be written."""
    tags = picture_tags(chart_tags(chart, pixel_format))
    return frame_from_planes(chart_planes(chart, pixel_format), pixel_format, tags)


def chart_planes(chart: design.Chart, pixel_format: str) -> Planes:
    """Planes of the chart in the order `planes_of` gives, rounded once to the format's depth."""
    facts = pixel_format_facts(pixel_format)
    depth, full = facts.bit_depth, facts.is_full_range
    field = _field(chart, step=(1, 1))
    if facts.is_rgb:
        rgb = np.clip(colours.ycc_to_rgb(field, matrix=chart.matrix), 0, 1) * float(2**depth - 1)
        values = [rgb[..., i] for i in (1, 2, 0)]
    else:
        luma = np.clip(field[..., 0], 0, 1) if full else field[..., 0]
        chroma = _field(chart, step=facts.chroma_step)
        values = [
            colours.luma_code(luma, bit_depth=depth, is_full_range=full),
            *(
                colours.chroma_code(chroma[..., i], bit_depth=depth, is_full_range=full)
                for i in (1, 2)
            ),
        ]
    if facts.has_alpha:  # from clear to opaque, so that a lost or flattened alpha cannot pass
        values.append(np.tile(np.linspace(0, 2**depth - 1, chart.width_px), (chart.height_px, 1)))
    codes = (np.clip(np.rint(plane), 0, 2**depth - 1) for plane in values)
    return tuple(c.astype(np.uint8) if depth == 8 else c.astype(np.uint16) for c in codes)


def _field(chart: design.Chart, *, step: tuple[int, int]) -> colours.Floats:
    """Unrounded Y'CbCr of the chart, sampled every `step` luma samples across and down, where a
    plane of this chroma step has its samples."""
    across, down = step
    x = np.arange(0, chart.width_px, across, dtype=np.float64)
    y = np.arange(0, chart.height_px, down, dtype=np.float64) + (down - 1) / 2
    ycc = np.zeros((y.size, x.size, 3))
    ycc[..., 0] = GREY_LEVEL
    colour_of = colours.rgb_to_ycc(chart.patch_signals, matrix=chart.matrix)
    for patch, colour in zip(design.PATCHES, colour_of, strict=True):
        ycc[_window(chart, patch.cells, step)] = colour
    for ramp in (design.FULL_RAMP, *design.SHALLOW_RAMPS):
        window = _window(chart, ramp.cells, step)
        ycc[window] = 0.0
        ycc[(*window, 0)] = ramp.start + (ramp.stop - ramp.start) * x / (chart.width_px - 1)
    for wave in design.WAVES:
        window = _window(chart, wave.cells, step)
        ycc[window] = _wave_values(wave, x[window[1]], y[window[0]])
    return ycc


def _window(
    chart: design.Chart, cells: tuple[int, int, int, int], step: tuple[int, int]
) -> tuple[slice, slice]:
    box: design.PixelBox = design.pixel_box(
        cells, width_px=chart.width_px, height_px=chart.height_px
    )
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

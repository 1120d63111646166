"""What a file's first pictures show of it: its levels, and how busy they are."""

from itertools import islice
from pathlib import Path
from typing import Final

import numpy as np
from av.error import FFmpegError

from mezzmark.engines.media.pixels import pixel_format_facts, planes_of
from mezzmark.engines.media.probe import open_media
from mezzmark.model.colour import FULL_RANGE, Floats, chroma_of_code, luma_of_code
from mezzmark.model.inspection import PictureLevels

LOOKED_AT_PX: Final = 100_000_000
MOST_PICTURES, FEWEST_PICTURES = 48, 12
"""48 pictures of 1080 lines, 12 of 2160: a few seconds of work."""

SAMPLED: Final = (slice(None, None, 4), slice(None, None, 4))
"""Samples whose levels are counted: a sixteenth."""


def read_levels(path: str | Path, *, most_pictures: int = MOST_PICTURES) -> PictureLevels | None:
    """Levels and P.910 figures of the first pictures; None where none decodes, or of RGB."""
    lumas, chromas, spatial, temporal = [], [], [], []
    previous: Floats | None = None
    with open_media(path) as (container, track):
        facts = pixel_format_facts(str(track.codec_context.pix_fmt))
        is_full = facts.is_full_range or int(track.codec_context.color_range) == FULL_RANGE
        if facts.is_rgb:
            return None
        area_px = track.codec_context.width * track.codec_context.height
        count = min(most_pictures, max(FEWEST_PICTURES, LOOKED_AT_PX // area_px))
        try:
            for frame in islice(container.decode(track), count):
                depth = facts.bit_depth
                luma, *chroma = planes_of(frame)[:3]
                lumas.append(luma[SAMPLED].ravel())
                for part in chroma:
                    values = part[SAMPLED].astype(np.float64)
                    chromas.append(
                        np.abs(chroma_of_code(values, bit_depth=depth, is_full_range=is_full))
                    )
                codes = 255 * luma_of_code(
                    luma.astype(np.float32), bit_depth=depth, is_full_range=is_full
                )
                spatial.append(spatial_information(codes))
                if previous is not None:
                    temporal.append(float(np.std(codes - previous, dtype=np.float64)))
                previous = codes
        except FFmpegError:
            pass  # what came until then is looked at
    if not lumas:
        return None
    codes = np.concatenate(lumas)
    ends = np.quantile(codes, (0.001, 0.999))
    darkest, brightest = luma_of_code(ends, bit_depth=facts.bit_depth, is_full_range=is_full)
    unit = 2 ** (facts.bit_depth - 8)
    spread = np.concatenate([part.ravel() for part in chromas]) if chromas else np.zeros(1)
    return PictureLevels(
        picture_count=len(spatial),
        darkest=float(darkest),
        brightest=float(brightest),
        footroom_fraction=float(np.mean(codes <= 8 * unit)),
        headroom_fraction=float(np.mean(codes >= 247 * unit)),
        chroma=float(np.quantile(spread, 0.95)),
        spatial_information=max(spatial),
        temporal_information=max(temporal, default=0.0),
    )


def spatial_information(luma: Floats) -> float:
    """SI of a picture (ITU-T P.910, 7.8.1): the standard deviation of the Sobel gradient's
    magnitude, edge samples left out."""
    smooth_down = luma[:-2] + 2 * luma[1:-1] + luma[2:]
    across = smooth_down[:, 2:] - smooth_down[:, :-2]
    slope_down = luma[2:] - luma[:-2]
    down = slope_down[:, :-2] + 2 * slope_down[:, 1:-1] + slope_down[:, 2:]
    return float(np.std(np.hypot(across, down), dtype=np.float64))

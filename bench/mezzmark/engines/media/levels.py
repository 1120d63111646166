"""What a file's first pictures show of it: its levels, and how busy they are."""

from collections.abc import Iterator
from contextlib import suppress
from itertools import islice
from pathlib import Path
from typing import Any, Final

import numpy as np
from av.container import InputContainer
from av.error import FFmpegError
from av.video.stream import VideoStream

from mezzmark.engines.media.pixels import Planes, pixel_format_facts, planes_of
from mezzmark.engines.media.probe import open_media
from mezzmark.model.colour import FULL_RANGE, Floats, chroma_of_code, luma_of_code
from mezzmark.model.errors import EncodingError
from mezzmark.model.inspection import PictureLevels

LOOKED_AT_PX: Final = 100_000_000
MOST_PICTURES, FEWEST_PICTURES = 48, 12
"""48 pictures of 1080 lines, 12 of 2160: a few seconds of work."""

SAMPLED: Final = (slice(None, None, 4), slice(None, None, 4))
"""Samples whose levels are counted: a sixteenth."""


def read_levels(path: str | Path, *, most_pictures: int = MOST_PICTURES) -> PictureLevels | None:
    """Levels and P.910 figures of the first pictures that are alike; None where none decodes to
    samples that can be read, or of RGB."""
    samples, spatial, temporal = [], [], []
    previous: Floats | None = None
    with open_media(path) as (container, track):
        facts = pixel_format_facts(str(track.codec_context.pix_fmt))
        is_full = facts.is_full_range or int(track.codec_context.color_range) == FULL_RANGE
        form: Any = {"bit_depth": facts.bit_depth, "is_full_range": is_full}
        for planes in () if facts.is_rgb else _first_planes(container, track, most_pictures):
            samples.append([plane[SAMPLED].ravel() for plane in planes])
            luma = 255 * luma_of_code(planes[0].astype(np.float32), **form)
            spatial.append(spatial_information(luma))
            if previous is not None:
                temporal.append(float(np.std(luma - previous, dtype=np.float64)))
            previous = luma
    if not samples:
        return None
    codes, *chroma = (np.concatenate(part) for part in zip(*samples, strict=True))
    darkest, brightest = luma_of_code(np.quantile(codes, (0.001, 0.999)), **form)
    unit = 2 ** (facts.bit_depth - 8)
    spread = [np.abs(chroma_of_code(part.astype(np.float64), **form)) for part in chroma]
    return PictureLevels(
        picture_count=len(spatial),
        darkest=float(darkest),
        brightest=float(brightest),
        footroom_fraction=float(np.mean(codes <= 8 * unit)),
        headroom_fraction=float(np.mean(codes >= 247 * unit)),
        chroma=float(np.quantile(np.concatenate(spread), 0.95)) if spread else 0.0,
        spatial_information=max(spatial),
        temporal_information=max(temporal, default=0.0),
    )


def _first_planes(container: InputContainer, track: VideoStream, most: int) -> Iterator[Planes]:
    """Y'CbCr of the first pictures, as long as they are of the size and format announced."""
    context = track.codec_context
    kind = (context.pix_fmt, context.width, context.height)
    count = min(most, max(FEWEST_PICTURES, LOOKED_AT_PX // (context.width * context.height)))
    # What comes before a fault is looked at.
    with suppress(FFmpegError, EncodingError):
        for frame in islice(container.decode(track), count):
            if (frame.format.name, frame.width, frame.height) != kind or min(kind[1:]) < 3:
                return
            yield planes_of(frame)[:3]


def spatial_information(luma: Floats) -> float:
    """SI of a picture (ITU-T P.910, 7.8.1): the standard deviation of the Sobel gradient's
    magnitude, edge samples left out."""
    smooth_down = luma[:-2] + 2 * luma[1:-1] + luma[2:]
    across = smooth_down[:, 2:] - smooth_down[:, :-2]
    slope_down = luma[2:] - luma[:-2]
    down = slope_down[:, :-2] + 2 * slope_down[:, 1:-1] + slope_down[:, 2:]
    return float(np.std(np.hypot(across, down), dtype=np.float64))

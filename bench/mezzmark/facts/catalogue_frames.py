"""Which pictures an encoding can hold: sizes, steps of sizes, and frame rates."""

from collections.abc import Iterator
from fractions import Fraction
from typing import Final

from mezzmark.facts.catalogue_entry import CatalogueEntry
from mezzmark.facts.encoding import Encoding
from mezzmark.facts.errors import EncodingError
from mezzmark.facts.frame_rates import STANDARD_RATES, is_mpeg2_rate

MPEG2_FORBIDDEN_LENGTH: Final = 4096
"""ISO/IEC 13818-2, 6.3.3: the lower 12 bits of width and height shall not be zero."""


def check_picture(
    entry: CatalogueEntry,
    encoding: Encoding,
    width_px: int,
    height_px: int,
    frame_rate: Fraction | None,
) -> None:
    """EncodingError naming what is legal where `encoding`, made of `entry`, cannot hold it."""
    faults = [*_size_faults(entry, encoding, width_px, height_px)]
    if frame_rate is not None:
        faults += _rate_faults(encoding, frame_rate)
    if faults:
        raise EncodingError(
            where=f'encoding "{encoding.name}"',
            what=faults[0],
            remedy="Choose another encoding, or another size or rate for the clip.",
        )


def _size_faults(
    entry: CatalogueEntry, encoding: Encoding, width_px: int, height_px: int
) -> Iterator[str]:
    size = f"{width_px}x{height_px}"
    if entry.frame_sizes and (width_px, height_px) not in entry.frame_sizes:
        legal = ", ".join(f"{width}x{height}" for width, height in entry.frame_sizes)
        yield f"it exists only at {legal}, not at {size}"
    least_width, least_height = entry.smallest_size
    if width_px < least_width or height_px < least_height:
        yield f"{size} is below its smallest size, {least_width}x{least_height}"
    step_x, step_y = entry.size_multiples.get(encoding.pixel_format, (1, 1))
    if width_px % step_x or height_px % step_y:
        yield (
            f"{size} does not fit {encoding.pixel_format}, which needs a width in steps of "
            f"{step_x} and a height in steps of {step_y}"
        )
    is_forbidden = 0 in (width_px % MPEG2_FORBIDDEN_LENGTH, height_px % MPEG2_FORBIDDEN_LENGTH)
    if entry.codec == "MPEG-2" and is_forbidden:
        yield f"MPEG-2 cannot write down {size}: lengths that {MPEG2_FORBIDDEN_LENGTH} divides"


def _rate_faults(encoding: Encoding, frame_rate: Fraction) -> Iterator[str]:
    legal = ", ".join(str(rate) for rate in STANDARD_RATES)
    if encoding.container == "mxf" and frame_rate not in STANDARD_RATES:
        yield f"MXF has no code for {frame_rate} frames/s, only for {legal}"
    if encoding.codec == "MPEG-2" and not is_mpeg2_rate(frame_rate):
        yield f"MPEG-2 has no code for {frame_rate} frames/s; usual rates are {legal}"

"""The number in the picture: which clip and which frame this is, readable after any encoding.

The stamp is a block of square cells in the upper left corner of luma, dark or bright:

    cell 0        bright  (reference)
    cell 1        dark    (reference)
    cells 2-17    frame index, 16 bits, most significant first
    cells 18-25   clip number, 8 bits
    cells 26-41   CRC-16 of the 24 bits before (polynomial 0x1021 of ITU-T V.41, start 0xFFFF)

A reading needs no code levels known beforehand: the threshold lies midway between the two
reference cells, so limited and full range, any bit depth and any gamma read alike. The check finds
every error of one, two or three cells, every odd number of errors and every burst up to 16 cells;
other damage passes with odds of 2^-16.

A frame predicted from both sides may average a cell that differs between them to mid-grey. Up to
two such cells are tried both ways; as any two valid stamps differ in at least four cells, at most
one way passes the check if the rest is right, and one more wrong cell is still found. Random damage
then passes with odds of at most 2^-14.
"""

import binascii
import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]

FRAME_BITS, CLIP_BITS, CHECK_BITS, REFERENCE_CELLS = 16, 8, 16, 2
CELL_COUNT = REFERENCE_CELLS + FRAME_BITS + CLIP_BITS + CHECK_BITS
MAX_FRAME_INDEX, MAX_CLIP_ID = (1 << FRAME_BITS) - 1, (1 << CLIP_BITS) - 1
CHECK_START = 0xFFFF

WIDE_COLUMNS, NARROW_COLUMNS = 14, 7
"""Both divide the 42 cells evenly; the narrow block is for pictures too narrow for the wide one."""

SMALLEST_CELL_PX = 16
DARK_8BIT, GREY_8BIT, BRIGHT_8BIT = 32, 126, 220
"""Inside limited range, with room for ringing, and as far apart as that allows."""

MIN_CONTRAST_FRACTION = 0.2
"""Of the written contrast: below this the reference cells no longer say bright and dark."""

UNSURE_FRACTION = 0.25
"""Of the way from the threshold to bright or dark: nearer to the threshold a cell says nothing."""

MAX_UNSURE_CELLS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class StampReading:
    """What a picture says of itself."""

    frame_index: int
    clip_id: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StampLayout:
    """Where the cells lie: `columns` × `rows` squares of `cell_px`, from the upper left corner,
    then a grey `margin_px` to the right and below that keeps the picture's texture away."""

    cell_px: int
    columns: int
    rows: int
    margin_px: int

    @property
    def width_px(self) -> int:
        """Cells and margin across, in luma samples."""
        return self.columns * self.cell_px + self.margin_px

    @property
    def height_px(self) -> int:
        """Cells and margin down, in luma lines."""
        return self.rows * self.cell_px + self.margin_px


def stamp_layout(width_px: int, height_px: int) -> StampLayout | None:
    """The layout for a picture of this size; None if it is too small. At these cell sizes no frame
    was lost or misread over the encoders of the survival test at their lowest quality; with cells
    of 8 samples some were: HEVC then leaves a whole stamp as it was a frame before."""
    largest_px = 32 if height_px >= 1440 else 24 if height_px >= 540 else 16
    sizes_px = range(largest_px, SMALLEST_CELL_PX - 1, -8)
    for cell_px, columns in itertools.product(sizes_px, (WIDE_COLUMNS, NARROW_COLUMNS)):
        rows, margin_px = CELL_COUNT // columns, cell_px // 2
        layout = StampLayout(cell_px=cell_px, columns=columns, rows=rows, margin_px=margin_px)
        if layout.width_px <= width_px and layout.height_px <= height_px:
            return layout
    return None


def write_stamp(luma: Samples, frame_index: int, clip_id: int, bit_depth: int) -> None:
    """Draw the stamp into luma (lines, samples) in place. ValueError where it does not fit."""
    layout = stamp_layout(luma.shape[1], luma.shape[0])
    if layout is None:
        raise ValueError(f"a picture of {luma.shape[1]}x{luma.shape[0]} cannot hold a stamp")
    shift = bit_depth - 8
    cells = np.where(_cells_of(frame_index, clip_id), BRIGHT_8BIT, DARK_8BIT) << shift
    grid = cells.reshape(layout.rows, layout.columns).astype(luma.dtype)
    block = np.repeat(np.repeat(grid, layout.cell_px, axis=0), layout.cell_px, axis=1)
    luma[: layout.height_px, : layout.width_px] = GREY_8BIT << shift
    luma[: block.shape[0], : block.shape[1]] = block


def read_stamp(luma: Samples, bit_depth: int) -> StampReading | None:
    """The stamp of luma or of one RGB channel (lines, samples); None where none is readable."""
    layout = stamp_layout(luma.shape[1], luma.shape[0])
    if layout is None:
        return None
    # Of the middle half of each cell, where neighbours and ringing reach least.
    rows, columns, cell_px = layout.rows, layout.columns, layout.cell_px
    block = luma[: rows * cell_px, : columns * cell_px].reshape(rows, cell_px, columns, cell_px)
    middle = slice(cell_px // 4, -cell_px // 4)
    means = block[:, middle, :, middle].mean(axis=(1, 3), dtype=np.float64).ravel()
    bright, dark = means[0], means[1]
    contrast = (BRIGHT_8BIT - DARK_8BIT) << (bit_depth - 8)
    if bright - dark < MIN_CONTRAST_FRACTION * contrast:
        return None
    threshold = (bright + dark) / 2
    cells = means > threshold
    unsure = np.flatnonzero(np.abs(means - threshold) < UNSURE_FRACTION * (bright - threshold))
    if len(unsure) > MAX_UNSURE_CELLS:
        return None
    for way in itertools.product((False, True), repeat=len(unsure)):
        cells[unsure] = way
        if reading := _reading_of(cells):
            return reading
    return None


def _cells_of(frame_index: int, clip_id: int) -> npt.NDArray[np.bool_]:
    if not (0 <= frame_index <= MAX_FRAME_INDEX and 0 <= clip_id <= MAX_CLIP_ID):
        raise ValueError(f"frame {frame_index} of clip {clip_id} does not fit the stamp")
    payload = frame_index.to_bytes(2, "big") + bytes([clip_id])
    check = binascii.crc_hqx(payload, CHECK_START).to_bytes(2, "big")
    bits = np.unpackbits(np.frombuffer(payload + check, np.uint8))
    return np.concatenate(([True, False], bits.astype(bool)))


def _reading_of(cells: npt.NDArray[np.bool_]) -> StampReading | None:
    message = np.packbits(cells[REFERENCE_CELLS:]).tobytes()
    payload, check = message[:3], int.from_bytes(message[3:], "big")
    if not (cells[0] and not cells[1]) or binascii.crc_hqx(payload, CHECK_START) != check:
        return None
    return StampReading(frame_index=int.from_bytes(payload[:2], "big"), clip_id=payload[2])

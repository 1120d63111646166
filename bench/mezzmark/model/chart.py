"""The test chart of our own: where its patches, ramps and waves lie and what they should be.

The chart is a grid of 42 × 24 cells over the whole picture, so it has one layout at every size:

    rows  0 to 3   grey from 0 to 100 % in steps of 5 %
    rows  4 to 7   below black, near black, near white, above white
    rows  8 to 11  saturated bars at 75 % and 100 %, skin-like and pastel patches
    rows 12 to 15  muted hues and dark hues
    rows 16 to 17  ramp from black to white
    rows 18 to 20  shallow ramps: neighbouring columns differ by a fraction of a code
    rows 21 to 23  waves of luma and chroma, for positions finer than a pixel

Values are R'G'B' of the signal, 0 = black and 1 = nominal white; the grey patches run outside.
"""

import colorsys
from typing import Final, Literal

from mezzmark.model.colour import MatrixName
from mezzmark.model.fact import Fact

COLUMNS: Final = 42
ROWS: Final = 24
SLOTS: Final = 21
"""Patches in a row of patches; each is two cells wide."""

WAVE_PERIOD_PX: Final = 16
"""Long enough for 4:2:0 chroma and a codec, short enough that many periods fit a patch."""

LUMA_WAVE_AMPLITUDE: Final = 0.20
CHROMA_WAVE_AMPLITUDE: Final = 0.20
"""Half the peak-to-peak swing; with grey 0.5 every R'G'B' stays inside 0 to 1."""

SHALLOW_LEVELS: Final = (0.42, 0.14, 0.66)
SHALLOW_SPAN: Final = 0.04
"""A shallow ramp rises by 4 % of white over the picture's width: 35 codes of 10 bits, 9 of 8."""

PatchKind = Literal["grey", "near", "outside", "saturated", "skin", "muted"]
WaveKind = Literal["luma-x", "luma-y", "chroma-x", "chroma-y"]

_NEAR: Final = (0.01, 0.02, 0.03, 0.04, 0.06, 0.08, 0.92, 0.94, 0.96, 0.97, 0.98, 0.99)
_OUTSIDE: Final = (-0.05, -0.02, 1.02, 1.04, 1.06, 1.09)
"""109 % is code 254 of 8 bits (BT.709-6 item 4.6), the highest a limited signal may hold."""

_PRIMARY: Final = ((1, 1, 0), (0, 1, 1), (0, 1, 0), (1, 0, 1), (1, 0, 0), (0, 0, 1))
_SKIN: Final = (
    (0.87, 0.73, 0.65),
    (0.80, 0.62, 0.52),
    (0.72, 0.52, 0.42),
    (0.58, 0.40, 0.31),
    (0.44, 0.29, 0.22),
    (0.30, 0.20, 0.16),
)
"""Six tones of our own choice along the usual hue of skin; they are not measured skin."""

_PASTEL: Final = ((0.80, 0.86, 0.94), (0.86, 0.92, 0.80), (0.94, 0.86, 0.88))


class Patch(Fact):
    """A flat area; the box is in cells (left, top, width, height)."""

    name: str
    kind: PatchKind
    rgb: tuple[float, float, float]
    cells: tuple[int, int, int, int]


class Ramp(Fact):
    """A grey ramp over the picture's width from `start` to `stop`."""

    name: str
    start: float
    stop: float
    cells: tuple[int, int, int, int]


class Wave(Fact):
    """A sine of `WAVE_PERIOD_PX` along x or y, in luma alone or in chroma alone."""

    name: WaveKind
    cells: tuple[int, int, int, int]


class Chart(Fact):
    """A chart as it is made: its size and the matrix that its luma follows. Its colours are of
    BT.709 primaries, whatever the matrix."""

    width_px: int
    height_px: int
    matrix: MatrixName = "BT.709"


def _slot(row: int, slot: int) -> tuple[int, int, int, int]:
    return (2 * slot, row, 2, 4)


def _grey(value: float) -> tuple[float, float, float]:
    return (value, value, value)


def _grey_patches() -> list[Patch]:
    greys = [
        Patch(name=f"grey {5 * i} %", kind="grey", rgb=_grey(i / 20), cells=_slot(0, i))
        for i in range(SLOTS)
    ]
    near = [
        Patch(name=f"grey {100 * value:.0f} %", kind="near", rgb=_grey(value), cells=_slot(4, i))
        for i, value in enumerate(_NEAR)
    ]
    outside = [
        Patch(
            name=f"grey {100 * value:.0f} %",
            kind="outside",
            rgb=_grey(value),
            cells=_slot(4, len(_NEAR) + i),
        )
        for i, value in enumerate(_OUTSIDE)
    ]
    return greys + near + outside


def _colour_patches() -> list[Patch]:
    names = ("yellow", "cyan", "green", "magenta", "red", "blue")
    bars = [
        Patch(
            name=f"{name} {100 * level:.0f} %",
            kind="saturated",
            rgb=tuple(level * channel for channel in rgb),
            cells=_slot(8, 6 * half + i),
        )
        for half, level in enumerate((0.75, 1.0))
        for i, (name, rgb) in enumerate(zip(names, _PRIMARY, strict=True))
    ]
    skin = [
        Patch(name=f"skin {i + 1}", kind="skin", rgb=rgb, cells=_slot(8, 12 + i))
        for i, rgb in enumerate(_SKIN)
    ]
    pastel = [
        Patch(name=f"pastel {i + 1}", kind="muted", rgb=rgb, cells=_slot(8, 18 + i))
        for i, rgb in enumerate(_PASTEL)
    ]
    muted = [
        Patch(
            name=f"hue {30 * i}°",
            kind="muted",
            rgb=colorsys.hsv_to_rgb(i / 12, 0.5, 0.70),
            cells=_slot(12, i),
        )
        for i in range(12)
    ]
    dark = [
        Patch(
            name=f"dark hue {40 * i}°",
            kind="muted",
            rgb=colorsys.hsv_to_rgb(i / 9, 0.6, 0.35),
            cells=_slot(12, 12 + i),
        )
        for i in range(9)
    ]
    return bars + skin + pastel + muted + dark


PATCHES: Final[tuple[Patch, ...]] = (*_grey_patches(), *_colour_patches())

FULL_RAMP: Final = Ramp(name="ramp", start=0.0, stop=1.0, cells=(0, 16, COLUMNS, 2))
SHALLOW_RAMPS: Final[tuple[Ramp, ...]] = tuple(
    Ramp(
        name=f"shallow ramp {i + 1}",
        start=level,
        stop=level + SHALLOW_SPAN,
        cells=(0, 18 + i, COLUMNS, 1),
    )
    for i, level in enumerate(SHALLOW_LEVELS)
)
WAVES: Final[tuple[Wave, ...]] = (
    Wave(name="luma-x", cells=(0, 21, 10, 3)),
    Wave(name="luma-y", cells=(10, 21, 10, 3)),
    Wave(name="chroma-x", cells=(20, 21, 11, 3)),
    Wave(name="chroma-y", cells=(31, 21, 11, 3)),
)


class PixelBox(Fact):
    """A box in pixels: left, top inclusive; right, bottom exclusive; all even."""

    left: int
    top: int
    right: int
    bottom: int


def pixel_box(cells: tuple[int, int, int, int], *, width_px: int, height_px: int) -> PixelBox:
    """The pixels of a box of cells. Edges are even, so that subsampled chroma never mixes two
    patches; neighbours share their edge."""
    left, top, wide, high = cells
    return PixelBox(
        left=_even(left * width_px, COLUMNS),
        top=_even(top * height_px, ROWS),
        right=_even((left + wide) * width_px, COLUMNS),
        bottom=_even((top + high) * height_px, ROWS),
    )


def _even(numerator: int, denominator: int) -> int:
    return 2 * round(numerator / denominator / 2)


def inner_box(box: PixelBox, *, keep_fraction: float = 0.5) -> PixelBox:
    """The middle of a box, clear of what a codec does at its edges; again even."""
    across = 2 * round((box.right - box.left) * (1 - keep_fraction) / 4)
    down = 2 * round((box.bottom - box.top) * (1 - keep_fraction) / 4)
    return PixelBox(
        left=box.left + across,
        top=box.top + down,
        right=box.right - across,
        bottom=box.bottom - down,
    )

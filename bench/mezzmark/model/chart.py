"""The test chart of our own: where its patches, ramps and waves lie and what they should be.

The chart is a grid of 42 × 24 cells over the whole picture, so it has one layout at every size:

    rows  0 to 3   grey from 0 to 100 % in steps of 5 %
    rows  4 to 7   below black, near black, near white, above white
    rows  8 to 11  saturated bars at 75 % and 100 %, skin-like and pastel patches
    rows 12 to 15  muted hues and dark hues
    rows 16 to 17  ramp from black to white
    rows 18 to 20  shallow ramps: neighbouring columns differ by a fraction of a code
    rows 21 to 23  waves of luma and chroma, for positions finer than a pixel

Values are R'G'B' of the signal, 0 = black and 1 = nominal white; the grey patches run outside."""

import colorsys
from collections.abc import Iterable, Iterator
from typing import Final, Literal

import numpy as np

from mezzmark.model import colour
from mezzmark.model.fact import Fact, Positive
from mezzmark.model.footage import ColourTags

COLUMNS: Final = 42
ROWS: Final = 24
SLOTS: Final = 21  # Patches in a row of patches; each is two cells wide

WAVE_PERIOD_PX: Final = 16
"""Long enough for 4:2:0 chroma and a codec, short enough that many periods fit a patch."""

LUMA_WAVE_AMPLITUDE: Final = 0.20
CHROMA_WAVE_AMPLITUDE: Final = 0.20
"""Half the peak-to-peak swing; with grey 0.5 every R'G'B' stays inside 0 to 1."""

SHALLOW_LEVELS: Final = (0.42, 0.14, 0.66)
SHALLOW_SPAN: Final = 0.04
"""A shallow ramp rises by 4 % of white over the picture's width: 35 codes of 10 bits, 9 of 8."""

PatchKind = Literal["grey", "near", "outside", "saturated", "skin", "muted"]
Rgb = tuple[float, float, float]
WaveKind = Literal["luma-x", "luma-y", "chroma-x", "chroma-y"]
_NEAR: Final = (0.01, 0.02, 0.03, 0.04, 0.06, 0.08, 0.92, 0.94, 0.96, 0.97, 0.98, 0.99)
_OUTSIDE: Final = (-0.05, -0.02, 1.02, 1.04, 1.06, 1.09)
"""109 % is code 254 of 8 bits (BT.709-6 item 4.6), the highest a limited signal may hold."""

_PRIMARY: Final = {
    **{"yellow": (1, 1, 0), "cyan": (0, 1, 1), "green": (0, 1, 0)},
    **{"magenta": (1, 0, 1), "red": (1, 0, 0), "blue": (0, 0, 1)},
}
_SKIN: Final = (
    *((0.87, 0.73, 0.65), (0.80, 0.62, 0.52), (0.72, 0.52, 0.42)),
    *((0.58, 0.40, 0.31), (0.44, 0.29, 0.22), (0.30, 0.20, 0.16)),
)
"""Six tones of our own choice along the usual hue of skin; they are not measured skin."""

_PASTEL: Final = ((0.80, 0.86, 0.94), (0.86, 0.92, 0.80), (0.94, 0.86, 0.88))


class Patch(Fact):
    """A flat area; the box is in cells (left, top, width, height)."""

    name: str
    kind: PatchKind
    rgb: Rgb
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
    """A chart as it is made: its size, and what its code values mean. `stated` is what the clip
    says of itself whose place the chart takes; None: everything is stated."""

    width_px: Positive
    height_px: Positive
    matrix: colour.MatrixName = "BT.709"
    primaries: colour.PrimariesName = "BT.709"
    transfer: colour.TransferName = "BT.1886"
    stated: ColourTags | None = None

    @property
    def is_hdr(self) -> bool:
        """Whether it is judged by light in cd/m² and not by an 8-bit viewer."""
        return self.transfer != "BT.1886"

    def signal(self, rgb: colour.Floats) -> colour.Floats:
        """R'G'B' of the chart for the values of its design. In PQ white is 983 cd/m², three
        quarters of the signal; HDR colours keep to 10 to 70 % of it, in range of any matrix."""
        if not self.is_hdr:
            return rgb
        is_grey = np.ptp(rgb, axis=-1, keepdims=True) == 0
        return np.where(is_grey, rgb * (0.75 if self.transfer == "PQ" else 1.0), 0.1 + 0.6 * rgb)

    def as_meant(self, rgb: colour.Floats, believed: colour.Meaning) -> colour.Floats:
        """The R'G'B' (0 to 1) that in the chart's terms is the light such a viewer makes of
        `rgb`."""
        if (believed.primaries, believed.transfer) != (self.primaries, self.transfer):
            light = colour.light_of(np.clip(rgb, 0, 1), believed.transfer)
            light = colour.change_primaries(light, source=believed.primaries, target=self.primaries)
            rgb = colour.signal_of(light, self.transfer)
        return np.clip(rgb, 0, 1)

    @property
    def patch_signals(self) -> colour.Floats:
        """R'G'B' of every patch: (patches, 3)."""
        return self.signal(np.array([patch.rgb for patch in PATCHES], dtype=np.float64))


def _patches(
    kind: PatchKind, row: int, first_slot: int, colours: Iterable[tuple[str, Rgb]]
) -> Iterator[Patch]:
    for slot, (name, rgb) in enumerate(colours, start=first_slot):
        yield Patch(name=name, kind=kind, rgb=rgb, cells=(2 * slot, row, 2, 4))


def _greys(levels: Iterable[float]) -> Iterator[tuple[str, Rgb]]:
    return ((f"grey {100 * level:.0f} %", (level, level, level)) for level in levels)


def _hues(name: str, count: int, saturation: float, value: float) -> Iterator[tuple[str, Rgb]]:
    for i in range(count):
        yield f"{name} {360 // count * i}°", colorsys.hsv_to_rgb(i / count, saturation, value)


_BARS: Final[list[tuple[str, Rgb]]] = [
    (f"{name} {100 * level:.0f} %", (level * red, level * green, level * blue))
    for level in (0.75, 1.0)
    for name, (red, green, blue) in _PRIMARY.items()
]
PATCHES: Final[tuple[Patch, ...]] = (
    *_patches("grey", 0, 0, _greys(i / 20 for i in range(SLOTS))),
    *_patches("near", 4, 0, _greys(_NEAR)),
    *_patches("outside", 4, len(_NEAR), _greys(_OUTSIDE)),
    *_patches("saturated", 8, 0, _BARS),
    *_patches("skin", 8, 12, ((f"skin {i}", rgb) for i, rgb in enumerate(_SKIN, start=1))),
    *_patches("muted", 8, 18, ((f"pastel {i}", rgb) for i, rgb in enumerate(_PASTEL, start=1))),
    *_patches("muted", 12, 0, _hues("hue", 12, 0.5, 0.70)),
    *_patches("muted", 12, 12, _hues("dark hue", 9, 0.6, 0.35)),
)

FULL_RAMP: Final = Ramp(name="ramp", start=0.0, stop=1.0, cells=(0, 16, COLUMNS, 2))
SHALLOW_RAMPS: Final[tuple[Ramp, ...]] = tuple(
    Ramp(name=f"shallow ramp {n}", start=at, stop=at + SHALLOW_SPAN, cells=(0, 17 + n, COLUMNS, 1))
    for n, at in enumerate(SHALLOW_LEVELS, start=1)
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
    """The pixels of a box of cells; edges are even, so that no chroma sample mixes two patches."""
    left, top, wide, high = cells
    return PixelBox(
        left=_even(left * width_px, COLUMNS),
        top=_even(top * height_px, ROWS),
        right=_even((left + wide) * width_px, COLUMNS),
        bottom=_even((top + high) * height_px, ROWS),
    )


def _even(numerator: int, denominator: int) -> int:
    return 2 * round(numerator / denominator / 2)


def inner_box(box: PixelBox) -> PixelBox:
    """The middle half of a box, clear of what a codec does at its edges; again even."""
    across, down = 2 * round((box.right - box.left) / 8), 2 * round((box.bottom - box.top) / 8)
    return PixelBox(
        left=box.left + across,
        top=box.top + down,
        right=box.right - across,
        bottom=box.bottom - down,
    )

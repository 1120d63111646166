"""What each known mistake does to the chart, predicted from the formulas alone.

A signature is the R'G'B' that a viewer would show of every patch if exactly that mistake were
made. Predictions start from the chart's own values, never from a picture.
"""

import itertools
from dataclasses import dataclass
from typing import Final, get_args

import numpy as np

from mezzmark.model.chart import PATCHES
from mezzmark.model.colour import (
    DisplayName,
    Floats,
    MatrixName,
    change_primaries,
    display_light,
    display_signal,
    rgb_to_ycc,
    ycc_to_rgb,
)

VIEWER_TOP: Final = 255.0

PURE_GAMMAS: Final[tuple[DisplayName, ...]] = ("1.96", "2.2", "2.4")

GAMMA_PAIRS: Final[tuple[tuple[DisplayName, DisplayName], ...]] = (
    *itertools.permutations(PURE_GAMMAS, 2),
    ("sRGB", "2.4"),
    ("2.4", "sRGB"),
)
"""(used, meant): 1.96 is what some desktop colour management makes of BT.709 video, 2.2 a desktop
display, 2.4 BT.1886; sRGB is a curve of its own near black."""


EIGHT_BIT: Final = "8-bit steps"
SITING: Final = "chroma siting"
LIMITED_AS_FULL: Final = "limited as full"
FULL_AS_LIMITED: Final = "full as limited"
WIDE_AS_709: Final = "2020 as 709"
NARROW_AS_2020: Final = "709 as 2020"

MATRIX_PAIRS: Final = tuple(itertools.permutations(get_args(MatrixName), 2))
"""(written, read)."""


def matrix_cause(written: MatrixName, read: MatrixName) -> str:
    """The mistake of reading colours written by one matrix with another."""
    return f"matrix {written[3:]} as {read[3:]}"


def gamma_cause(used: DisplayName, meant: DisplayName) -> str:
    """The mistake of using one display curve where the other was meant."""
    return f"gamma {used} for {meant}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """The key of a known mistake and what it makes of the patches: viewer codes 0 to 255, shape
    (patches, 3)."""

    cause: str
    shown_rgb: Floats


def read_limited_as_full(rgb: Floats, *, matrix: MatrixName) -> Floats:
    """R'G'B' shown when limited codes are taken for full ones (8-bit scale of BT.709-6, 4.6)."""
    ycc = rgb_to_ycc(rgb, matrix=matrix)
    return ycc_to_rgb(
        np.stack([(219 * ycc[..., 0] + 16) / 255, *_scaled(ycc, 224 / 255)], axis=-1), matrix=matrix
    )


def read_full_as_limited(rgb: Floats, *, matrix: MatrixName) -> Floats:
    """R'G'B' shown when full codes are taken for limited ones."""
    ycc = rgb_to_ycc(rgb, matrix=matrix)
    return ycc_to_rgb(
        np.stack([(255 * ycc[..., 0] - 16) / 219, *_scaled(ycc, 255 / 224)], axis=-1), matrix=matrix
    )


def read_with_matrix(rgb: Floats, *, written: MatrixName, read: MatrixName) -> Floats:
    """R'G'B' shown when the colours were written by another matrix."""
    return ycc_to_rgb(rgb_to_ycc(rgb, matrix=written), matrix=read)


def show_with_gamma(rgb: Floats, *, used: DisplayName, meant: DisplayName) -> Floats:
    """R'G'B' that on the display meant gives the light of the display used; pure gammas:
    V^(used/meant)."""
    return display_signal(display_light(rgb, display=used), display=meant)


def show_with_primaries(rgb: Floats, *, source: str, target: str) -> Floats:
    """R'G'B' in `target` primaries of the colour that `rgb` is in `source`, through the light of
    a gamma 2.4 display."""
    light = display_light(np.clip(rgb, 0, 1), display="2.4")
    return display_signal(
        np.clip(change_primaries(light, source=source, target=target), 0, 1), display="2.4"
    )


def signatures(*, matrix: MatrixName) -> tuple[Signature, ...]:
    """Every known cause that moves levels or colours, for a chart written with `matrix`."""
    rgb = np.array([patch.rgb for patch in PATCHES], dtype=np.float64)
    shown = {
        LIMITED_AS_FULL: read_limited_as_full(rgb, matrix=matrix),
        FULL_AS_LIMITED: read_full_as_limited(rgb, matrix=matrix),
        WIDE_AS_709: show_with_primaries(rgb, source="BT.709", target="BT.2020"),
        NARROW_AS_2020: show_with_primaries(rgb, source="BT.2020", target="BT.709"),
    }
    for written, read in MATRIX_PAIRS:
        shown[matrix_cause(written, read)] = read_with_matrix(rgb, written=written, read=read)
    for used, meant in GAMMA_PAIRS:
        shown[gamma_cause(used, meant)] = show_with_gamma(rgb, used=used, meant=meant)
    return tuple(
        Signature(cause=cause, shown_rgb=np.clip(changed, 0, 1) * VIEWER_TOP)
        for cause, changed in shown.items()
    )


def _scaled(ycc: Floats, factor: float) -> tuple[Floats, Floats]:
    return ycc[..., 1] * factor, ycc[..., 2] * factor

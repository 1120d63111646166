"""What each known mistake does to the chart, predicted from the formulas alone.

A signature is the R'G'B' that a viewer would show of every patch if exactly that mistake were
made. Predictions start from the chart's own values, never from a picture.
"""

import itertools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal, get_args

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

CauseKind = Literal["range", "matrix", "gamma", "primaries", "depth", "siting"]

PURE_GAMMAS: Final[tuple[DisplayName, ...]] = ("1.96", "2.2", "2.4")

GAMMA_PAIRS: Final[tuple[tuple[DisplayName, DisplayName], ...]] = (
    *itertools.permutations(PURE_GAMMAS, 2),
    ("sRGB", "2.4"),
    ("2.4", "sRGB"),
)
"""(used, meant): 1.96 is what some desktop colour management makes of BT.709 video, 2.2 a desktop
display, 2.4 BT.1886; sRGB is a curve of its own near black."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A known mistake: its key, its kind, and how to say it after "as if"."""

    key: str
    kind: CauseKind
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """A cause and what it makes of the patches: viewer codes 0 to 255, shape (patches, 3)."""

    cause: Cause
    shown_rgb: Floats


EIGHT_BIT: Final = Cause(
    key="8-bit steps", kind="depth", words="a step had worked with 8 bits and dropped the rest"
)
SITING: Final = Cause(
    key="chroma siting", kind="siting", words="chroma were placed by another siting than tagged"
)

LIMITED_AS_FULL: Final = Cause(
    key="limited as full", kind="range", words="limited range were read as full"
)
FULL_AS_LIMITED: Final = Cause(
    key="full as limited", kind="range", words="full range were read as limited"
)
WIDE_AS_709: Final = Cause(
    key="2020 as 709",
    kind="primaries",
    words="BT.2020 primaries were ignored and shown as BT.709",
)
NARROW_AS_2020: Final = Cause(
    key="709 as 2020", kind="primaries", words="BT.709 primaries were shown as BT.2020"
)


def matrix_cause(written: MatrixName, read: MatrixName) -> Cause:
    """The mistake of reading colours written by one matrix with another."""
    return Cause(
        key=f"matrix {written[3:]} as {read[3:]}",
        kind="matrix",
        words=f"colours written with the {written} matrix were read with the {read} matrix",
    )


def gamma_cause(used: DisplayName, meant: DisplayName) -> Cause:
    """The mistake of using one display curve where the other was meant."""
    names = {"sRGB": "the sRGB curve", "2.4": "BT.1886 (gamma 2.4)"}
    return Cause(
        key=f"gamma {used} for {meant}",
        kind="gamma",
        words=f"{names.get(used, f'gamma {used}')} were used in place of "
        f"{names.get(meant, f'gamma {meant}')}",
    )


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
    shown: list[tuple[Cause, Callable[[Floats], Floats]]] = [
        (LIMITED_AS_FULL, lambda rgb: read_limited_as_full(rgb, matrix=matrix)),
        (FULL_AS_LIMITED, lambda rgb: read_full_as_limited(rgb, matrix=matrix)),
        (WIDE_AS_709, lambda rgb: show_with_primaries(rgb, source="BT.709", target="BT.2020")),
        (NARROW_AS_2020, lambda rgb: show_with_primaries(rgb, source="BT.2020", target="BT.709")),
    ]
    for written, read in itertools.permutations(get_args(MatrixName), 2):
        shown.append((matrix_cause(written, read), _matrix_reader(written, read)))
    for used, meant in GAMMA_PAIRS:
        shown.append((gamma_cause(used, meant), _gamma_shower(used, meant)))
    rgb = np.array([patch.rgb for patch in PATCHES], dtype=np.float64)
    return tuple(
        Signature(cause=cause, shown_rgb=np.clip(change(rgb), 0, 1) * VIEWER_TOP)
        for cause, change in shown
    )


def _scaled(ycc: Floats, factor: float) -> tuple[Floats, Floats]:
    return ycc[..., 1] * factor, ycc[..., 2] * factor


def _matrix_reader(written: MatrixName, read: MatrixName) -> Callable[[Floats], Floats]:
    return lambda rgb: read_with_matrix(rgb, written=written, read=read)


def _gamma_shower(used: DisplayName, meant: DisplayName) -> Callable[[Floats], Floats]:
    return lambda rgb: show_with_gamma(rgb, used=used, meant=meant)

"""Colour arithmetic of video: matrices, ranges, transfer functions and primaries, as formulas.

Everything works on float arrays whose last axis is the channel: R'G'B' with 0 = black and
1 = nominal white, or Y'CbCr with Y' as R'G'B' and Cb, Cr from -0.5 to 0.5."""

from typing import Annotated, Final, Literal

import numpy as np
import numpy.typing as npt

from mezzmark.model.fact import Fact, NameIn
from mezzmark.model.footage import ColourTags

Floats = npt.NDArray[np.float64]
MatrixName = Literal["BT.601", "BT.709", "BT.2020"]
TransferName = Literal["BT.1886", "PQ", "HLG"]
DisplayName = Literal["1.96", "2.2", "2.4", "sRGB"]

LUMA_WEIGHTS: Final[dict[MatrixName, tuple[float, float]]] = {
    "BT.601": (0.299, 0.114),
    "BT.709": (0.2126, 0.0722),
    "BT.2020": (0.2627, 0.0593),
}
"""(Kr, Kb); BT.601-7 item 2.5.1, BT.709-6 item 3.2, BT.2020-2 table 4. Kg is 1 - Kr - Kb."""

MATRIX_CODES: Final[dict[MatrixName, int]] = {"BT.709": 1, "BT.601": 6, "BT.2020": 9}
"""ITU-T H.273 matrix code points (601 also has 5, the same numbers)."""

CHROMATICITIES: Final[dict[str, tuple[tuple[float, float], ...]]] = {
    "BT.709": ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060)),
    "BT.2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),
    "BT.601 625 lines": ((0.640, 0.330), (0.290, 0.600), (0.150, 0.060)),
    "BT.601 525 lines": ((0.630, 0.340), (0.310, 0.595), (0.155, 0.070)),
    "P3 D65": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),
}
"""x, y of red, green, blue (BT.709-6, 1.3; BT.2020-2, table 3; H.273, table 2); white is D65."""

PrimariesName = Annotated[str, NameIn(CHROMATICITIES)]

_PRIMARIES: Final = {
    **{1: "BT.709", 5: "BT.601 625 lines", 6: "BT.601 525 lines", 7: "BT.601 525 lines"},
    **{9: "BT.2020", 12: "P3 D65"},
}
PRIMARIES_CODES: Final = {name: code for code, name in reversed(_PRIMARIES.items())}
KNOWN_MATRICES: Final[dict[int, MatrixName]] = {
    **{1: "BT.709", 5: "BT.601", 6: "BT.601", 9: "BT.2020", 10: "BT.2020"}
}
_TRANSFERS: Final[dict[int, TransferName]] = {16: "PQ", 18: "HLG"}
TRANSFER_CODES: Final = {"BT.1886": 1, "PQ": 16, "HLG": 18}
"""ITU-T H.273 code points, tables 2 to 4, as far as a test chart knows them."""

_SAME_CLASS: Final = {"matrix": {5: 6}, "transfer": {6: 1, 14: 1, 15: 1}}
"""Code points of one meaning (H.273, tables 3 and 4): containers merge them."""

WHITE_D65: Final = (0.3127, 0.3290)
LIMITED_RANGE: Final = 1
FULL_RANGE: Final = 2  # FFmpeg's numbers (AVColorRange)
UNSPECIFIED: Final = 2  # ITU-T H.273 value of primaries, transfer and matrix that says nothing

HD_HEIGHT_PX: Final = 720
"""From this height on, a picture that names no matrix is taken for BT.709, below for BT.601, as
players commonly do (ITU-R BT.709 is the HD standard; no standard covers untagged files)."""

_PAL_HEIGHT_PX: Final = 576


class Meaning(Fact):
    """What code values mean to a reader of their tags."""

    matrix: MatrixName
    is_full_range: bool
    primaries: PrimariesName
    transfer: TransferName


def meaning(tags: ColourTags, *, height_px: int) -> Meaning:
    """What a usual viewer takes pictures of these tags for. What is unstated, or no viewer's
    business, is guessed: matrix and primaries by the height, BT.1886 light, limited range."""
    is_hd, is_pal = height_px >= HD_HEIGHT_PX, height_px == _PAL_HEIGHT_PX
    usual = "BT.709" if is_hd else f"BT.601 {625 if is_pal else 525} lines"
    return Meaning(
        matrix=KNOWN_MATRICES.get(tags.matrix, "BT.709" if is_hd else "BT.601"),
        is_full_range=tags.colour_range == FULL_RANGE,
        primaries=_PRIMARIES.get(tags.primaries, usual),
        transfer=_TRANSFERS.get(tags.transfer, "BT.1886"),
    )


def tag_class(field: str, code: int) -> int:
    """The code point that stands for all of the same meaning, of a field of `ColourTags`."""
    return _SAME_CLASS.get(field, {}).get(code, code)


def filled(first: ColourTags, second: ColourTags) -> ColourTags:
    """`first`, and where it says nothing what `second` says."""
    silent = {name: code for name, code in second if getattr(first, name) == _NOTHING[name]}
    return first.model_copy(update=silent)


_NOTHING: Final = dict(ColourTags())


def rgb_to_ycc(rgb: Floats, *, matrix: MatrixName) -> Floats:
    """Y'CbCr of R'G'B' (non-constant luminance)."""
    kr, kb = LUMA_WEIGHTS[matrix]
    red, green, blue = rgb[..., 0], rgb[..., 1], rgb[..., 2]
    luma = kr * red + (1 - kr - kb) * green + kb * blue
    return np.stack([luma, (blue - luma) / (2 - 2 * kb), (red - luma) / (2 - 2 * kr)], axis=-1)


def ycc_to_rgb(ycc: Floats, *, matrix: MatrixName) -> Floats:
    """R'G'B' of Y'CbCr; the inverse of `rgb_to_ycc`. Nothing is clipped."""
    kr, kb = LUMA_WEIGHTS[matrix]
    luma, cb, cr = ycc[..., 0], ycc[..., 1], ycc[..., 2]
    red = luma + (2 - 2 * kr) * cr
    blue = luma + (2 - 2 * kb) * cb
    green = (luma - kr * red - kb * blue) / (1 - kr - kb)
    return np.stack([red, green, blue], axis=-1)


def luma_code(luma: Floats, *, bit_depth: int, is_full_range: bool) -> Floats:
    """Unrounded code value of Y' (BT.709-6 item 4.6; full range is 0 to 2^n - 1)."""
    if is_full_range:
        return luma * float(2**bit_depth - 1)
    return (219 * luma + 16) * float(2 ** (bit_depth - 8))


def chroma_code(chroma: Floats, *, bit_depth: int, is_full_range: bool) -> Floats:
    """Unrounded code value of Cb or Cr (BT.709-6 item 4.6; full range is about 2^(n-1))."""
    if is_full_range:
        return chroma * float(2**bit_depth - 1) + float(2 ** (bit_depth - 1))
    return (224 * chroma + 128) * float(2 ** (bit_depth - 8))


def luma_of_code(code: Floats, *, bit_depth: int, is_full_range: bool) -> Floats:
    """Y' of a code value; the inverse of `luma_code`."""
    if is_full_range:
        return code / float(2**bit_depth - 1)
    return (code / float(2 ** (bit_depth - 8)) - 16) / 219


def chroma_of_code(code: Floats, *, bit_depth: int, is_full_range: bool) -> Floats:
    """Cb or Cr of a code value; the inverse of `chroma_code`."""
    if is_full_range:
        return (code - float(2 ** (bit_depth - 1))) / float(2**bit_depth - 1)
    return (code / float(2 ** (bit_depth - 8)) - 128) / 224


def display_light(signal: Floats, *, display: DisplayName) -> Floats:
    """Relative light (white = 1, black = 0) that a display makes of R'G'B'. "2.4" is BT.1886 with a
    black of zero light; "sRGB" is IEC 61966-2-1; others are pure powers. Below 0 gives 0."""
    signal = np.maximum(signal, 0.0)
    if display == "sRGB":
        low = signal / 12.92
        return np.where(signal <= 0.04045, low, ((signal + 0.055) / 1.055) ** 2.4)
    return np.asarray(signal ** float(display))


def display_signal(light: Floats, *, display: DisplayName) -> Floats:
    """R'G'B' that makes a display show `light`; the inverse of `display_light`."""
    light = np.maximum(light, 0.0)
    if display == "sRGB":
        high = 1.055 * light ** (1 / 2.4) - 0.055
        return np.where(light <= 0.0031308, 12.92 * light, high)
    return np.asarray(light ** (1 / float(display)))


def rgb_to_xyz_matrix(primaries: str) -> Floats:
    """3 × 3 matrix from linear RGB to CIE XYZ with Y = 1 for white (SMPTE RP 177 derivation)."""
    columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in CHROMATICITIES[primaries]]).T
    x, y = WHITE_D65
    white = np.array([x / y, 1.0, (1 - x - y) / y])
    return np.asarray(columns * np.linalg.solve(columns, white))


def change_primaries(light: Floats, *, source: str, target: str) -> Floats:
    """Linear RGB of the same colour in other primaries; may leave 0 to 1 (out of gamut)."""
    matrix = np.linalg.solve(rgb_to_xyz_matrix(target), rgb_to_xyz_matrix(source))
    return np.asarray(light @ matrix.T)


_SDR_PEAK_CD: Final = 100.0  # Of a BT.1886 display: what studios use (ITU-R BT.2035)
_NO_LIGHT_CD: Final = 1e-9  # In place of 0, of which HLG has no inverse

_HLG_PEAK_CD: Final = 1000.0
"""The nominal display of ITU-R BT.2100-2: 1,000 cd/m², whose gamma is 1.2."""


def light_of(signal: Floats, transfer: TransferName) -> Floats:
    """Light in cd/m² that a display makes of R'G'B', in the signal's own primaries: a BT.1886
    display of 100 cd/m² and no black, or PQ and HLG by ITU-R BT.2100-2 (colour-science)."""
    signal = np.maximum(signal, 0.0)
    if transfer == "BT.1886":
        return np.asarray(_SDR_PEAK_CD * signal**2.4)
    from colour.models import eotf_BT2100_HLG, eotf_BT2100_PQ

    if transfer == "PQ":
        return np.asarray(eotf_BT2100_PQ(np.minimum(signal, 1.0)))
    return np.asarray(eotf_BT2100_HLG(signal, L_W=_HLG_PEAK_CD), np.float64)


def signal_of(light_cd: Floats, transfer: TransferName) -> Floats:
    """R'G'B' of light in cd/m²; the inverse of `light_of`."""
    light_cd = np.maximum(light_cd, _NO_LIGHT_CD)
    if transfer == "BT.1886":
        return np.asarray((light_cd / _SDR_PEAK_CD) ** (1 / 2.4))
    from colour.models import eotf_inverse_BT2100_HLG, eotf_inverse_BT2100_PQ

    if transfer == "PQ":
        return np.asarray(eotf_inverse_BT2100_PQ(light_cd))
    with np.errstate(invalid="ignore"):  # it also takes the logarithm of what is not asked for
        return np.asarray(eotf_inverse_BT2100_HLG(light_cd, L_W=_HLG_PEAK_CD), np.float64)


def delta_e_itp(first_cd: Floats, second_cd: Floats, *, primaries: str) -> Floats:
    """ΔE_ITP of ITU-R BT.2124 between linear colours in cd/m² (colour-science); 1 is just
    noticeable to an eye adapted as critically as can be."""
    from colour.difference import delta_E_ITP
    from colour.models import RGB_to_ICtCp

    wide = (
        np.maximum(change_primaries(light, source=primaries, target="BT.2020"), 0)
        for light in (first_cd, second_cd)
    )
    ictcp = (RGB_to_ICtCp(light, method="ITU-R BT.2100-2 PQ", L_p=10_000) for light in wide)
    return np.asarray(delta_E_ITP(*ictcp))

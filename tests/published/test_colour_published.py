"""Colour arithmetic against the published tables in `data/` (sources stated there)."""

import csv
from pathlib import Path

import numpy as np
import pytest
from colour.difference import delta_E_ITP
from skimage import color

from mezzmark.decide.picture.diagnosis import show_with_gamma
from mezzmark.engines.picture.chart import delta_e_of_lab, lab_of
from mezzmark.model.colour import (
    change_primaries,
    chroma_code,
    delta_e_itp,
    display_light,
    display_signal,
    light_of,
    luma_code,
    rgb_to_xyz_matrix,
    rgb_to_ycc,
    signal_of,
    ycc_to_rgb,
)

DATA = Path(__file__).parent / "data"

BARS = {
    "white": (1, 1, 1),
    "yellow": (1, 1, 0),
    "cyan": (0, 1, 1),
    "green": (0, 1, 0),
    "magenta": (1, 0, 1),
    "red": (1, 0, 0),
    "blue": (0, 0, 1),
    "black": (0, 0, 0),
}


def rows(name: str) -> list[dict[str, str]]:
    """The lines of a table, its comments left out."""
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


SHARMA = rows("ciede2000_sharma2005.csv")


@pytest.mark.parametrize("row", SHARMA, ids=lambda row: f"pair {row['pair']}")
def test_delta_e_of_the_34_pairs(row: dict[str, str]) -> None:
    """CIEDE2000 agrees with Sharma, Wu and Dalal 2005, table 1, to their last printed digit.

    Pair 14 has hues exactly 180° apart, where the mean hue may lie on either side: 4.8045 as
    printed, or 4.7461. Sources that leave the pair out do so for this reason.
    """
    first = np.array([float(row[key]) for key in ("L1", "a1", "b1")])
    second = np.array([float(row[key]) for key in ("L2", "a2", "b2")])
    published = [float(row["dE00_published"])]
    if row["pair"] == "14":
        published.append(4.7461)
    found = float(delta_e_of_lab(first, second))
    assert min(abs(found - value) for value in published) <= 5.1e-5


def test_all_34_pairs_are_tried() -> None:
    """The table has the whole of the 34 published pairs."""
    assert [row["pair"] for row in SHARMA] == [str(n) for n in range(1, 35)]


@pytest.mark.parametrize("row", rows("colour_bars_ycbcr.csv"), ids=lambda r: " ".join(r.values()))
def test_colour_bars(row: dict[str, str]) -> None:
    """Bars at 75 % and 100 % have the published limited-range codes at 8, 10 and 12 bits."""
    rgb = np.array(BARS[row["bar"]], dtype=np.float64) * float(row["amplitude"]) / 100
    ycc = rgb_to_ycc(rgb, matrix=row["matrix"])
    bits = int(row["bits"])
    codes = [luma_code(ycc[0], bit_depth=bits, is_full_range=False)] + [
        chroma_code(ycc[i], bit_depth=bits, is_full_range=False) for i in (1, 2)
    ]
    assert [round(float(code)) for code in codes] == [int(row[key]) for key in ("Y", "Cb", "Cr")]


@pytest.mark.parametrize("row", rows("transfer_functions.csv"), ids=lambda row: f"L={row['L']}")
def test_transfer_functions(row: dict[str, str]) -> None:
    """The sRGB encoding gives the published signal for a light."""
    light = np.array([float(row["L"])])
    assert display_signal(light, display="sRGB")[0] == pytest.approx(
        float(row["srgb_encode"]), abs=2e-6
    )


@pytest.mark.parametrize(
    ("signal", "light"), [(0.25, 0.0358968), (0.5, 0.1894646), (0.75, 0.5013569)]
)
def test_bt1886_with_a_black_of_no_light(signal: float, light: float) -> None:
    """BT.1886 with Lb = 0, Lw = 1 (annex 1 of the recommendation, values computed with
    colour-science)."""
    assert display_light(np.array([signal]), display="2.4")[0] == pytest.approx(light, abs=5e-8)


@pytest.mark.parametrize("row", rows("gamma_shift.csv"), ids=lambda r: " ".join(r.values()))
def test_gamma_shift(row: dict[str, str]) -> None:
    """A signal meant for one display gamma and converted for another moves by the tabled amount,
    and the ΔE2000 of that is as tabled (display of the second gamma)."""
    used, meant = row["g_from"], row["g_to"]
    grey = np.full(3, float(row["V"]))
    moved = show_with_gamma(grey, used=used, meant=meant)
    assert moved[0] == pytest.approx(float(row["V_out"]), abs=1e-6)
    light = [grey[:1] ** float(used), grey[:1] ** float(meant)]
    lab = [
        color.xyz2lab(np.array([0.95047, 1.0, 1.08883]) * value, illuminant="D65")
        for value in light
    ]
    expected = float(color.deltaE_ciede2000(lab[0], lab[1]))
    assert expected == pytest.approx(float(row["dE00"]), abs=2e-3)
    # Ours: the moved signal against the signal, both on a display of the gamma meant.
    found = delta_e_of_lab(*(lab_of(signal, display=meant) for signal in (grey, moved)))
    assert float(found) == pytest.approx(expected, abs=2e-3)


def test_lab_agrees_with_another_library() -> None:
    """L*a*b* of sRGB colours agrees with scikit-image (same primaries and curve; D65 there is
    rounded to other digits, hence 0.02)."""
    rgb = np.random.default_rng(5).random((50, 3))
    assert lab_of(rgb, display="sRGB") == pytest.approx(color.rgb2lab(rgb), abs=0.02)


def test_primaries_matrix_of_bt709() -> None:
    """The luminance row of BT.709 RGB → XYZ is the recommendation's 0.2126, 0.7152, 0.0722
    (BT.709-6 item 3.2), and that of BT.2020 0.2627, 0.6780, 0.0593 (BT.2020-2 table 4)."""
    assert rgb_to_xyz_matrix("BT.709")[1] == pytest.approx([0.2126, 0.7152, 0.0722], abs=5e-5)
    assert rgb_to_xyz_matrix("BT.2020")[1] == pytest.approx([0.2627, 0.6780, 0.0593], abs=5e-5)


def test_conversion_of_709_to_2020() -> None:
    """Linear BT.709 → BT.2020 is the matrix of BT.2087-0 (0.6274, 0.3293, 0.0433; …)."""
    published = [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
    found = change_primaries(np.eye(3), source="BT.709", target="BT.2020").T
    assert found == pytest.approx(np.array(published), abs=1e-4)


@pytest.mark.parametrize("matrix", ["BT.601", "BT.709", "BT.2020"])
def test_matrix_and_back(matrix: str) -> None:
    """R'G'B' → Y'CbCr → R'G'B' changes nothing."""
    rgb = np.random.default_rng(1).random((40, 3))
    assert ycc_to_rgb(rgb_to_ycc(rgb, matrix=matrix), matrix=matrix) == pytest.approx(rgb)


def itp_by_hand(first: np.ndarray, second: np.ndarray) -> float:
    """ΔE_ITP of linear BT.2020 cd/m² by the numbers of BT.2100-2 and BT.2124, no library."""
    c1, c2, c3, m1, m2 = 3424 / 4096, 2413 / 128, 2392 / 128, 2610 / 16384, 2523 / 32
    lms = np.array([[1688, 2146, 262], [683, 2951, 462], [99, 309, 3688]]) / 4096
    to_itp = np.array([[2048, 2048, 0], [3305, -6806.5, 3501.5], [17933, -17390, -543]]) / 4096
    powers = [(lms @ light / 10_000) ** m1 for light in (first, second)]
    ends = [to_itp @ (((c1 + c2 * y) / (1 + c3 * y)) ** m2) for y in powers]
    return float(720 * np.linalg.norm(ends[0] - ends[1]))


@pytest.mark.parametrize("row", rows("delta_e_itp_pairs.csv"), ids=lambda row: row["name"])
def test_delta_e_itp_of_published_pairs(row: dict[str, str]) -> None:
    """The library's ΔE_ITP has the nine values that its documentation gives from BT.2124."""
    pair = [[float(row[f"{axis}{n}"]) for axis in ("I", "Ct", "Cp")] for n in (1, 2)]
    assert float(delta_E_ITP(*pair)) == pytest.approx(float(row["dE_ITP"]), abs=1e-7)


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ((203, 203, 203), (207.06, 207.06, 207.06), 1.490955),
        ((1000, 1000, 1000), (1020, 1020, 1020), 1.554347),
        ((203, 0, 0), (203, 2, 0), 8.598659),
        ((100, 50, 25), (100, 50, 26), 1.641778),
        ((0, 0, 0), (0.1, 0.1, 0.1), 44.882017),
    ],
)
def test_delta_e_itp_by_hand(first: tuple, second: tuple, expected: float) -> None:
    """Of light in cd/m² it is what the recommendations' own numbers give, and as computed before;
    BT.709 colours are first brought to BT.2020."""
    one, other = np.array(first, float), np.array(second, float)
    found = float(delta_e_itp(one, other, primaries="BT.2020"))
    assert found == pytest.approx(itp_by_hand(one, other), abs=1e-6)
    assert found == pytest.approx(expected, abs=1e-5)
    wide = [change_primaries(light, source="BT.709", target="BT.2020") for light in (one, other)]
    narrow = float(delta_e_itp(one, other, primaries="BT.709"))
    assert narrow == pytest.approx(itp_by_hand(*wide), abs=1e-6)


def test_one_code_of_grey_is_720_steps_of_the_signal() -> None:
    """On neutrals ΔE_ITP is 720 · |ΔE'|: a 10-bit limited code of PQ is 720 / 876 everywhere."""
    for code in (100, 400, 700):
        signal = (np.array([code, code + 1]) - 64) / 876
        light = light_of(np.repeat(signal[:, None], 3, axis=1), "PQ")
        step = float(delta_e_itp(light[0], light[1], primaries="BT.2020"))
        assert step == pytest.approx(720 / 876, abs=1e-6)


@pytest.mark.parametrize(
    ("transfer", "signal", "light_cd"),
    [("PQ", 0.5, 92.245709), ("PQ", 0.75, 983.378), ("HLG", 0.75, 203.15), ("BT.1886", 1, 100)],
)
def test_light_of_hdr_signals(transfer: str, signal: float, light_cd: float) -> None:
    """BT.2100-2: 75 % of PQ is 983 cd/m², of HLG 203 on a display of 1,000 (BT.2408); and back."""
    grey = np.full(3, signal, dtype=np.float64)
    assert light_of(grey, transfer) == pytest.approx(light_cd, rel=1e-4)
    colour = np.array([0.2, 0.6, 0.4])
    assert signal_of(light_of(colour, transfer), transfer) == pytest.approx(colour, abs=1e-6)

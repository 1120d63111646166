"""Scaling fits against published fits of published data."""

from pathlib import Path

import numpy as np
import pytest

from mezzmark.statistics.scaling import ScalingFit, fit_scaling, peak_core_count, predict_throughput

DATA = Path(__file__).parent / "data"


def _table(name: str) -> tuple[np.ndarray, np.ndarray]:
    rows = np.loadtxt(DATA / name, delimiter=",", skiprows=2)
    return rows[:, 0], rows[:, 1]


@pytest.fixture(scope="module")
def workload_fit() -> ScalingFit:
    return fit_scaling(*_table("usl_specsdm91.csv"), residual_scale="linear")


def test_three_parameters_agree_with_the_published_fit(workload_fit: ScalingFit) -> None:
    """σ 0.0277285, κ 0.0001044, γ 89.995233: printed by the R package usl
    for its data set specsdm91 (nonlinear least squares, equal weights)."""
    assert workload_fit.sigma == pytest.approx(0.0277285, abs=5e-8)
    assert workload_fit.kappa == pytest.approx(0.0001044, abs=5e-8)
    assert workload_fit.gamma == pytest.approx(89.995233, abs=5e-6)


def test_standard_errors_agree_with_the_published_fit(workload_fit: ScalingFit) -> None:
    """Standard errors σ 0.0091217, κ 1.988e-5, γ 14.2134894, from the same printed fit."""
    gamma_se, sigma_se, kappa_se = np.sqrt(np.diag(workload_fit.covariance))
    assert sigma_se == pytest.approx(0.0091217, rel=1e-4)
    assert kappa_se == pytest.approx(1.988e-5, rel=1e-3)
    # ours is of log γ; multiplied by γ it is the delta-method error of γ
    assert gamma_se * workload_fit.gamma == pytest.approx(14.2134894, rel=1e-4)


def test_peak_agrees_with_the_published_fit(workload_fit: ScalingFit) -> None:
    """Peak 96.51956 at throughput 1884, printed for the same fit."""
    peak = peak_core_count(workload_fit, confidence_level=0.95).interval
    assert peak.point == pytest.approx(96.51956, abs=5e-6)
    at_peak = predict_throughput(workload_fit, 97, confidence_level=0.95)
    assert at_peak.point == pytest.approx(1884, abs=0.6)


def test_first_six_rows_of_the_ray_tracer_agree_with_the_published_fit() -> None:
    """σ 0.02444, κ 0.00163, γ 20.85605: printed by the R package usl for its raytracer data."""
    cores, rate = _table("usl_raytracer.csv")
    fit = fit_scaling(cores[:6], rate[:6], residual_scale="linear")
    assert fit.sigma == pytest.approx(0.02444, abs=5e-6)
    assert fit.kappa == pytest.approx(0.00163, abs=5e-6)
    assert fit.gamma == pytest.approx(20.85605, abs=5e-6)


def test_whole_ray_tracer_hits_the_bound_and_shows_no_peak() -> None:
    """Without bounds all eleven rows give κ = −2.0e-4, which no machine can have: the bound holds
    it at 0, the free value stays visible, and no peak is given."""
    fit = fit_scaling(*_table("usl_raytracer.csv"), residual_scale="linear")
    assert fit.free_point[2] == pytest.approx(-2.0e-4, abs=5e-6)
    assert fit.kappa == 0
    assert peak_core_count(fit, confidence_level=0.95).interval is None


@pytest.mark.parametrize(
    ("serial_fraction", "core_count", "speedup"),
    [(0.05, 20, 10.256), (0.05, 1024, 19.636), (0.1, 10, 5.263)],
)
def test_amdahl_speedups(serial_fraction: float, core_count: int, speedup: float) -> None:
    """1 / (s + (1 − s) / N) as tabled widely (Amdahl 1967): a fit to exact points at 1, 2 and 4
    cores predicts them."""
    counts = np.array([1.0, 2.0, 4.0])
    exact = 1 / (serial_fraction + (1 - serial_fraction) / counts)
    fit = fit_scaling(counts, exact, law="amdahl")
    found = predict_throughput(fit, core_count, confidence_level=0.95).point
    assert found == pytest.approx(speedup, abs=5e-4)

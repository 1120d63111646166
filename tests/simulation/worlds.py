"""Six simulated worlds with known truth, in which every interval and verdict must hold.

A world draws latencies in milliseconds of shape (runs, trials, samples). They are caricatures of
what timings do: skew, effects of the process start, rare stalls, two modes, a load that lingers,
a machine that heats up. All spreads are sds of natural logarithms.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

Array = NDArray[np.float64]

MEDIAN_MS: Final = 10.0
SAMPLE_SD: Final = 0.25
TRIAL_SD: Final = 0.02
"""Between identical process starts 2 % is realistic; see the discussion of timing spread in
Kalibera & Jones 2013, "Rigorous benchmarking in reasonable time"."""

STALL_FRACTION: Final = 0.02
STALL_MS: Final = 200.0
STALL_SD: Final = 0.3
SLOW_FRACTION: Final = 0.3
SLOW_MS: Final = 25.0
MODE_SD: Final = 0.15
AUTOCORRELATION: Final = 0.9
DRIFT: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """A name, a way to draw (rng, runs, trials, samples), and the truth.

    `cdf(log_ms, trials)` is the share of all operations at or below exp(log_ms).
    """

    name: str
    draw: Callable[[np.random.Generator, int, int, int], Array]
    cdf: Callable[[float, int], float]

    def true_quantile(self, probability: float, *, trials: int) -> float:
        """The population's quantile in milliseconds, by root-finding on the exact cdf."""
        bounds = (np.log(MEDIAN_MS / 100), np.log(MEDIAN_MS * 1000))
        root = optimize.brentq(
            lambda log_ms: self.cdf(log_ms, trials) - probability, *bounds, xtol=1e-12
        )
        return float(np.exp(root))


def _normal_cdf(log_ms: float, centre_ms: float, sd: float) -> float:
    return float(stats.norm.cdf((log_ms - np.log(centre_ms)) / sd))


def _trial_effect(rng: np.random.Generator, runs: int, trials: int) -> Array:
    return rng.normal(0.0, TRIAL_SD, (runs, trials, 1))


def _base(rng: np.random.Generator, shape: tuple[int, int, int]) -> Array:
    return rng.normal(math.log(MEDIAN_MS), SAMPLE_SD, shape)


def _independent(rng: np.random.Generator, runs: int, trials: int, samples: int) -> Array:
    return np.exp(_base(rng, (runs, trials, samples)))


def _trial(rng: np.random.Generator, runs: int, trials: int, samples: int) -> Array:
    return np.exp(_base(rng, (runs, trials, samples)) + _trial_effect(rng, runs, trials))


def _stalls(rng: np.random.Generator, runs: int, trials: int, samples: int) -> Array:
    shape = (runs, trials, samples)
    stall = math.log(STALL_MS) + STALL_SD * rng.standard_normal(shape)
    logs = np.where(rng.random(shape) < STALL_FRACTION, stall, _base(rng, shape))
    return np.exp(logs + _trial_effect(rng, runs, trials))


def _bimodal(rng: np.random.Generator, runs: int, trials: int, samples: int) -> Array:
    shape = (runs, trials, samples)
    centre = np.where(rng.random(shape) < SLOW_FRACTION, math.log(SLOW_MS), math.log(MEDIAN_MS))
    logs = centre + MODE_SD * rng.standard_normal(shape)
    return np.exp(logs + _trial_effect(rng, runs, trials))


def autoregressive(rng: np.random.Generator, shape: tuple[int, ...]) -> Array:
    """Stationary AR(1) of unit variance along the last axis, coefficient `AUTOCORRELATION`."""
    series: Array = rng.standard_normal(shape)
    fresh = float(np.sqrt(1 - AUTOCORRELATION**2))
    for k in range(1, shape[-1]):
        series[..., k] = AUTOCORRELATION * series[..., k - 1] + fresh * series[..., k]
    return series


def _lingering(rng: np.random.Generator, runs: int, trials: int, samples: int) -> Array:
    logs = math.log(MEDIAN_MS) + SAMPLE_SD * autoregressive(rng, (runs, trials, samples))
    return np.exp(logs + _trial_effect(rng, runs, trials))


def drift_course(trials: int) -> Array:
    """Logarithms of a straight drift of 5 % over a run, zero in its middle."""
    return np.asarray(DRIFT * (np.arange(trials) - (trials - 1) / 2) / max(trials - 1, 1))


def _drift(rng: np.random.Generator, runs: int, trials: int, samples: int) -> Array:
    logs = _base(rng, (runs, trials, samples)) + _trial_effect(rng, runs, trials)
    return np.exp(logs + drift_course(trials)[None, :, None])


_WITH_TRIAL = float(np.hypot(SAMPLE_SD, TRIAL_SD))


def _stalls_cdf(log_ms: float, _trials: int) -> float:
    normal = _normal_cdf(log_ms, MEDIAN_MS, _WITH_TRIAL)
    stall = _normal_cdf(log_ms, STALL_MS, float(np.hypot(STALL_SD, TRIAL_SD)))
    return (1 - STALL_FRACTION) * normal + STALL_FRACTION * stall


def _bimodal_cdf(log_ms: float, _trials: int) -> float:
    sd = float(np.hypot(MODE_SD, TRIAL_SD))
    fast, slow = _normal_cdf(log_ms, MEDIAN_MS, sd), _normal_cdf(log_ms, SLOW_MS, sd)
    return (1 - SLOW_FRACTION) * fast + SLOW_FRACTION * slow


def _drift_cdf(log_ms: float, trials: int) -> float:
    shares = [_normal_cdf(log_ms - d, MEDIAN_MS, _WITH_TRIAL) for d in drift_course(trials)]
    return float(np.mean(shares))


WORLDS: Final = (
    World(
        name="independent log-normal",
        draw=_independent,
        cdf=lambda log_ms, _: _normal_cdf(log_ms, MEDIAN_MS, SAMPLE_SD),
    ),
    World(
        name="trial effect 2 %",
        draw=_trial,
        cdf=lambda log_ms, _: _normal_cdf(log_ms, MEDIAN_MS, _WITH_TRIAL),
    ),
    World(name="2 % stalls", draw=_stalls, cdf=_stalls_cdf),
    World(name="bimodal", draw=_bimodal, cdf=_bimodal_cdf),
    World(
        name="AR(1) 0.9",
        draw=_lingering,
        cdf=lambda log_ms, _: _normal_cdf(log_ms, MEDIAN_MS, _WITH_TRIAL),
    ),
    World(name="5 % linear drift", draw=_drift, cdf=_drift_cdf),
)
"""All but the first carry the trial effect as well."""

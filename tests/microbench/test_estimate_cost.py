"""A million samples are estimated within the memory promised; the time is reported.

20 cells of 100 trials of 500 moves: `pytest tests/microbench --benchmark-enable` prints the time
beside that of one sort of the same samples, which is the least any quantile needs.
"""

import tracemalloc

import numpy as np
import pytest

from fixtures.tails import estimate_tail
from mezzmark.statistics.intervals import log_t_interval

CELLS, TRIALS, SAMPLES = 20, 100, 500
MEMORY_LIMIT_BYTES = 500 * 2**20


@pytest.fixture(scope="module")
def samples() -> np.ndarray:
    return np.random.default_rng(1).lognormal(2.3, 0.25, (CELLS, TRIALS, SAMPLES))


def estimate_all(samples: np.ndarray) -> list[float]:
    """Median, p95 and p99 with intervals for every cell; returns all limits."""
    limits = []
    for cell in samples:
        medians = np.quantile(cell, 0.5, axis=1, method="median_unbiased")
        median = log_t_interval(medians, confidence_level=0.95, without_drift=True)
        limits += [median.low, median.high]
        for probability in (0.95, 0.99):
            interval = estimate_tail(list(cell), probability, confidence_level=0.95).interval
            assert interval is not None
            limits += [interval.low, interval.high]
    return limits


@pytest.mark.benchmark(group="a million samples")
def test_estimates_of_a_million_samples(benchmark, samples: np.ndarray) -> None:
    """Every cell gets three intervals in order of size."""
    limits = np.reshape(benchmark(estimate_all, samples), (CELLS, 6))
    assert (np.diff(limits, axis=1) > 0).all()


@pytest.mark.benchmark(group="a million samples")
def test_sorting_a_million_samples(benchmark, samples: np.ndarray) -> None:
    """The yardstick: the same samples sorted once, cell by cell."""
    ordered = benchmark(np.sort, samples.reshape(CELLS, -1), axis=1)
    assert ordered.shape == (CELLS, TRIALS * SAMPLES)


def test_estimates_stay_within_the_memory_promised(samples: np.ndarray) -> None:
    """Beyond the samples themselves, the peak is below 500 MiB."""
    tracemalloc.start()
    estimate_all(samples)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < MEMORY_LIMIT_BYTES

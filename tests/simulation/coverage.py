"""How often intervals hold the truth, by simulation in the six worlds: the proof of this layer.

Pure: a generator in, rows out. `tests/simulation/coverage_tables.py` prints them for DEVELOPERS.md.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import stats

from fixtures.tails import estimate_tail
from mezzmark.statistics.intervals import Interval, log_t_interval, share_interval
from mezzmark.statistics.spread import is_precise, look_points
from simulation.worlds import Array, World

CONFIDENCE: Final = 0.95

TRUTH_RUNS: Final = 4000
"""Runs whose mean stands for the true log throughput, which has no closed form in all worlds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """In how many of `shown` intervals the truth lay; `runs` - `shown` were withheld."""

    world: str
    held: int
    shown: int
    runs: int

    @property
    def fraction(self) -> float:
        """The share of shown intervals that held the truth; nan where none was shown."""
        return self.held / self.shown if self.shown else math.nan

    def is_at_least(self, fraction: float) -> bool:
        """Whether the simulation leaves that coverage possible (exact binomial, 99.9 %)."""
        return share_interval(self.held, self.shown, confidence_level=0.999).high >= fraction

    def is_at_most(self, fraction: float) -> bool:
        """Whether the simulation leaves no more than that coverage possible (as above)."""
        return share_interval(self.held, self.shown, confidence_level=0.999).low <= fraction


def count_coverage(
    world: World, truth: float, runs: Array, interval_of: Callable[[Array], Interval | None]
) -> Coverage:
    """Coverage of the true value by `interval_of` each run (shape: trials × samples)."""
    intervals = [interval_of(run) for run in runs]
    shown = [interval for interval in intervals if interval is not None]
    held = sum(interval.low <= truth <= interval.high for interval in shown)
    return Coverage(world=world.name, held=held, shown=len(shown), runs=len(intervals))


def median_coverage(
    world: World, rng: np.random.Generator, *, runs: int, trials: int, samples: int
) -> Coverage:
    """Of the median by t on logs of per-trial medians, drift taken out of the spread."""
    truth = world.true_quantile(0.5, trials=trials)
    return count_coverage(world, truth, world.draw(rng, runs, trials, samples), _median_interval)


def _median_interval(run: Array) -> Interval:
    medians = np.quantile(run, 0.5, axis=1, method="median_unbiased")
    return log_t_interval(medians, confidence_level=CONFIDENCE, without_drift=True)


def throughput_coverage(
    world: World, rng: np.random.Generator, *, runs: int, trials: int, samples: int
) -> Coverage:
    """Of the typical trial's operations per second; a trial is `samples` operations end to end."""
    truth = float(np.mean(np.log(_rates(world.draw(rng, TRUTH_RUNS, trials, samples)))))
    return count_coverage(
        world, math.exp(truth), world.draw(rng, runs, trials, samples), _rate_interval
    )


def _rates(runs: Array) -> Array:
    return np.asarray(1000 / runs.mean(axis=-1))


def _rate_interval(run: Array) -> Interval:
    return log_t_interval(_rates(run), confidence_level=CONFIDENCE, without_drift=True)


def tail_coverage(
    world: World,
    probability: float,
    rng: np.random.Generator,
    *,
    runs: int,
    trials: int,
    samples: int,
) -> Coverage:
    """Of a tail quantile by binomial limits at the trials' effective sample size."""

    def interval_of(run: Array) -> Interval | None:
        return estimate_tail(list(run), probability, confidence_level=CONFIDENCE).interval

    truth = world.true_quantile(probability, trials=trials)
    return count_coverage(world, truth, world.draw(rng, runs, trials, samples), interval_of)


def _intervals_by_round(logs: Array) -> tuple[Array, Array]:
    """Mean and half width of the t interval after each round; the first has no width."""
    counts = np.arange(1, logs.shape[1] + 1)
    means = np.cumsum(logs, axis=1) / counts
    squares = np.cumsum(logs**2, axis=1) - counts * means**2
    with np.errstate(invalid="ignore", divide="ignore"):
        errors = np.sqrt(squares / (counts - 1) / counts)
        return means, stats.t.ppf((1 + CONFIDENCE) / 2, counts - 1) * errors


def stopping_coverage(
    round_sd: float, precision_fraction: float, rng: np.random.Generator, *, runs: int, rounds: int
) -> tuple[Coverage, float]:
    """Coverage of the interval shown when the width rule stops a run, and the mean rounds taken.

    Per-round logs are normal with mean 0; a run ends at `rounds` at the latest.
    """
    means, halves = _intervals_by_round(rng.normal(0.0, round_sd, (runs, rounds)))
    widths = np.sinh(halves)
    stops = np.full(runs, rounds)
    for done in range(rounds, 0, -1):
        looks = look_points(done)
        if looks:
            precise = np.array(
                [
                    is_precise(list(run), precision_fraction=precision_fraction)
                    for run in widths[:, [look - 1 for look in looks]]
                ]
            )
            stops[precise] = done
    every = np.arange(runs)
    held = int(np.count_nonzero(np.abs(means[every, stops - 1]) <= halves[every, stops - 1]))
    coverage = Coverage(world="normal rounds", held=held, shown=runs, runs=runs)
    return coverage, float(stops.mean())


def stop_at_difference_coverage(
    round_sd: float, rng: np.random.Generator, *, runs: int, rounds: int, first_look: int
) -> Coverage:
    """The tempting wrong rule: stop as soon as the interval leaves out 0. True mean is 0."""
    means, halves = _intervals_by_round(rng.normal(0.0, round_sd, (runs, rounds)))
    missed = (np.abs(means) > halves)[:, first_look - 1 :].any(axis=1)
    held = runs - int(np.count_nonzero(missed))
    return Coverage(world="normal rounds", held=held, shown=runs, runs=runs)

"""Where the spread of a cell comes from, and how many rounds it takes: power of the t test, the
width of intervals, when to stop, and how to spend the next run's time.

A run stops by the width of its intervals, never by a difference it sees: waiting until a difference
looks significant finds differences that are not there (a false alarm in more than a quarter of
comparisons of identical things, see tests). Waiting for a width is safe only if lucky early
narrowness is not trusted: from the eighth round on the width is looked at every `BLOCK_ROUNDS`
rounds and must hold at `LOOKS_NEEDED` looks in a row. Stopping at the first narrow look, round by
round, lets coverage fall to 90 %; this rule holds 94 % at any spread
(`tests/simulation/coverage_tables.py`).

Spread is one-way random effects on logarithms: a sample is the cell's level + an effect of its
trial + its own deviation. The components are the analysis-of-variance estimates (Searle, Casella &
McCulloch, Variance Components, 1992, chapter 3), the plan that of Kalibera & Jones, "Rigorous
benchmarking in reasonable time", ISMM 2013, section 5. Variances of runs are moderated over cells.
"""

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from mezzmark.statistics.intervals import Floats, t_quantile, t_reach
from mezzmark.statistics.paired import log_margin

MAXIMUM_SAMPLES: Final = 10_000
"""Samples a trial that a plan may ask for at most; the scenario allows more but it helps nobody."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceComponents:
    """Variances of logarithms between trials and within them; `samples_per_trial` is the mean."""

    between: float
    within: float
    samples_per_trial: float

    @property
    def between_fraction(self) -> float:
        """The share of the variance of the cell's mean that more samples a trial cannot lower."""
        sampling = self.within / self.samples_per_trial
        total = self.between + sampling
        return self.between / total if total > 0 else 0.0


def estimate_components(trials: Sequence[Floats]) -> VarianceComponents:
    """From latencies, one array a trial. The estimate between trials is cut at 0. Raises ValueError
    for fewer than two trials, no trial with two samples, or values ≤ 0."""
    counts = np.array([trial.size for trial in trials], dtype=np.float64)
    total = counts.sum()
    means, squares = np.empty(counts.size), np.empty(counts.size)
    for mine in (np.flatnonzero(counts == size) for size in np.unique(counts)):
        logs = np.log(np.stack([trials[place] for place in mine.tolist()]))
        means[mine] = logs.mean(axis=1)
        squares[mine] = ((logs - means[mine, None]) ** 2).sum(axis=1)
    if counts.size < 2 or total <= counts.size or not np.isfinite(means).all():
        raise ValueError("components need positive values of two trials, two of them in one trial")
    grand = float((counts * means).sum() / total)
    within = sum(squares.tolist()) / float(total - counts.size)
    between_square = float((counts * (means - grand) ** 2).sum()) / (counts.size - 1)
    typical = float(total - (counts**2).sum() / total) / (counts.size - 1)
    between, mean = max(0.0, (between_square - within) / typical), float(counts.mean())
    return VarianceComponents(between=between, within=within, samples_per_trial=mean)


def plan_sampling(
    components: VarianceComponents,
    *,
    trial_cost_s: float,
    sample_cost_s: float,
    half_width_fraction: float,
    confidence_level: float,
) -> tuple[int | None, int]:
    """Trials, and samples in each, of the cheapest run whose interval of the mean log is expected
    within ±`half_width_fraction`. Samples a trial: √(cost of a start / cost of a sample × within /
    between), Kalibera & Jones's optimum; then as many trials as the width needs. With no spread
    between trials, one start would be enough for the spread, and the samples are capped instead."""
    ratio = trial_cost_s / sample_cost_s * components.within
    samples = MAXIMUM_SAMPLES
    if components.between > 0:
        samples = min(max(1, round(math.sqrt(ratio / components.between))), MAXIMUM_SAMPLES)
    trials = rounds_for_width(
        half_width_fraction,
        round_sd=math.sqrt(components.between + components.within / samples),
        confidence_level=confidence_level,
    )
    return trials, samples


FEWEST_TO_SPLIT: Final = 8  # Fewer values fall into two groups too often by chance
LEAST_APART: Final = math.log(1.1)  # Two levels closer than a tenth are one to everybody


def split_in_two(logs: Floats) -> int:
    """How many of the values, in rising order, make the lower one of two groups, cut where the gap
    is widest and a fifth lie on either side; 0 where they are not surely of two kinds. How many
    standard deviations within them they must lie apart is found by simulation: of 8 to 30 values of
    one kind, 3 % are split where normal or of heavy tails."""
    few = max(2, math.ceil(logs.size / 5))
    if logs.size < FEWEST_TO_SPLIT:
        return 0
    at = few + int(np.argmax(np.diff(logs)[few - 1 : logs.size - few]))
    low, high = logs[:at], logs[at:]
    apart = float(high.mean() - low.mean())
    spread = math.sqrt(float(low.var() * low.size + high.var() * high.size) / (logs.size - 2))
    return at if apart >= max(LEAST_APART, (3.4 + 20 / logs.size) * spread) else 0


SMALLEST_EXCESS: Final = 1e-6
"""Spread of logs of variances below which millions of degrees of freedom stand behind a mean."""


def moderate_variances(variances: Floats, degrees: float) -> tuple[Floats, float]:
    """Variances of kindred cells, each with so many degrees of freedom, drawn towards what they
    have in common; and the degrees of freedom that they then have. The common value and its weight
    are estimated from the spread of their logs (Smyth, Statistical Applications in Genetics and
    Molecular Biology 3(1), 2004, article 3, sections 4 and 6.2). Where they spread no more than by
    chance all are their mean. There are never more degrees of freedom than all together have."""
    whole = degrees * variances.size
    if variances.size < 2 or not (variances > 0).all():
        return variances, degrees
    logs = np.log(variances) - special.digamma(degrees / 2) + math.log(degrees / 2)
    excess = float(logs.var(ddof=1)) - float(special.polygamma(1, degrees / 2))
    if excess <= SMALLEST_EXCESS:
        return np.full_like(variances, variances.mean()), whole
    prior = 2 * _inverse_trigamma(excess)
    common = math.exp(float(logs.mean()) + special.digamma(prior / 2) - math.log(prior / 2))
    moderated = (prior * common + degrees * variances) / (prior + degrees)
    return moderated, min(whole, prior + degrees)


def _inverse_trigamma(value: float) -> float:
    """Where the trigamma function, which falls from 0 on, has this value."""
    from scipy import optimize  # seldom needed, slow to load

    return float(optimize.brentq(lambda x: special.polygamma(1, x) - value, 1e-6, 1e9))


MAXIMUM_ROUNDS: Final = 16_384  # Beyond this many rounds the answer is "not by more rounds"

_NODES: Final = 2000
"""Points of the integral over the sampling distribution of the spread; the error is below 1e-4."""

BLOCK_ROUNDS: Final = 4
"""Rounds between looks: two rounds with their mirror images, so that orders are balanced."""

FIRST_LOOK_ROUNDS: Final = 8
"""Earlier looks see narrow intervals by luck: from four rounds on coverage falls to 93.9 %."""

LOOKS_NEEDED: Final = 2

POWER: Final = 0.9
"""Nine times in ten: the chance meant by "would have been found" and by "rounds needed"."""


def t_test_power(noncentrality: float, *, degrees: float, error_level: float) -> float:
    """Chance that a two-sided t test at `error_level` finds an effect, in its own direction or not.
    `noncentrality` is the true effect over its true standard error; exact for normal values by the
    noncentral t distribution (Johnson & Welch, Biometrika 31, 1940, 362-389)."""
    limit = t_quantile(1 - error_level / 2, degrees)
    shift = abs(noncentrality)
    power = 1 - float(np.ptp(special.nctdtr(degrees, shift, [-limit, limit])))
    if math.isfinite(power):
        return power
    # scipy gives up far out in the tail; there the integral over the spread is as good.
    spreads = np.sqrt(special.chdtri(degrees, (np.arange(_NODES) + 0.5) / _NODES) / degrees)
    return float(np.mean(special.ndtr(shift - limit * spreads)))


def rounds_for_width(
    half_width_fraction: float, *, round_sd: float, confidence_level: float
) -> int | None:
    """Rounds after which the interval's expected log half-width is at most log(1 + fraction)."""
    target = log_margin(half_width_fraction)

    def is_enough(rounds: int) -> bool:
        half = expected_log_half_width(rounds, round_sd=round_sd, confidence_level=confidence_level)
        return half <= target

    counts = range(2, MAXIMUM_ROUNDS + 1)
    at = bisect_left(counts, True, key=is_enough) if round_sd > 0 else 0
    return counts[at] if at < len(counts) else None


def expected_log_half_width(rounds: int, *, round_sd: float, confidence_level: float) -> float:
    """t limit × sd / √rounds. Raises ValueError for fewer than two rounds."""
    if rounds < 2:
        raise ValueError(f"an interval needs at least two rounds, not {rounds}")
    return t_reach(rounds, confidence_level=confidence_level) * round_sd / math.sqrt(rounds)


def detectable_change(standard_error: float, *, degrees: float, error_level: float) -> float:
    """The smallest change, as a fraction above 1, found nine times in ten; by bisection to 1e-9."""
    low, high = 0.0, 1.0
    while t_test_power(high, degrees=degrees, error_level=error_level) < POWER:
        low, high = high, high * 2
    while high - low > 1e-9 * high:
        middle = (low + high) / 2
        if t_test_power(middle, degrees=degrees, error_level=error_level) < POWER:
            low = middle
        else:
            high = middle
    return math.expm1(high * standard_error)


def look_points(rounds_done: int, *, minimum_rounds: int = FIRST_LOOK_ROUNDS) -> tuple[int, ...]:
    """The round counts at which widths decide after `rounds_done` rounds; empty between looks.
    Looks fall on `minimum_rounds` rounded up to whole blocks and every block after it."""
    first = max(FIRST_LOOK_ROUNDS, math.ceil(minimum_rounds / BLOCK_ROUNDS) * BLOCK_ROUNDS)
    earliest = rounds_done - (LOOKS_NEEDED - 1) * BLOCK_ROUNDS
    if rounds_done % BLOCK_ROUNDS or earliest < first:
        return ()
    return tuple(range(earliest, rounds_done + 1, BLOCK_ROUNDS))


def is_precise(relative_half_widths: Sequence[float | None], *, precision_fraction: float) -> bool:
    """Whether the widest interval was narrow enough at every one of the looks that decide.
    `relative_half_widths` belong to the counts of `look_points`; None is "no interval yet"."""
    return len(relative_half_widths) >= LOOKS_NEEDED and all(
        width is not None and width <= precision_fraction for width in relative_half_widths
    )

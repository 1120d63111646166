"""How many rounds it takes: power of the t test, the width of intervals, and when to stop.

A run stops by the width of its intervals, never by a difference it sees: waiting until a difference
looks significant finds differences that are not there (a false alarm in more than a quarter of
comparisons of identical things, see tests). Waiting for a width is safe only if lucky early
narrowness is not trusted: from the eighth round on the width is looked at every `BLOCK_ROUNDS`
rounds and must hold at `LOOKS_NEEDED` looks in a row. Stopping at the first narrow look, round by
round, lets coverage fall to 90 %; this rule holds 94 % at any spread
(`tests/simulation/coverage_tables.py`).
"""

import math
from bisect import bisect_left
from collections.abc import Sequence
from typing import Final

import numpy as np
from scipy import special

from mezzmark.statistics.intervals import t_quantile, t_reach
from mezzmark.statistics.paired import log_margin

MAXIMUM_ROUNDS: Final = 16_384
"""Beyond this many rounds the answer is "not by more rounds"."""

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

    `noncentrality` is the true effect over its true standard error; exact for normal values by
    the noncentral t distribution (Johnson & Welch, Biometrika 31, 1940, 362-389).
    """
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


def detectable_change(
    standard_error: float, *, degrees: float, error_level: float, power: float = POWER
) -> float:
    """The smallest change, as a fraction above 1, that would have been found with that power.

    Found by bisection on the noncentrality, to 1e-9 of it.
    """
    low, high = 0.0, 1.0
    while t_test_power(high, degrees=degrees, error_level=error_level) < power:
        low, high = high, high * 2
    while high - low > 1e-9 * high:
        middle = (low + high) / 2
        if t_test_power(middle, degrees=degrees, error_level=error_level) < power:
            low = middle
        else:
            high = middle
    return math.expm1(high * standard_error)


def look_points(rounds_done: int, *, minimum_rounds: int = FIRST_LOOK_ROUNDS) -> tuple[int, ...]:
    """The round counts at which widths decide after `rounds_done` rounds; empty between looks.

    Looks fall on `minimum_rounds` rounded up to whole blocks and every block after it.
    """
    first = max(FIRST_LOOK_ROUNDS, math.ceil(minimum_rounds / BLOCK_ROUNDS) * BLOCK_ROUNDS)
    earliest = rounds_done - (LOOKS_NEEDED - 1) * BLOCK_ROUNDS
    if rounds_done % BLOCK_ROUNDS or earliest < first:
        return ()
    return tuple(range(earliest, rounds_done + 1, BLOCK_ROUNDS))


def is_precise(relative_half_widths: Sequence[float | None], *, precision_fraction: float) -> bool:
    """Whether the widest interval was narrow enough at every one of the looks that decide.

    `relative_half_widths` belong to the counts of `look_points`; None is "no interval yet".
    """
    return len(relative_half_widths) >= LOOKS_NEEDED and all(
        width is not None and width <= precision_fraction for width in relative_half_widths
    )

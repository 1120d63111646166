"""How often a need of p95 is called met or missed whose truth lies at the limit, and how often one
with 1 % slow moves is called met.

    python tests/simulation/need_rates.py [runs]

The truth comes by root-finding on the world's own distribution, never from moves. A trial has 24
moves of 10 ms with a log-sd of 0.3; the slow ones take 5 times that, and bad trials 1.5 times.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from mezzmark.statistics.tails import claim_share

SEED = 20263
MOVE_SD, TRIAL_SD, STALL, BAD, BAD_SHARE, LINGER = 0.3, 0.05, np.log(5), np.log(1.5), 0.2, 0.9
LINGER_SD, OWN_SD = 0.2, 0.2
MOVES = 24

Floats = np.ndarray


@dataclass(frozen=True)
class Slow:
    """A world: logs of (runs, trials, moves), and the share of all moves at or below a log."""

    name: str
    draw: Callable[[np.random.Generator, tuple[int, int, int]], Floats]
    cdf: Callable[[float], float]
    limit: float | None = None

    def at_limit(self) -> float:
        """The true p95, or the limit that this world is held to."""
        if self.limit is not None:
            return self.limit
        return float(optimize.brentq(lambda log: self.cdf(log) - 0.95, -5, 5))


def stalls(share: float, limit: float | None = None) -> Slow:
    """So many moves, independently, take five times as long."""

    def draw(rng: np.random.Generator, shape: tuple[int, int, int]) -> Floats:
        return rng.normal(0, MOVE_SD, shape) + STALL * (rng.random(shape) < share)

    def cdf(log: float) -> float:
        ends = stats.norm.cdf([log / MOVE_SD, (log - STALL) / MOVE_SD])
        return float((1 - share) * ends[0] + share * ends[1])

    return Slow(f"{100 * share:g} % stalls", draw, cdf, limit)


def _trials(rng: np.random.Generator, shape: tuple[int, int, int]) -> Floats:
    return rng.normal(0, MOVE_SD, shape) + rng.normal(0, TRIAL_SD, (*shape[:2], 1))


def _bad(rng: np.random.Generator, shape: tuple[int, int, int]) -> Floats:
    return rng.normal(0, MOVE_SD, shape) + BAD * (rng.random((*shape[:2], 1)) < BAD_SHARE)


def _bad_cdf(log: float) -> float:
    ends = stats.norm.cdf([log / MOVE_SD, (log - BAD) / MOVE_SD])
    return float((1 - BAD_SHARE) * ends[0] + BAD_SHARE * ends[1])


def _lingering(rng: np.random.Generator, shape: tuple[int, int, int]) -> Floats:
    """Load that goes on from one trial into the next."""
    series = rng.standard_normal((shape[0], shape[1] * shape[2]))
    for k in range(1, series.shape[1]):
        series[:, k] = LINGER * series[:, k - 1] + np.sqrt(1 - LINGER**2) * series[:, k]
    return rng.normal(0, OWN_SD, shape) + LINGER_SD * series.reshape(shape)


AT_LIMIT = (
    stalls(0.03),
    stalls(0.06),
    Slow(
        "trial effects 5 %",
        _trials,
        lambda log: float(stats.norm.cdf(log / np.hypot(MOVE_SD, TRIAL_SD))),
    ),
    Slow("bad trials, 1 in 5", _bad, _bad_cdf),
    Slow(
        "lingering load",
        _lingering,
        lambda log: float(stats.norm.cdf(log / np.hypot(OWN_SD, LINGER_SD))),
    ),
)
GOOD = stalls(0.01, limit=0.6 * float(STALL))


def rates(world: Slow, rng: np.random.Generator, runs: int, rounds: int) -> tuple[float, float]:
    """Shares of runs called met and missed."""
    inside = (world.draw(rng, (runs, rounds, MOVES)) <= world.at_limit()).sum(axis=2)
    counts = np.full(rounds, float(MOVES))
    claims = [claim_share(one, counts, 0.95, confidence_level=0.95) for one in inside]
    met = np.mean([claim.p_met <= 0.05 for claim in claims])
    return float(met), float(np.mean([claim.p_missed <= 0.05 for claim in claims]))


def main(runs: int) -> None:
    """Prints a row a world."""
    print("| world | 10 rounds: met | missed | 20 rounds: met | missed |\n|---|---|---|---|---|")
    for world in (*AT_LIMIT, GOOD):
        rng = np.random.default_rng([SEED, *world.name.encode()])
        found = [100 * r for rounds in (10, 20) for r in rates(world, rng, runs, rounds)]
        print(f"| {world.name} | {' | '.join(f'{rate:.1f}' for rate in found)} |")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4000)

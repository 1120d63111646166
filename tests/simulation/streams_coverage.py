"""How often the interval of k* holds the truth: `python tests/simulation/streams_coverage.py`.

A round's capacity is log-normal about the machine's with a spread of 0 to 8 %; a stream has late
pictures by a cliff about it; each round searches as the task does, with trials of 240 pictures.
"""

import sys

import numpy as np

from mezzmark.decide.estimate.rounds import estimate_count
from mezzmark.model.tasks.streams import Level, StreamsMeasurement, search_streams

PICTURES = 240
SPREADS = (0.0, 0.03, 0.06, 0.08)
CAPACITIES = (1.5, 3.02, 4.5, 5.97, 8.4, 12.5)


def round_count(capacity: float, spread: float, rng: np.random.Generator) -> int:
    """What one round comes to; also that of the world, of very many."""
    own = capacity * float(np.exp(spread * rng.standard_normal()))

    def passes(count: int) -> bool:
        share = 1 / (1 + np.exp(-(count / own - 1) / 0.02))
        worst = int(rng.binomial(PICTURES, share / 2, size=count).max())
        level = Level(count, PICTURES * count, worst, worst)
        return StreamsMeasurement(duration_s=10.0, levels=(level,), proof=()).passed[count]

    known = search_streams(passes, most=32, rng=rng)
    return min((n for n, passed in known.items() if not passed), default=33) - 1


def coverage(
    capacity: float, spread: float, *, runs: int, rounds: int = 6, seed: int = 5
) -> tuple[float, float]:
    """Share of runs whose interval holds the typical round's number, and its mean width."""
    rng = np.random.default_rng([seed, int(100 * capacity), int(100 * spread)])
    truth = sorted(round_count(capacity, spread, rng) for _ in range(1500))[749]
    found = [
        estimate_count([round_count(capacity, spread, rng) for _ in range(rounds)], "", 1, 0.95)
        for _ in range(runs)
    ]
    held = [one.low <= truth <= one.high for one in found]
    return float(np.mean(held)), float(np.mean([one.high - one.low for one in found]))


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    for capacity in CAPACITIES:
        for spread in SPREADS:
            held, width = coverage(capacity, spread, runs=runs)
            world = f"capacity {capacity:5.2f}, spread {spread:.0%}"
            print(f"{world}: held {held:.1%}, mean width {width:.2f}")

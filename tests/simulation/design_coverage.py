"""Prints how often medians and p95 of stratified moves hold the truth:
`python tests/simulation/design_coverage.py [RUNS]` (2,000 runs a figure by default; seed fixed).

Trials play one block in the first round and more in the others, as in a real run. The p95 is shown
for several limits of the effective number, in times the moves there are.
"""

import sys
from pathlib import Path
from unittest.mock import patch

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from fixtures.tails import estimate_tail
from mezzmark.statistics import tails
from mezzmark.statistics.intervals import Interval, log_t_interval
from mezzmark.statistics.quantiles import quantile
from simulation.coverage import CONFIDENCE, count_coverage
from simulation.design_worlds import FOOTAGE, Footage, draw_runs, hypercube, true_quantile
from simulation.worlds import WORLDS, Array, World

SEED = 20_262
DESIGNS = (((1, *(4,) * 9), 12), ((1, *(7,) * 5), 12), ((1, *(2,) * 9), 24))
LIMITS = (1.0, 2.0, 1e9)


def tail_of(run: list[Array]) -> Interval | None:
    """The p95 as reports have it."""
    return estimate_tail(run, 0.95, confidence_level=CONFIDENCE, is_stratified=True).interval


def median_of(run: list[Array]) -> Interval:
    """The median as reports have it."""
    medians = [quantile(trial, 0.5) for trial in run]
    return log_t_interval(medians, confidence_level=CONFIDENCE, without_drift=True)


def shown(footage: Footage, world: World, runs: list[list[Array]], probability: float) -> str:
    """Coverage in %, how many were withheld, and the mean half-width in %."""
    interval_of = median_of if probability == 0.5 else tail_of
    truth = true_quantile(footage, world, probability, trials=len(runs[0]))
    found: list[Interval | None] = []

    def keep(run: list[Array]) -> Interval | None:
        found.append(interval_of(run))
        return found[-1]

    coverage = count_coverage(world, truth, runs, keep)
    widths = [np.log(one.high / one.low) / 2 for one in found if one is not None]
    withheld = 100 * (coverage.runs - coverage.shown) / coverage.runs
    note = f", {withheld:.0f} % withheld" if withheld else ""
    return f"{100 * coverage.fraction:.1f} (±{100 * np.mean(widths):.1f}{note})"


def main(count: int) -> None:
    """One table, a row a design, footage and figure."""
    heads = ["rounds × blocks × moves", "footage", "figure", *(world.name for world in WORLDS)]
    print("| " + " | ".join(heads) + " |\n" + "|---" * len(heads) + "|")
    for blocks, moves in DESIGNS:
        for footage in FOOTAGE:
            rng = np.random.default_rng([SEED, moves, blocks[-1], footage.frame_count])
            pool = hypercube(footage, moves, rng)
            drawn = [
                list(draw_runs(footage, world, pool, rng, runs=count, blocks=blocks))
                for world in WORLDS
            ]
            start = [f"{len(blocks)} × {blocks[-1]} × {moves}", footage.name]
            pairs = list(zip(WORLDS, drawn, strict=True))
            medians = [shown(footage, *pair, 0.5) for pair in pairs]
            print(f"| {' | '.join([*start, 'median', *medians])} |", flush=True)
            for limit in LIMITS:
                name = "p95, no limit" if limit > 10 else f"p95, at most {limit:g} ×"
                with patch.object(tails, "STRATIFIED_GAIN", limit):
                    cells = [shown(footage, *pair, 0.95) for pair in pairs]
                print(f"| {' | '.join([*start, name, *cells])} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)

"""How well pilot trials name the best player: coverage of the named one's interval and mean loss.

A trial's median differs from its player's level by the pass (all players alike), by the trial, by
its moves, and in some worlds by a slow state of whole trials; all but that symmetric on logs, so a
figure's truth is the level times the state's geometric mean.

    python tests/simulation/best_player.py 2000
"""

import math
import sys
from itertools import product

import numpy as np

from mezzmark.decide.estimate.best_player import costs_of_pilots, still_racing
from mezzmark.decide.estimate.observed_run import Observation
from mezzmark.decide.estimate.rounds import estimate_values
from mezzmark.model.cell import Cell, Setting
from mezzmark.model.players import BEST
from mezzmark.model.records import Trial
from mezzmark.model.tasks.scrub import PILOT_MOVES
from mezzmark.model.tasks.spec import Work
from mezzmark.runner.plan import PILOT_PASSES

SEED = 2026_11_29
ROUNDS, MOVES = 10, 24
PASS_SD, TRIAL_SD, MOVE_SD = 0.05, 0.05, 0.3
SLOW_SHARE, SLOW_RATIO = 0.3, 1.38
CELLS = [
    Cell(task="scrub", clip="a", encoding="e", setting=Setting(pattern=name, player=BEST))
    for name in ("jump", "near")
]


def medians(rng: np.random.Generator, levels: np.ndarray, moves: int, slow: float) -> np.ndarray:
    """Trial medians on logs, players × patterns, of one pass or round."""
    shape = (levels.size, len(CELLS))
    logs = np.log(levels)[:, None] + rng.normal(0, PASS_SD, (1, len(CELLS)))
    logs = logs + rng.normal(0, TRIAL_SD, shape)
    logs = logs + np.median(rng.normal(0, MOVE_SD, (*shape, moves)), axis=2)
    return logs + math.log(SLOW_RATIO) * (rng.random(shape) < slow)


def pilot(rng: np.random.Generator, levels: np.ndarray, slow: float) -> tuple[int, float]:
    """The player that the shipped rule names, and the pilot trials of a pattern and player."""
    pilots: list[Observation] = []
    racing = tuple(map(str, range(levels.size)))
    for _ in range(PILOT_PASSES):
        logs = medians(rng, levels, PILOT_MOVES, slow)
        for player, (k, cell) in product(racing, enumerate(CELLS)):
            trial = Trial.model_construct(player=player)
            figures, work = {"p50_ms": math.exp(logs[int(player), k])}, Work(sample_count=1)
            one = Observation(cell=cell, round_index=0, figures=figures, work=work, trial=trial)
            pilots.append(one)
        (costs,) = costs_of_pilots(pilots).values()
        racing = still_racing(costs)
    return int(next(iter(costs))), len(pilots) / len(CELLS) / levels.size


def row(levels: np.ndarray, slow: float, runs: int, rng: np.random.Generator) -> str:
    """Coverage and loss of who was named by pilots, beside the least of the figures themselves."""
    truth, hits, losses, trials = levels * SLOW_RATIO**slow, [], [], 0.0
    for _ in range(runs):
        named, count = pilot(rng, levels, slow)
        trials += count / runs
        rest = np.stack([medians(rng, levels, MOVES, slow) for _ in range(ROUNDS)])
        pair = (named, int(rest.mean(axis=(0, 2)).argmin()))
        found = [estimate_values(np.exp(rest[:, p, 0]).tolist(), "", 1, 0.95) for p in pair]
        hits.append([e.low <= truth[p] <= e.high for e, p in zip(found, pair, strict=True)])
        losses.append([levels[p] / levels.min() - 1 for p in pair])
    (covers, by_figures), (loss, _) = 100 * np.mean(hits, axis=0), 100 * np.mean(losses, axis=0)
    return f"{covers:.1f} | {loss:.1f} % | {trials:.1f} | {by_figures:.1f}"


def main(runs: int) -> None:
    rng = np.random.default_rng(SEED)
    for slow in (0.0, SLOW_SHARE):
        for step, count in product((0.0, 0.02, 0.05, 0.2), range(2, 7)):
            found = row((1 + step) ** np.arange(count), slow, runs, rng)
            print(f"| {100 * step:.0f} % | {count} | {slow:g} | {found} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]))

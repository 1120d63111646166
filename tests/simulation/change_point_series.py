"""Histories with known truth: run means over rounds, with spread inside runs and between them."""

from dataclasses import dataclass

import numpy as np

from mezzmark.statistics.change_points import ChangePoint, find_change_points


@dataclass(frozen=True, kw_only=True)
class World:
    """Standard deviations (log units) of a round inside a run and of whole runs; how far a run
    remembers the last one; a drift over the whole history."""

    round_sd: float = 0.03
    run_sd: float = 0.02
    memory: float = 0.0
    drift: float = 0.0


WORLDS = {
    "rounds 3 %, runs alike": World(run_sd=0.0),
    "rounds 3 %, runs 2 %": World(),
    "rounds 0.5 %, runs 2 %": World(round_sd=0.005),
}
"""Where the promise holds: runs are fair draws."""

BEYOND = {
    "runs remember each other (AR(1) 0.5)": World(memory=0.5),
    "drift of 5 % over the history": World(drift=0.05),
}
"""Where it does not, for what looks like a change is one of the machine."""


@dataclass(frozen=True, kw_only=True)
class History:
    """So many runs of so many rounds; at run `place` the level steps by `step` (log units)."""

    run_count: int
    round_count: int = 6
    step: float = 0.0
    place: int = 0


def draw_series(
    world: World, history: History, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Run means of log cost and their standard errors, as a history is judged by."""
    count = history.run_count
    runs = rng.normal(0, world.run_sd, count)
    for index in range(1, count):
        fresh = np.sqrt(1 - world.memory**2)
        runs[index] = world.memory * runs[index - 1] + fresh * runs[index]
    runs += world.drift * np.arange(count) / max(count - 1, 1)
    runs[history.place :] += history.step if history.place else 0.0
    rounds = runs[:, None] + rng.normal(0, world.round_sd, (count, history.round_count))
    return rounds.mean(axis=1), rounds.std(axis=1, ddof=1) / np.sqrt(history.round_count)


def draw_changes(
    world: World, history: History, count: int, rng: np.random.Generator
) -> list[tuple[ChangePoint, ...]]:
    """The changes found in `count` histories at 5 %."""
    return [
        find_change_points(*draw_series(world, history, rng), error_level=0.05)
        for _ in range(count)
    ]

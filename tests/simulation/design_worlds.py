"""Playhead moves of a long group of pictures in the six worlds: what the request design does.

A move costs in proportion to its target's place in the group (as measured on a real decoder, see
DEVELOPERS.md), times the noise of a world of `simulation.worlds`. The truth is the quantile of the
mixture over all frames, by root-finding on the world's exact cdf: no draw enters it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import optimize

from mezzmark.model.tasks.patterns import Groups, groups_of, spread_targets
from simulation.worlds import MEDIAN_MS, Array, World

FRAME_MS: Final = 1.2
SEEK_MS: Final = 6.0
"""A jump to a key frame takes 7 ms, and to the last of a group of 48 frames 64."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Footage:
    """A clip of groups of pictures of equal length; `is_intra` where every move costs the same."""

    name: str
    frame_count: int
    group: int = 48
    is_intra: bool = False

    @property
    def groups(self) -> Groups:
        """Where the groups of the original begin."""
        return groups_of(self.frame_count, range(0, self.frame_count, self.group))

    @property
    def costs_ms(self) -> Array:
        """What a jump to each frame costs, before the world's noise."""
        places = np.arange(self.frame_count) % self.group
        return (
            np.full(self.frame_count, MEDIAN_MS) if self.is_intra else SEEK_MS + FRAME_MS * places
        )


FOOTAGE: Final = (
    Footage(name="6 s", frame_count=144),
    Footage(name="60 s", frame_count=1440),
    Footage(name="6 s, intra", frame_count=144, is_intra=True),
)

POOL: Final = 2000
"""Blocks drawn once and dealt out at random: a run of some dozen meets few twice."""


def hypercube(footage: Footage, moves: int, rng: np.random.Generator) -> np.ndarray:
    """`POOL` blocks of so many moves, a row each, as `jump` draws them."""
    return np.array([spread_targets(footage.groups, moves, rng) for _ in range(POOL)])


def independent(footage: Footage, moves: int, rng: np.random.Generator) -> np.ndarray:
    """The same as `jump` drew before: each frame by itself."""
    return rng.integers(0, footage.frame_count, (POOL, moves))


def true_quantile(footage: Footage, world: World, probability: float, *, trials: int) -> float:
    """Of the move to a uniform frame, in ms."""
    costs, counts = np.unique(footage.costs_ms, return_counts=True)
    shares = counts / counts.sum()

    def excess(log_ms: float) -> float:
        offsets = np.log(costs / MEDIAN_MS)
        return (
            sum(
                share * world.cdf(log_ms - offset, trials)
                for share, offset in zip(shares, offsets, strict=True)
            )
            - probability
        )

    bounds = (np.log(costs[0] / 1000), np.log(costs[-1] * 1000))
    return float(np.exp(optimize.brentq(excess, *bounds, xtol=1e-10)))


def draw_runs(
    footage: Footage,
    world: World,
    pool: np.ndarray,
    rng: np.random.Generator,
    *,
    runs: int,
    blocks: tuple[int, ...],
) -> Iterator[list[Array]]:
    """Runs as latencies in ms, one array a trial, of so many blocks each, dealt from a
    pool of them."""
    moves = pool.shape[1]
    noise = world.draw(rng, runs, len(blocks), max(blocks) * moves) / MEDIAN_MS
    costs = footage.costs_ms[pool]
    for run in noise:
        yield [
            costs[rng.integers(0, POOL, count)].ravel() * trial[: count * moves]
            for trial, count in zip(run, blocks, strict=True)
        ]

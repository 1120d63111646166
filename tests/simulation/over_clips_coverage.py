"""Coverage and width of every figure over clips, in worlds whose truth is known by integration.

A move's latency is log-normal about its clip's level, moved by its round (all clips alike), by its
trial, and in some of the moves by a stall; so its distribution over runs is a mixture of log-normal
ones, in closed form. A trial's time per frame is log-normal with some slow trials; the typical
round's is found by integrating the sum of two clips' densities.

    python tests/simulation/over_clips_coverage.py 1000
"""

import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np
from scipy.integrate import trapezoid
from scipy.optimize import brentq
from scipy.stats import norm

from mezzmark.decide.estimate.observed_run import Observation
from mezzmark.decide.estimate.over_clips import common_rounds, over_clips, share_within, work_shares
from mezzmark.decide.estimate.pooling import compare_groups
from mezzmark.decide.estimate.rounds import (
    estimate_rate,
    frames_and_seconds,
    with_missed_slow_rounds,
)
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import Estimate
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.spec import Work

LEVEL = 0.95
SEED = 2026_11_28
MOVE_SD, ROUND_SD, TRIAL_SD, OPEN_SD = 0.3, 0.05, 0.03, 0.2
STALL_SHARE, STALL_RATIO = 0.03, 4.0


@dataclass(frozen=True)
class Moves:
    """Two clips: their levels in ms, shares of time, and moves a trial."""

    name: str
    levels_ms: tuple[float, float]
    shares: tuple[float, float]
    counts: tuple[int, int]
    rounds: int
    limit_ms: float

    @property
    def mix(self) -> dict[str, float]:
        return dict(zip("ab", self.shares, strict=True))

    def below(self, latency_ms: float) -> float:
        """The share of all moves of the mix that take at most so long, over endless runs."""
        sd = math.hypot(MOVE_SD, ROUND_SD, TRIAL_SD)
        return sum(
            share * weight * norm.cdf(math.log(latency_ms / level / ratio), scale=sd)
            for share, level in zip(self.shares, self.levels_ms, strict=True)
            for weight, ratio in ((1 - STALL_SHARE, 1.0), (STALL_SHARE, STALL_RATIO))
        )

    def quantile(self, probability: float) -> float:
        return float(brentq(lambda x: self.below(x) - probability, 0.1, 1e5, xtol=1e-9))

    def opened(self) -> float:
        """The typical round's time to open a file: exp of the mean log of the shared sum, over both
        clips' noise (Gauss-Hermite); the round moves both clips alike and has mean log 0."""
        nodes, weights = np.polynomial.hermite_e.hermegauss(40)
        spread = np.exp(OPEN_SD * nodes)
        a, b = (s * ms * spread for s, ms in zip(self.shares, self.levels_ms, strict=True))
        logs = np.log(a[:, None] + b[None, :])
        return math.exp(float(weights @ logs @ weights) / weights.sum() ** 2)

    def draw(
        self, rng: np.random.Generator, encoding: str = "e", speed: float = 1.0
    ) -> dict[str, list[Observation]]:
        of_round = rng.normal(0, ROUND_SD, self.rounds)
        return {
            clip: [
                self._trial(rng, clip, encoding, index, effect, level / speed, count)
                for index, effect in enumerate(of_round)
            ]
            for clip, level, count in zip("ab", self.levels_ms, self.counts, strict=True)
        }

    @staticmethod
    def _trial(
        rng: np.random.Generator,
        clip: str,
        encoding: str,
        index: int,
        effect: float,
        level: float,
        count: int,
    ) -> Observation:
        logs = effect + rng.normal(0, TRIAL_SD) + rng.normal(0, MOVE_SD, count)
        logs += math.log(STALL_RATIO) * (rng.random(count) < STALL_SHARE)
        moves = level * np.exp(logs)
        return Observation(
            cell=Cell(task="scrub", clip=clip, encoding=encoding),
            round_index=index,
            figures={
                "p50_ms": float(np.median(moves)),
                "open_ms": level * math.exp(effect + rng.normal(0, OPEN_SD)),
            },
            work=Work(sample_count=count, latencies_ms=moves),
        )


@dataclass(frozen=True)
class Speeds:
    """Two clips encoded at these frames a second; some trials are slower by a ratio."""

    name: str
    fps: tuple[float, float]
    frame_rates: tuple[float, float]
    shares: tuple[float, float]
    slow_share: float
    slow_ratio: float
    rounds: int
    sd: float = 0.02

    @property
    def weights(self) -> list[float]:
        """Hours of each clip in an hour of the mix, at no noise."""
        return [s * r / f for s, r, f in zip(self.shares, self.frame_rates, self.fps, strict=True)]

    def total(self) -> float:
        """Hours for an hour, in the mean over endless trials."""
        each = math.exp(self.sd**2 / 2) * (1 + self.slow_share * (self.slow_ratio - 1))
        return sum(self.weights) * each

    def _below(self, hours: float) -> float:
        """The chance that a round takes at most so many hours: over one clip's noise (Gauss-Hermite
        is of no use at a step, so by a fine grid), the other's distribution."""
        z = np.linspace(-8, 8, 8001)
        kinds = ((1 - self.slow_share, 1.0), (self.slow_share, self.slow_ratio))
        a, b = self.weights
        chance = np.zeros_like(z)
        for weight_a, ratio_a in kinds:
            left = hours - a * ratio_a * np.exp(self.sd * z)
            for weight_b, ratio_b in kinds:
                reach = np.log(np.maximum(left, 1e-300) / b / ratio_b) / self.sd
                chance += weight_a * weight_b * norm.cdf(reach)
        return float(trapezoid(chance * norm.pdf(z), z))

    def typical(self) -> float:
        """Hours for an hour in the median round."""
        middle = sum(self.weights)
        low, high = middle * 0.8, middle * self.slow_ratio * 1.2
        return float(brentq(lambda h: self._below(h) - 0.5, low, high, xtol=1e-7))

    def draw(self, rng: np.random.Generator) -> dict[str, list[Observation]]:
        shape = (2, self.rounds)
        cost = np.exp(rng.normal(0, self.sd, shape))
        cost *= np.where(rng.random(shape) < self.slow_share, self.slow_ratio, 1.0)
        return {
            clip: [
                Observation(
                    cell=Cell(task="encode", clip=clip, encoding="e"),
                    round_index=index,
                    figures={"throughput_fps": fps / of_trial},
                    work=Work(
                        sample_count=1, frame_count=1000, wall_ns=round(1e12 * of_trial / fps)
                    ),
                )
                for index, of_trial in enumerate(costs)
            ]
            for clip, fps, costs in zip("ab", self.fps, cost, strict=True)
        }


MOVES = (
    Moves("12 and 10 ms", (12, 10), (0.5, 0.5), (48, 48), 10, 30),
    Moves("400 and 10 ms", (400, 10), (0.5, 0.5), (48, 48), 10, 500),
    Moves("400 and 10 ms, shares 0.2 and 0.8", (400, 10), (0.2, 0.8), (48, 48), 10, 100),
    Moves("400 and 10 ms, 24 and 240 moves", (400, 10), (0.5, 0.5), (24, 240), 10, 500),
    Moves("40 and 10 ms", (40, 10), (0.5, 0.5), (48, 48), 5, 50),
)

HALVES, PARTS = (0.5, 0.5), (0.3, 0.7)

SPEEDS = (
    Speeds("2 and 200 fps", (2, 200), (25, 25), HALVES, 0.0, 1.0, 10),
    Speeds("2 and 200 fps, 10 % of trials 15 % slower", (2, 200), (25, 25), HALVES, 0.1, 1.15, 10),
    Speeds("60 and 40 fps of 25 and 50, the same", (60, 40), (25, 50), PARTS, 0.1, 1.15, 10),
    Speeds("60 and 40 fps, 5 % 30 % slower", (60, 40), (25, 50), PARTS, 0.05, 1.3, 10),
    Speeds("60 and 40 fps, 5 % 30 % slower", (60, 40), (25, 50), PARTS, 0.05, 1.3, 5),
)


@dataclass
class Tally:
    """How often an interval held its truth, and how wide it was against the truth."""

    truth: float
    hits: int = 0
    shown: int = 0
    widths: float = 0.0

    def add(self, estimate: Estimate | None) -> None:
        if estimate and estimate.low is not None and estimate.high is not None:
            self.shown += 1
            self.hits += estimate.low <= self.truth <= estimate.high
            self.widths += (estimate.high - estimate.low) / self.truth

    @property
    def coverage(self) -> float:
        return self.hits / max(self.shown, 1)


def judge_moves(world: Moves, runs: int, rng: np.random.Generator) -> dict[str, Tally]:
    """Every figure of moves."""
    tallies = {
        "median": Tally(world.quantile(0.5)),
        "p95": Tally(world.quantile(0.95)),
        "share within the limit": Tally(world.below(world.limit_ms)),
        "mean of clips (time to open)": Tally(world.opened()),
        "ratio (geometric mean)": Tally(2.0),
    }
    figures = {"median": "p50_ms", "p95": "p95_ms", "mean of clips (time to open)": "open_ms"}
    for _ in range(runs):
        drawn = world.draw(rng)
        rounds = common_rounds(chain(*drawn.values()), world.mix)
        for name, figure in figures.items():
            of = TASKS["scrub"].figure(figure)
            tallies[name].add(over_clips(of, rounds, confidence_level=LEVEL))
        within = share_within(rounds, world.limit_ms)
        tallies["share within the limit"].add(within)
        twice = world.draw(rng, "f", 2.0)
        sides = [[o for clip in side.values() for o in clip] for side in (drawn, twice)]
        ratio = compare_groups(*sides, "p50_ms", confidence_level=LEVEL)
        tallies["ratio (geometric mean)"].add(ratio)
    return tallies


def judge_speeds(world: Speeds, runs: int, rng: np.random.Generator) -> dict[str, Tally]:
    """Hours of encoding for an hour of the mix: of a typical round, and in total."""
    tallies = {"hours, typical round": Tally(world.typical()), "hours, total": Tally(world.total())}
    rates = dict(zip("ab", world.frame_rates, strict=True))
    mix = dict(zip("ab", world.shares, strict=True))
    mean_rate = sum(mix[clip] * rates[clip] for clip in mix)
    for _ in range(runs):
        drawn = world.draw(rng)
        typical = over_clips(
            TASKS["encode"].figure("throughput_fps"),
            common_rounds(chain(*drawn.values()), mix),
            confidence_level=LEVEL,
            frame_rates=rates,
        )
        work = frames_and_seconds([drawn["a"], drawn["b"]])
        shares = work_shares(world.shares, world.frame_rates)
        total = with_missed_slow_rounds(estimate_rate(*work, shares, LEVEL, is_total=True))
        assert typical is not None
        for tally, speed in zip(tallies.values(), (typical, total), strict=True):
            tally.add(speed.map(lambda fps: mean_rate / fps, "h"))
    return tallies


def rows(runs: int, moves: Sequence[Moves] = MOVES, speeds: Sequence[Speeds] = SPEEDS) -> Iterator:
    """World, figure and tally of each; every world has draws of its own."""
    for index, world in enumerate((*moves, *speeds)):
        rng = np.random.default_rng((SEED, index))
        judge = judge_moves if isinstance(world, Moves) else judge_speeds
        for figure, tally in judge(world, runs, rng).items():  # type: ignore[operator]
            yield world, figure, tally


if __name__ == "__main__":
    run_count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    print("| world | figure | truth | coverage, % | mean width | shown, % |")
    print("|---|---|---|---|---|---|")
    for world, figure, tally in rows(run_count):
        print(
            f"| {world.name}, {world.rounds} rounds | {figure} | {tally.truth:.4g} | "
            f"{100 * tally.coverage:.1f} | {100 * tally.widths / max(tally.shown, 1):.1f} % | "
            f"{100 * tally.shown / run_count:.0f} |",
            flush=True,
        )

"""Two sides measured in one of the six worlds, with known truth: what verdicts are tried on.

A session draws, per comparison, logs of per-trial medians of both sides and of the reference
kernel, with the requests of a round common to both sides. The machine's own state multiplies
everything that runs at that moment: cells by its full size times `elasticity`, the kernel by its
full size.
"""

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from simulation.worlds import DRIFT, MEDIAN_MS, WORLDS, Array, autoregressive

Order = Literal["in turn", "one after the other"]

REQUEST_SD: Final = 0.05
"""How much harder one round's requests are than another's; common to both sides."""

KERNEL_SD: Final = 0.01
"""Spread of one reference kernel trial."""

KERNELS_PER_ROUND: Final = 2
LOAD_SD: Final = 0.03
"""Spread of a load that lingers from trial to trial (AR(1) 0.9)."""

SESSION_WORLDS: Final = tuple(world.name for world in WORLDS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """Logs of per-trial costs: cells of shape (comparisons, rounds, cells), kernels without cells.

    All cells of both sides have the same true cost, but for `change_log` added to the candidate.
    """

    baseline: Array
    candidate: Array
    baseline_kernel: Array
    candidate_kernel: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionPlan:
    """How much is drawn: independent comparisons, rounds a side, cells, samples a trial.

    `change_log` is the true log change of every cell (0: A/A).
    """

    comparisons: int
    rounds: int = 10
    cells: int = 5
    samples: int = 24
    change_log: float = 0.0
    elasticity: float = 1.0


def draw_session(
    world_name: str, order: Order, plan: SessionPlan, rng: np.random.Generator
) -> Session:
    """Comparisons of two runs of one cell set, in the world of that name (`SESSION_WORLDS`)."""
    comparisons, rounds, cells = plan.comparisons, plan.rounds, plan.cells
    shape = (comparisons, 2, rounds, cells)
    logs = _trial_medians(world_name, rng, shape, plan.samples)
    logs = logs + rng.normal(0.0, REQUEST_SD, (comparisons, 1, rounds, cells))
    kernel = rng.normal(0.0, KERNEL_SD / math.sqrt(KERNELS_PER_ROUND), (comparisons, 2, rounds))
    machine = _machine(world_name, order, rng, shape)
    logs = logs + plan.elasticity * machine[..., :cells]
    kernel = kernel + (machine[..., 0] + machine[..., -1]) / 2
    return Session(
        baseline=logs[:, 0],
        candidate=logs[:, 1] + plan.change_log,
        baseline_kernel=kernel[:, 0],
        candidate_kernel=kernel[:, 1],
    )


def _trial_medians(
    world_name: str, rng: np.random.Generator, shape: tuple[int, int, int, int], samples: int
) -> Array:
    """Medians of trials whose samples come from the world; drift is left to the machine."""
    name = "trial effect 2 %" if world_name == "5 % linear drift" else world_name
    world = next(world for world in WORLDS if world.name == name)
    trials = math.prod(shape[1:])
    draws = world.draw(rng, shape[0], trials, samples)
    medians: Array = np.log(np.median(draws, axis=2) / MEDIAN_MS)
    return medians.reshape(shape)


def _machine(
    world_name: str, order: Order, rng: np.random.Generator, shape: tuple[int, int, int, int]
) -> Array:
    """The machine's log state at every trial: (comparisons, side, round, place in the round)."""
    comparisons, sides, rounds, cells = shape
    places = cells + 1
    moments = sides * rounds * places
    if world_name == "AR(1) 0.9":
        course = LOAD_SD * autoregressive(rng, (comparisons, moments))
    elif world_name == "5 % linear drift":
        line = DRIFT * np.arange(moments) / (rounds * places)
        course = np.broadcast_to(line, (comparisons, moments))
    else:
        course = np.zeros((comparisons, moments))
    if order == "one after the other":
        return course.reshape(comparisons, sides, rounds, places)
    by_round = course.reshape(comparisons, rounds, sides, places).swapaxes(1, 2)
    # The sides of every second round change places, as the mirrored rounds of a run do.
    turned = by_round.copy()
    turned[:, :, 1::2] = by_round[:, ::-1, 1::2]
    return turned

"""How often verdicts are wrong or right, by simulation in the six worlds: the proof of regress.

Pure: a generator in, rows out. `tests/simulation/coverage_tables.py` prints them for DEVELOPERS.md.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from mezzmark.decide.compare.verdicts import Evidence, judge_evidence
from mezzmark.decide.estimate.observed_run import RunCosts
from mezzmark.statistics.paired import run_level_change
from simulation.regress_rates import cells_of, judge_sides
from simulation.session_worlds import Order, SessionPlan, draw_session

TOLERANCE: Final = 0.05
CONFIDENCE: Final = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictRates:
    """Counts of comparisons with at least one cell of a kind, and of cells by verdict."""

    world: str
    comparisons: int
    with_change: int
    equivalent_cells: int
    cells: int

    @property
    def change_percent(self) -> str:
        """Comparisons that claimed any change."""
        return f"{100 * self.with_change / self.comparisons:.1f}"


def measure_verdicts(
    world_name: str,
    order: Order,
    plan: SessionPlan,
    rng: np.random.Generator,
    *,
    with_kernel: bool = True,
) -> VerdictRates:
    """The verdicts of `plan.comparisons` comparisons, each of `plan.cells` cells at once."""
    session = draw_session(world_name, order, plan, rng)
    found = []
    for at in range(plan.comparisons):
        sides = [
            [_costs(cells[at], kernel[at] if with_kernel else None)]
            for cells, kernel in (
                (session.baseline, session.baseline_kernel),
                (session.candidate, session.candidate_kernel),
            )
        ]
        design = "interleaved" if order == "in turn" else "separate"
        found.append(judge_sides(*sides, design=design)[0])
    return _count(world_name, found)


def _costs(cells: np.ndarray, kernel: np.ndarray | None) -> RunCosts:
    """A run from its logs of shape (rounds, cells), all of scrub."""
    names = [cell.but(task="scrub") for cell in cells_of(cells.shape[1])]
    return RunCosts(
        by_cell={
            name: {(k, 0): float(np.exp(log)) for k, log in enumerate(cells[:, at])}
            for at, name in enumerate(names)
        },
        kernel={} if kernel is None else {k: float(np.exp(log)) for k, log in enumerate(kernel)},
    )


def measure_run_verdicts(
    rng: np.random.Generator,
    *,
    comparisons: int,
    runs: tuple[int, int],
    run_sd: float,
    round_sd: float,
    rounds: int,
    cells: int,
) -> VerdictRates:
    """A/A comparisons of several runs a side, each run with a level of its own (sd `run_sd`)."""
    total = sum(runs)
    levels = rng.normal(0.0, run_sd, (comparisons, total, 1, cells))
    costs = np.exp(levels + rng.normal(0.0, round_sd, (comparisons, total, rounds, cells)))
    found = []
    for sample in costs:
        evidence = []
        for cell in range(cells):
            first, second = sample[: runs[0], :, cell], sample[runs[0] :, :, cell]
            change = run_level_change(list(first), list(second), is_undisturbed=True)
            evidence.append(Evidence(undisturbed=change, typical=change))
        found.append(_verdicts(evidence))
    return _count(f"run effect {100 * run_sd:g} %", found)


def _verdicts(evidence: list[Evidence]) -> list[str]:
    judged = judge_evidence(evidence, tolerance_fraction=TOLERANCE, confidence_level=CONFIDENCE)
    return [item.verdict for item in judged]


def _count(world: str, found: list[list[str]]) -> VerdictRates:
    cells = [verdict for verdicts in found for verdict in verdicts]
    return VerdictRates(
        world=world,
        comparisons=len(found),
        with_change=sum("regressed" in v or "improved" in v for v in found),
        equivalent_cells=cells.count("equivalent"),
        cells=len(cells),
    )

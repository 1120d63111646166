"""How often verdicts are wrong or right, by simulation in the six worlds: the proof of regress.

Pure: a generator in, rows out. `tests/simulation/coverage_tables.py` prints them for DEVELOPERS.md.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from mezzmark.decide.compare.verdicts import Evidence, judge_evidence
from mezzmark.statistics.paired import paired_change, run_level_change
from simulation.session_worlds import Order, Session, SessionPlan, draw_session

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
    uses_kernel = with_kernel and order == "one after the other"
    found = [
        _verdicts([_evidence(session, at, cell, uses_kernel) for cell in range(plan.cells)])
        for at in range(plan.comparisons)
    ]
    return _count(world_name, found)


def _evidence(session: Session, at: int, cell: int, uses_kernel: bool) -> Evidence:
    before, after = session.baseline[at, :, cell], session.candidate[at, :, cell]
    changes = [paired_change(np.exp(before), np.exp(after))]
    if uses_kernel:
        relative = (before - session.baseline_kernel[at], after - session.candidate_kernel[at])
        changes.append(paired_change(np.exp(relative[0]), np.exp(relative[1])))
    return Evidence(changes=tuple(changes))


def measure_run_verdicts(
    rng: np.random.Generator,
    *,
    comparisons: int,
    runs: tuple[int, int],
    run_sd: float,
    round_sd: float,
    rounds: int,
    cells: int,
    uses_runs: bool = True,
) -> VerdictRates:
    """A/A comparisons of several runs a side, each run with a level of its own (sd `run_sd`).

    Without `uses_runs` the rounds of all runs are pooled as if they were one: the wrong way.
    """
    total = sum(runs)
    levels = rng.normal(0.0, run_sd, (comparisons, total, 1, cells))
    costs = np.exp(levels + rng.normal(0.0, round_sd, (comparisons, total, rounds, cells)))
    found = []
    for sample in costs:
        evidence = []
        for cell in range(cells):
            first, second = sample[: runs[0], :, cell], sample[runs[0] :, :, cell]
            if uses_runs:
                change = run_level_change(list(first), list(second))
            else:
                change = paired_change(
                    np.exp(np.log(first).mean(axis=0)), np.exp(np.log(second).mean(axis=0))
                )
            evidence.append(Evidence(changes=(change,)))
        found.append(_verdicts(evidence))
    return _count(f"run effect {100 * run_sd:g} %", found)


def _verdicts(evidence: list[Evidence]) -> list[str]:
    verdicts = judge_evidence(evidence, tolerance_fraction=TOLERANCE, confidence_level=CONFIDENCE)
    return [item.verdict for item in verdicts]


def _count(world: str, found: list[list[str]]) -> VerdictRates:
    cells = [verdict for verdicts in found for verdict in verdicts]
    return VerdictRates(
        world=world,
        comparisons=len(found),
        with_change=sum("regressed" in v or "improved" in v for v in found),
        equivalent_cells=cells.count("equivalent"),
        cells=len(cells),
    )

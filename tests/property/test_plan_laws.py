"""Laws of plans for any cells, round and seed."""

from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from mezzmark.model.cell import Cell
from mezzmark.runner.plan import PlannedCell, plan_round

CELLS = st.integers(1, 40).map(
    lambda count: tuple(
        PlannedCell(Cell(task="scrub", clip="a", encoding=f"e{k}")) for k in range(count)
    )
)
ROUNDS = st.integers(0, 10_000)
SEEDS = st.integers(0, 2**63 - 1)


@given(CELLS, ROUNDS, SEEDS)
def test_a_round_is_a_permutation_of_the_cells(
    cells: tuple[PlannedCell, ...], round_index: int, seed: int
) -> None:
    """Every cell comes once, positions count up from 0, and only the kernel is added."""
    trials = plan_round(cells, round_index, seed)
    found = [PlannedCell(t.cell, t.arm) for t in trials if t.cell.task != "kernel"]
    assert Counter(found) == Counter(cells)
    assert [t.position for t in trials] == list(range(len(trials)))
    assert {t.round_index for t in trials} == {round_index}
    assert all(0 <= t.seed < 2**63 for t in trials)


@given(CELLS, ROUNDS, SEEDS)
def test_a_plan_depends_on_its_arguments_only(
    cells: tuple[PlannedCell, ...], round_index: int, seed: int
) -> None:
    """Planned again, a round is the same, whatever was planned in between."""
    first = plan_round(cells, round_index, seed)
    plan_round(cells, round_index + 1, seed)
    assert plan_round(cells, round_index, seed) == first


@given(CELLS, ROUNDS, SEEDS)
def test_the_second_round_of_a_pair_is_the_first_backwards(
    cells: tuple[PlannedCell, ...], pair: int, seed: int
) -> None:
    """Rounds 2k and 2k + 1 visit the cells in opposite order."""
    forth = [t.cell for t in plan_round(cells, 2 * pair, seed)]
    back = [t.cell for t in plan_round(cells, 2 * pair + 1, seed)]
    assert forth == back[::-1]

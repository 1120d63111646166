"""A scenario's cells as pytest benchmarks, for teams whose checks live in pytest.

```python
# test_workstation.py
from mezzmark.pytest_suite import benchmark_cells

test_workstation = benchmark_cells("workstation-check")
```

`pytest test_workstation.py` then measures every cell of the scenario. A round of pytest-benchmark
is one trial: a fresh process, whose headline cost (median scrub latency, or time per encoded
frame) is what the benchmark's timer shows; process start is not counted. pytest-benchmark runs all
rounds of a cell in a row, so drift of the machine falls on whichever cell is running: use these
figures to look at, and `mezzmark measure` with `mezzmark regress` to judge.
"""

import tempfile
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, cast

import pytest

from mezzmark.decide.estimate.observed_run import trial_cost
from mezzmark.engines.media.cache import default_cache_dir
from mezzmark.host.common import read_usable_core_count
from mezzmark.model.cell import Cell, PlannedTrial
from mezzmark.model.scenario import Scenario
from mezzmark.report.export.files import COST_SECONDS
from mezzmark.runner.plan import PlannedCell, plan_cells, plan_round
from mezzmark.runner.prepare import Footage, prepare_footage
from mezzmark.runner.run import describe_job, record_trial
from mezzmark.runner.workers import last_answer, run_worker
from mezzmark.store.toml_files import read_scenario

if TYPE_CHECKING:
    from pytest_benchmark.fixture import BenchmarkFixture


def benchmark_cells(
    scenario: str | Scenario, *, footage: Sequence[str] = (), cache_dir: Path | None = None
) -> Callable[..., None]:
    """A test function with one case for each scrub and encode cell of the scenario. The footage is
    made once, when the first case runs. Cells are known before that: an encoding that turns out not
    to fit a clip is skipped with its reason."""
    plan = read_scenario(scenario, footage=footage) if isinstance(scenario, str) else scenario

    @cache
    def prepared() -> Footage:
        folder = Path(cache_dir) if cache_dir else default_cache_dir()
        return _result(prepare_footage(plan, cache_dir=folder, dispatch=run_worker))

    @pytest.mark.parametrize("cell", _cells(plan), ids=lambda cell: cell.cell_id)
    def test_cell(cell: Cell, benchmark: "BenchmarkFixture") -> None:
        """Measures one cell; fails when a trial fails."""
        found = prepared()
        if (cell.clip, cell.encoding) not in found.media:
            pytest.skip("; ".join(found.refused) or "this encoding does not fit this clip")
        measured_s = [0.0]
        # The marker's timer cannot be made per case, so it is set where pytest-benchmark reads it.
        benchmark._timer = lambda: sum(measured_s)
        seeds = _seeds(cell, plan)

        def one_trial() -> None:
            measured_s.append(_trial_seconds(cell, next(seeds), plan, found))

        benchmark.extra_info["encoding"] = cell.encoding
        benchmark.pedantic(one_trial, rounds=plan.minimum_rounds, iterations=1)

    return cast(Callable[..., None], test_cell)


def _cells(plan: Scenario) -> list[Cell]:
    names = [*plan.encodings, *(custom.name for custom in plan.custom_encodings)]
    media = [(clip.name, name) for clip in plan.clips for name in names]
    cells = plan_cells(plan, media=media, core_count=read_usable_core_count())
    local = (cell for cell, arm, _ in cells if not arm and not cell.setting["root"])
    return [cell for cell in local if cell.task in ("scrub", "encode")]


def _result(steps: Iterator[object]) -> Footage:
    """What a generator returns, its steps left unsaid."""
    while True:
        try:
            next(steps)
        except StopIteration as end:
            return cast(Footage, end.value)


def _seeds(cell: Cell, plan: Scenario) -> Iterator[int]:
    """The cell's request seed in rounds 0, 1, …, the same as in a run of the scenario."""
    for round_index in range(2 * plan.minimum_rounds + 1):
        yield from (
            t.seed
            for t in plan_round([PlannedCell(cell)], round_index, plan.seed)
            if t.cell == cell
        )


def _trial_seconds(cell: Cell, seed: int, plan: Scenario, footage: Footage) -> float:
    planned = PlannedTrial(round_index=0, position=0, cell=cell, seed=seed)
    with tempfile.TemporaryDirectory(prefix="mezzmark-") as folder:
        job = describe_job(planned, plan, footage, scratch_dir=folder)
        answer = last_answer(run_worker(job, plan.trial_timeout_s))
    trial = record_trial(planned, answer, started_utc="", wall_ns=0)
    cost = trial_cost(trial)
    if cost is None:
        pytest.fail(f"{cell.cell_id}: {trial.outcome}: {trial.reason or 'no proved picture'}")
    return cost * COST_SECONDS[cell.task]

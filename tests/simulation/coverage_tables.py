"""Prints the tables of DEVELOPERS.md: `python tests/simulation/coverage_tables.py [RUNS]
[SCHEDULER [CERTIFICATES]]`, on the hosts of a fleet where a scheduler is named.

RUNS (1,000 by default) is the number of simulated runs behind each figure; the table of medians
has four times as many, that of A/A comparisons two, that of stopping forty times. The seed is
fixed; the standard error of a share of 95 or 5 % is 0.7 points from 1,000 runs, 0.3 from 4,000
and 0.15 from 20,000.
"""

import json
import math
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from mezzmark.statistics.spread import t_test_power
from simulation.coverage import (
    Coverage,
    count_coverage,
    median_coverage,
    stop_at_difference_coverage,
    stopping_coverage,
    tail_coverage,
    throughput_coverage,
)
from simulation.session_worlds import SESSION_WORLDS, SessionPlan
from simulation.tail_methods import METHODS
from simulation.verdict_rates import measure_run_verdicts, measure_verdicts
from simulation.worlds import WORLDS

SEED = 20_261
TAIL_DESIGNS = ((0.95, 10, 48), (0.95, 10, 100), (0.95, 20, 24), (0.99, 10, 240), (0.99, 20, 100))


def _table(title: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    print(f"\n**{title}**\n")
    print("| " + " | ".join(heads) + " |")
    print("|---" * len(heads) + "|")
    for row in rows:
        print("| " + " | ".join(row) + " |", flush=True)


def _shown(coverage: Coverage) -> str:
    withheld = coverage.runs - coverage.shown
    if not coverage.shown:
        return "withheld"
    note = f" ({100 * withheld / coverage.runs:.0f} % withheld)" if withheld else ""
    return f"{100 * coverage.fraction:.1f}{note}"


def _interval_rows(runs: int, rng: np.random.Generator) -> Iterable[Sequence[str]]:
    for name, measure, samples in (
        ("median of 24 moves", median_coverage, 24),
        ("median of 100 moves", median_coverage, 100),
        ("median of 500 moves", median_coverage, 500),
        ("throughput, 48 frames", throughput_coverage, 48),
        ("throughput, 240 frames", throughput_coverage, 240),
    ):
        yield [
            name,
            *(_shown(measure(w, rng, runs=4 * runs, trials=10, samples=samples)) for w in WORLDS),
        ]


def _tail_rows(runs: int, rng: np.random.Generator) -> Iterable[Sequence[str]]:
    for probability, trials, samples in TAIL_DESIGNS:
        cells = [
            tail_coverage(w, probability, rng, runs=runs, trials=trials, samples=samples)
            for w in WORLDS
        ]
        yield [f"p{100 * probability:g}, {trials} × {samples}", *map(_shown, cells)]


def _method_rows(runs: int, rng: np.random.Generator) -> Iterable[Sequence[str]]:
    for probability, trials, samples in ((0.95, 10, 48), (0.95, 10, 100), (0.99, 20, 100)):
        draws = [world.draw(rng, runs, trials, samples) for world in WORLDS]
        for name, method in METHODS.items():
            cells = [
                count_coverage(
                    world,
                    world.true_quantile(probability, trials=trials),
                    drawn,
                    lambda run, method=method, p=probability: method(run, p, rng),
                )
                for world, drawn in zip(WORLDS, draws, strict=True)
            ]
            yield [f"p{100 * probability:g}, {trials} × {samples}: {name}", *map(_shown, cells)]


def _alarm_rows(runs: int, rng: np.random.Generator) -> Iterable[Sequence[str]]:
    plan = SessionPlan(comparisons=2 * runs)
    for name, order, with_kernel in (
        ("in turn", "in turn", True),
        ("one after the other", "one after the other", True),
        ("one after the other, kernel not used", "one after the other", False),
    ):
        found = [
            measure_verdicts(world, order, plan, rng, with_kernel=with_kernel)
            for world in SESSION_WORLDS
        ]
        yield [name, *(rates.change_percent for rates in found)]


def _elasticity_rows(runs: int, rng: np.random.Generator) -> Iterable[Sequence[str]]:
    for elasticity in (0.0, 0.5, 1.0, 1.25, 1.5, 2.0):
        plan = SessionPlan(comparisons=runs, elasticity=elasticity)
        found = [
            measure_verdicts(world, "one after the other", plan, rng)
            for world in ("AR(1) 0.9", "5 % linear drift")
        ]
        yield [f"{elasticity:g} ×", *(rates.change_percent for rates in found)]


def _margin_rows(runs: int, rng: np.random.Generator) -> Iterable[Sequence[str]]:
    plan = SessionPlan(comparisons=runs, rounds=40, cells=1, samples=100, change_log=math.log(1.05))
    for order in ("in turn", "one after the other"):
        found = [measure_verdicts(world, order, plan, rng) for world in SESSION_WORLDS]
        yield [order, *(f"{100 * f.equivalent_cells / f.cells:.1f}" for f in found)]


def _run_level_rows(runs: int, rng: np.random.Generator) -> Iterable[Sequence[str]]:
    for baseline, candidate in ((3, 1), (5, 1), (3, 3)):
        found = measure_run_verdicts(
            rng,
            comparisons=runs,
            runs=(baseline, candidate),
            run_sd=0.02,
            round_sd=0.02,
            rounds=10,
            cells=5,
        )
        yield [f"{baseline} against {candidate}", found.change_percent]


def _power_rows(runs: int, rng: np.random.Generator) -> Iterable[Sequence[str]]:
    for spread in (0.01, 0.02, 0.03, 0.05):
        effects = ((n, math.log(1.05) * math.sqrt(n) / spread) for n in range(2, 100))
        needed = (
            n
            for n, effect in effects
            if t_test_power(effect, degrees=n - 1, error_level=0.05) >= 0.9
        )
        yield [f"{100 * spread:g} %", str(next(needed))]


def _stopping_rows(runs: int, rng: np.random.Generator) -> Iterable[Sequence[str]]:
    for spread in (0.005, 0.01, 0.015, 0.02, 0.03):
        coverage, taken = stopping_coverage(spread, 0.01, rng, runs=40 * runs, rounds=60)
        yield [f"{100 * spread:g} %", f"{100 * coverage.fraction:.1f}", f"{taken:.0f}"]
    wrong = stop_at_difference_coverage(0.02, rng, runs=20 * runs, rounds=60, first_look=5)
    yield ["any, stopped at a difference (wrong)", f"{100 * wrong.fraction:.1f}", "at most 60"]


Rows = Callable[[int, np.random.Generator], Iterable[Sequence[str]]]


def tables() -> tuple[tuple[str, list[str], Rows], ...]:
    """Title, heads and rows of each."""
    worlds = [world.name for world in WORLDS]
    return (
        ("Coverage of 95 % intervals, 10 rounds (%)", ["figure", *worlds], _interval_rows),
        ("Coverage of 95 % tail intervals, rounds × moves (%)", ["figure", *worlds], _tail_rows),
        ("Ways to a tail interval (%)", ["figure", *worlds], _method_rows),
        (
            "A/A comparisons of 5 cells that claim any change (%)",
            ["sides measured", *worlds],
            _alarm_rows,
        ),
        (
            "The same, one after the other, when the machine hits the work by so much of what it "
            "hits the kernel (%)",
            ["work : kernel", "AR(1) 0.9", "5 % linear drift"],
            _elasticity_rows,
        ),
        (
            "A true change of the tolerance (5 %) called equivalent (%)",
            ["sides measured", *worlds],
            _margin_rows,
        ),
        (
            "A/A with several runs, run effect 2 %: comparisons that claim any change (%)",
            ["runs", "run as unit"],
            _run_level_rows,
        ),
        ("Rounds for 90 % power, one cell", ["spread of rounds", "to find +5 %"], _power_rows),
        (
            "Stopping at ±1 %: coverage (%) and rounds taken",
            ["spread of rounds", "coverage", "rounds"],
            _stopping_rows,
        ),
    )


def rows_of(place: int, runs: int) -> Iterable[Sequence[str]]:
    """The rows of a table, each table from its own stream of random numbers."""
    return tables()[place][2](runs, np.random.default_rng([SEED, place]))


def rows_text(place: int, runs: int) -> str:
    """The same as JSON, made on a host that measures nothing meanwhile."""
    from mezzmark.fleet.machine_lock import machine_lock

    with machine_lock(lambda: True):
        return json.dumps(list(rows_of(place, runs)))


def spread_rows(client: Any, runs: int) -> Iterator[Iterable[Sequence[str]]]:
    """The rows of all tables, each made by whatever host of a fleet is free."""
    from simulation import coverage_tables  # noqa: PLW0406  # functions of __main__ do not travel

    given = {"resources": {"mezzmark": 1}, "pure": False}
    places = range(len(tables()))
    futures = [client.submit(coverage_tables.rows_text, n, runs, **given) for n in places]
    return (json.loads(future.result()) for future in futures)


def main(runs: int = 1000, scheduler: str = "", certificates: str = "") -> None:
    """All tables; on hosts `tests/` must be on the search path of workers and scheduler."""
    with ExitStack() as at_end:
        every: Iterable[Any] = (rows_of(place, runs) for place in range(len(tables())))
        if scheduler:
            from mezzmark.fleet.hosts import read_security
            from mezzmark.fleet.scheduler import TextClient

            folder = Path(certificates) if certificates else None
            security = read_security(scheduler, folder, is_insecure=folder is None)
            text = {"serializers": ["msgpack"], "deserializers": ["msgpack"]}
            client = at_end.enter_context(TextClient(scheduler, security=security, **text))
            every = spread_rows(client, runs)
        for (title, heads, _), rows in zip(tables(), every, strict=True):
            _table(title, heads, rows)


if __name__ == "__main__":
    main(*[int(word) for word in sys.argv[1:2]], *sys.argv[2:4])

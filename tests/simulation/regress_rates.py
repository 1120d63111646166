"""How often `regress` is wrong or right where runs differ by themselves: counted, not derived.

`python tests/simulation/regress_rates.py` (a quarter of an hour) prints the tables of
DEVELOPERS.md. Truth is the drawn one: a cell changed by what was added to it, and by nothing else.
"""

import math
import sys
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np

from mezzmark.decide.compare import evidence
from mezzmark.decide.compare.evidence import (
    RUN_SPREAD,
    gather_all,
    kernel_change,
    machine_moved,
    spreads_of,
)
from mezzmark.decide.compare.history import last_change
from mezzmark.decide.compare.verdicts import Design, Evidence, RunSpread, judge_evidence
from mezzmark.decide.estimate.observed_run import RunCosts
from mezzmark.model.cell import Cell, Setting
from mezzmark.statistics import paired

TOLERANCE: Final = 0.05
LEVEL: Final = 0.95
REQUEST_SD: Final = 0.04
"""How much harder one round's requests are than another's; common to all runs."""

SLOW_STATE: Final = math.log(1.3)


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """Runs of `rounds` rounds whose trials spread by `trial_sd`; each cell of each run is off by
    `run_sd`, and the kernel by `kernel_share` of what the first cell is off. `of_two_kinds`: trials
    of scrub cells are fast, or all slow by 30 %, in a mix that differs from run to run. The last
    cell, of scrub, changes by `planted`; `machine_log` slows the second side, the kernel by its
    share. `drift` is a row of `DRIFTS`, private to each cell, from one side on to the other.
    `history` are earlier runs that tell the run spread.
    """

    cells: int = 5
    runs: int = 1
    rounds: int = 10
    trial_sd: float = 0.02
    run_sd: float = 0.01
    kernel_share: float = 0.0
    of_two_kinds: bool = False
    planted: float = 0.0
    machine_log: float = 0.0
    history: int = 0
    drift: str = ""


def wandering(persistence: float, sd: float, rounds: int, rng: np.random.Generator) -> np.ndarray:
    """A level that remembers the round before (AR(1)), with this standard deviation."""
    course = rng.normal(0.0, sd, rounds)
    for k in range(1, rounds):
        course[k] = persistence * course[k - 1] + math.sqrt(1 - persistence**2) * course[k]
    return course


def in_states(stay: float, rounds: int, rng: np.random.Generator) -> np.ndarray:
    """Fast, or slow by 25 %, half of the time each; a state lasts `stay` rounds on average."""
    turns = rng.random(rounds) < 1 / stay
    return math.log(1.25) * ((rng.integers(2) + turns.cumsum()) % 2)


DRIFTS: Final = {
    "AR(1) 0.5 of 5 %": (wandering, (0.5, 0.05), False),
    "AR(1) 0.8 of 5 %": (wandering, (0.8, 0.05), False),
    "AR(1) 0.9 of 5 %": (wandering, (0.9, 0.05), False),
    "AR(1) 0.9 of 10 %": (wandering, (0.9, 0.1), False),
    "AR(1) 0.9 of 10 %, one cell": (wandering, (0.9, 0.1), True),
    "states of 4 rounds": (in_states, (4.0,), False),
    "states of 8 rounds": (in_states, (8.0,), False),
    "states of 6 rounds, one cell": (in_states, (6.0,), True),
}
"""How levels move within a run: by which function, with what, and whether of the last cell only."""


def draw_drift(world: World, rng: np.random.Generator) -> np.ndarray:
    """Logs by side, round and cell."""
    courses = np.zeros((2 * world.rounds, world.cells))
    if world.drift:
        draw, facts, is_of_one = DRIFTS[world.drift]
        for at in range(world.cells - 1 if is_of_one else 0, world.cells):
            courses[:, at] = draw(*facts, 2 * world.rounds, rng)
    return courses.reshape(2, world.rounds, world.cells)


def cells_of(count: int) -> list[Cell]:
    """Two of five encode, the others scrub."""
    tasks = ["encode"] * (2 * count // 5) + ["scrub"] * (count - 2 * count // 5)
    return [
        Cell(task=task, clip="clip", encoding="e", setting=Setting(threads=k + 1))
        for k, task in enumerate(tasks)
    ]


def draw_run(
    world: World, requests: np.ndarray, is_second: bool, rng: np.random.Generator
) -> RunCosts:
    """One run's costs, from logs."""
    cells = cells_of(world.cells)
    shift = world.machine_log if is_second else 0.0
    effects = rng.normal(0.0, world.run_sd, world.cells)
    logs = requests + effects + shift
    logs = logs + rng.normal(0.0, world.trial_sd, (world.rounds, world.cells))
    if world.of_two_kinds:
        slow = rng.random((world.rounds, world.cells)) > rng.uniform(0.4, 0.9, world.cells)
        logs = logs + SLOW_STATE * slow * np.array([cell.task == "scrub" for cell in cells])
    logs[:, -1] += world.planted if is_second else 0.0
    kernel = rng.normal(0.0, 0.02, world.rounds) + world.kernel_share * (effects[0] + shift)
    return RunCosts(
        by_cell={
            cell: {(k, 0): math.exp(log) for k, log in enumerate(logs[:, at])}
            for at, cell in enumerate(cells)
        },
        kernel={k: math.exp(log) for k, log in enumerate(kernel)},
    )


def compare_once(
    world: World, rng: np.random.Generator, assumed: float | None = None
) -> tuple[list[str], bool, float]:
    """The verdict of each cell, whether the machine is said to have moved (which opens them all),
    and the median half-width of their intervals on logs. The run spread is `assumed`, or what
    `regress` takes."""
    requests = rng.normal(0.0, REQUEST_SD, (world.rounds, world.cells))
    drift = draw_drift(world, rng)
    sides = [
        [draw_run(world, requests + drift[side], bool(side), rng) for _ in range(world.runs)]
        for side in (0, 1)
    ]
    spreads = None
    if world.history:
        runs = [draw_run(world, requests, False, rng) for _ in range(world.history)]
        spreads = spreads_of({cell: [r.by_cell[cell] for r in runs] for cell in runs[0].by_cell})
    elif assumed is not None:
        known = {"sd_fraction": assumed, "run_count": 1}
        spreads = {task: RunSpread(task=task, **known) for task in ("encode", "scrub")}
    design: Design = "separate" if world.runs == 1 else "several runs"
    return judge_sides(*sides, design=design, spreads=spreads)


def judge_sides(
    baseline: list[RunCosts],
    candidate: list[RunCosts],
    *,
    design: Design,
    spreads: Mapping[str, RunSpread] | None = None,
    family: int = 0,
    kindred: Sequence[Mapping[Cell, Evidence]] = (),
) -> tuple[list[str], bool, float]:
    """As `compare_once`, of given costs; `family` and `kindred` are those of `fleet check`."""
    sides = evidence.Sides(baseline, candidate, design, spreads or {})
    found = gather_all(baseline[0].by_cell, sides, kindred)
    judged = judge_evidence(
        list(found.values()),
        tolerance_fraction=TOLERANCE,
        confidence_level=LEVEL,
        family=family,
    )
    kernel = kernel_change(sides)
    has_moved = machine_moved(kernel, design)
    width = float(np.median([math.log(j.interval.high / j.interval.low) / 2 for j in judged]))
    verdicts = ["open" if has_moved else str(item.verdict) for item in judged]
    return verdicts, has_moved, width


def count(
    world: World, comparisons: int, rng: np.random.Generator, assumed: float | None = None
) -> Counter[str]:
    """Comparisons with a `false` claim of a change of any cell, those that `found` the last cell
    regressed, and those in which the machine `moved`; cells called `equivalent`."""
    found: Counter[str] = Counter()
    widths = []
    for _ in range(comparisons):
        verdicts, has_moved, width = compare_once(world, rng, assumed)
        unchanged = verdicts[:-1] if world.planted else verdicts
        found["false"] += any(verdict in ("regressed", "improved") for verdict in unchanged)
        found["found"] += bool(world.planted) and verdicts[-1] == "regressed"
        found["moved"] += has_moved
        found["equivalent"] += unchanged.count("equivalent")
        widths.append(width)
    found["width"] = round(1000 * float(np.median(widths)))
    return found


def last_coverage(
    run_count: int, comparisons: int, rng: np.random.Generator, *, is_common: bool
) -> float:
    """Share of histories whose interval of the last run against the first holds the ratio of their
    true levels; rounds spread by 3 %, and by another 5 % with their moves, common to all runs or
    not."""
    held = 0
    for _ in range(comparisons):
        levels = rng.normal(0.0, 0.02, run_count)
        moves = rng.normal(0.0, 0.05, (1 if is_common else run_count, 6))
        logs = levels[:, None] + moves + rng.normal(0.0, 0.03, (run_count, 6))
        runs = [
            {(k, 0 if is_common else at): math.exp(log) for k, log in enumerate(row)}
            for at, row in enumerate(logs)
        ]
        found = last_change(runs).interval(confidence_level=LEVEL)
        held += found.low <= math.exp(levels[-1] - levels[0]) <= found.high
    return held / comparisons


SEED: Final = 20261128


def alarm_rows(comparisons: int, rng: np.random.Generator) -> Iterator[list[str]]:
    """False claims where runs differ by themselves."""
    for runs, cells, run_sd, kinds in product((1, 3), (5, 12), (0.0, 0.01, 0.02), (False, True)):
        row = []
        for share in (0.0, 0.5, 1.0):
            world = World(
                cells=cells, runs=runs, run_sd=run_sd, kernel_share=share, of_two_kinds=kinds
            )
            found = count(world, comparisons, rng)
            equivalent = 100 * found["equivalent"] / comparisons / cells
            row.append(
                f"{100 * found['false'] / comparisons:.1f} "
                f"({equivalent:.0f}, {100 * found['moved'] / comparisons:.1f}, "
                f"±{found['width'] / 10:.1f})"
            )
        kind = "of two kinds" if kinds else "alike"
        yield [str(runs), str(cells), f"{100 * run_sd:g} %", kind, *row]


def power_rows(comparisons: int, rng: np.random.Generator) -> Iterator[list[str]]:
    """A slower cell found."""
    for runs, cells in product((1, 2, 3), (5, 12)):
        worlds = [World(cells=cells, runs=runs, planted=math.log(p)) for p in (1.1, 1.12, 1.15)]
        shares = [100 * count(world, comparisons, rng)["found"] / comparisons for world in worlds]
        yield [str(runs), str(cells), *(f"{share:.1f}" for share in shares)]


def machine_rows(comparisons: int, rng: np.random.Generator) -> Iterator[list[str]]:
    """A machine that slowed, felt by the kernel or not."""
    for share in (0.0, 0.5, 1.0):
        found = count(World(machine_log=math.log(1.1), kernel_share=share), comparisons, rng)
        shown = (f"{100 * found[name] / comparisons:.1f}" for name in ("moved", "false"))
        yield [f"{share:g} ×", *shown]


def share_rows(comparisons: int, rng: np.random.Generator) -> Iterator[list[str]]:
    """How the share of undisturbed rounds was chosen."""
    for share in (1 / 4, 1 / 3, 1 / 2, 1.0):
        paired.UNDISTURBED_SHARE = share
        row = []
        for rounds, kinds in product((10, 14), (False, True)):
            world = World(rounds=rounds, of_two_kinds=kinds, planted=math.log(1.15))
            found = count(world, comparisons, rng)
            false, hit = (100 * found[name] / comparisons for name in ("false", "found"))
            row.append(f"{false:.1f} ({hit:.0f}, ±{found['width'] / 10:.1f})")
        yield [f"{share:.2f}", *row]


def history_rows(comparisons: int, rng: np.random.Generator) -> Iterator[list[str]]:
    """The last run of a history against the first."""
    for run_count in range(3, 9):
        held = (last_coverage(run_count, 4 * comparisons, rng, is_common=c) for c in (True, False))
        yield [f"{run_count} runs", *(f"{100 * share:.1f}" for share in held)]


def spread_rows(comparisons: int, rng: np.random.Generator) -> Iterator[list[str]]:
    """False claims where so many earlier runs tell the run spread; a cell 15 % slower found."""
    for run_sd, history in product((0.0, 0.01, 0.02, 0.05), (0, 3, 5, 10)):
        world = World(run_sd=run_sd, history=history)
        shown = [f"{100 * run_sd:g} %", str(history or "none")]
        for one, name in ((world, "false"), (replace(world, planted=math.log(1.15)), "found")):
            shown.append(f"{100 * count(one, comparisons, rng)[name] / comparisons:.1f}")
        yield shown


def drift_rows(comparisons: int, rng: np.random.Generator) -> Iterator[list[str]]:
    """False claims where levels move within a run: with a run spread of 1 %, and as taken."""
    for drift, rounds in product(("", *DRIFTS), (10, 15)):
        row = []
        for assumed in (RUN_SPREAD, None):
            world = World(drift=drift, rounds=rounds)
            found = count(world, comparisons, rng, assumed)
            slowed = count(replace(world, planted=math.log(1.15)), comparisons, rng, assumed)
            false, hit = (100 * n / comparisons for n in (found["false"], slowed["found"]))
            row.append(f"{false:.1f} ({hit:.0f}, ±{found['width'] / 10:.1f})")
        yield [drift or "none", str(rounds), *row]


TABLES: Final = (
    alarm_rows,
    power_rows,
    machine_rows,
    history_rows,
    share_rows,
    spread_rows,
    drift_rows,
)


def main(comparisons: int, names: list[str]) -> None:
    """Print the tables of these names, or all, each from its own stream of random numbers."""
    for number, rows in enumerate(TABLES):
        if not names or rows.__name__ in names:
            print(f"{rows.__doc__}")
            for row in rows(comparisons, np.random.default_rng([SEED, number] if number else SEED)):
                print(f"| {' | '.join(row)} |", flush=True)


if __name__ == "__main__":
    main(1000, sys.argv[1:])

"""How often `regress` is wrong or right where runs differ by themselves: counted, not derived.

`python tests/simulation/regress_rates.py` (a quarter of an hour) prints the tables of
DEVELOPERS.md. Truth is the drawn one: a cell changed by what was added to it, and by nothing else.
"""

import math
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np

from mezzmark.decide.compare.evidence import gather_all, kernel_change, machine_moved
from mezzmark.decide.compare.history import last_change
from mezzmark.decide.compare.verdicts import Design, judge_evidence
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
    share.
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


def compare_once(world: World, rng: np.random.Generator) -> tuple[list[str], bool, float]:
    """The verdict of each cell, whether the machine is said to have moved (which opens them all),
    and the median half-width of their intervals on logs."""
    requests = rng.normal(0.0, REQUEST_SD, (world.rounds, world.cells))
    sides = [
        [draw_run(world, requests, is_second, rng) for _ in range(world.runs)]
        for is_second in (False, True)
    ]
    return judge_sides(*sides, design="separate" if world.runs == 1 else "several runs")


def judge_sides(
    baseline: list[RunCosts], candidate: list[RunCosts], *, design: Design
) -> tuple[list[str], bool, float]:
    """As `compare_once`, of given costs."""
    sides = (baseline, candidate)
    evidence = gather_all(baseline[0].by_cell, *sides, design=design)
    judged = judge_evidence(
        list(evidence.values()), tolerance_fraction=TOLERANCE, confidence_level=LEVEL
    )
    kernel = kernel_change(*sides, design=design)
    has_moved = machine_moved(kernel, design)
    width = float(np.median([math.log(j.interval.high / j.interval.low) / 2 for j in judged]))
    verdicts = ["open" if has_moved else str(item.verdict) for item in judged]
    return verdicts, has_moved, width


def count(world: World, comparisons: int, rng: np.random.Generator) -> Counter[str]:
    """Comparisons with a `false` claim of a change of any cell, those that `found` the last cell
    regressed, and those in which the machine `moved`; cells called `equivalent`."""
    found: Counter[str] = Counter()
    widths = []
    for _ in range(comparisons):
        verdicts, has_moved, width = compare_once(world, rng)
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


TABLES: Final = (alarm_rows, power_rows, machine_rows, history_rows, share_rows)


def main(comparisons: int, names: list[str]) -> None:
    """Print the tables of these names, or all, each from its own stream of random numbers."""
    for number, rows in enumerate(TABLES):
        if not names or rows.__name__ in names:
            print(f"{rows.__doc__}")
            for row in rows(comparisons, np.random.default_rng([SEED, number] if number else SEED)):
                print(f"| {' | '.join(row)} |", flush=True)


if __name__ == "__main__":
    main(1000, sys.argv[1:])

"""How often `fleet check` is wrong or right over hosts × cells: counted, not derived.

`python tests/simulation/fleet_false_alarms.py 1000` prints the table of DEVELOPERS.md (half an
hour); further numbers choose rows. Hosts are judged by the code that judges, at the level of the
whole fleet.
"""

import math
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np

from mezzmark.decide.compare import evidence
from mezzmark.decide.compare.evidence import RUNS_AS_UNITS, gather_own
from mezzmark.decide.compare.verdicts import Design
from mezzmark.decide.estimate.observed_run import RunCosts
from mezzmark.statistics.intervals import share_interval
from simulation.regress_rates import REQUEST_SD, World, draw_run, judge_sides

HOSTS: Final = 20
SEED: Final = 20261129
SLOWED: Final = math.log(1.15)

PLAIN: Final = World(cells=5, rounds=24)
"""The cells of the scenario workstation-check; trials spread by 2 %, runs by 1 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetWorld:
    """What all hosts are like; each has one of `run_sds` in turn, by which its runs differ."""

    run_sds: Sequence[float] = (0.01,)
    host: World = PLAIN

    def of(self, host: int) -> World:
        """The world of one of the hosts."""
        return replace(self.host, run_sd=self.run_sds[host % len(self.run_sds)])


WORLDS: Final = {
    "runs differ by 1 %": FleetWorld(),
    "by 2 %": FleetWorld(run_sds=(0.02,)),
    "by 0.5, 1, 1.5, 2 %, a quarter of the hosts each": FleetWorld(
        run_sds=(0.005, 0.01, 0.015, 0.02)
    ),
    "by 1 %, one host by 4 %": FleetWorld(run_sds=(*[0.01] * (HOSTS - 1), 0.04)),
    "by 1 %, scrubbing of two kinds": FleetWorld(host=replace(PLAIN, of_two_kinds=True)),
}

Sides = tuple[list[RunCosts], list[RunCosts]]

CHANGES: Final = {
    "": {},
    "host": {"machine_log": SLOWED},
    "cell": {"planted": SLOWED},
}
"""What the newest run of a host is: unchanged; slower in all its cells, which the kernel does not
feel; slower in one cell, of scrubbing."""


def draw_host(world: World, history: int, rng: np.random.Generator) -> dict[str, Sides]:
    """So many earlier runs with the newest one, by `CHANGES`."""
    requests = rng.normal(0.0, REQUEST_SD, (world.rounds, world.cells))
    earlier = [draw_run(world, requests, False, rng) for _ in range(history)]
    return {
        name: (earlier, [draw_run(replace(world, **change), requests, True, rng)])
        for name, change in CHANGES.items()
    }


def judge_fleet(
    world: FleetWorld, history: int, slow: int, rng: np.random.Generator
) -> Counter[str]:
    """One unchanged fleet: whether there is a `false` claim (regressed, improved), a cell called
    `slower`, a kernel that `moved` (which opens a host's cells), how many cells are `equivalent`;
    and whether the host `slow` were found, if it were slower."""
    is_by_run = history + 1 >= RUNS_AS_UNITS
    design: Design = "several runs" if is_by_run else "separate"
    hosts = [draw_host(world.of(at), history, rng) for at in range(HOSTS)]
    cells = list(hosts[0][""][0][0].by_cell)
    own = (
        [gather_own(cells, evidence.Sides(*host[""], design)) for host in hosts]
        if is_by_run
        else []
    )

    def judge(at: int, change: str) -> list[str]:
        given = {"family": HOSTS * len(cells), "kindred": [*own[:at], *own[at + 1 :]]}
        return judge_sides(*hosts[at][change], design=design, **given)[0]

    verdicts = [verdict for at in range(HOSTS) for verdict in judge(at, "")]
    return Counter(
        {
            "false": int(not {"regressed", "improved"}.isdisjoint(verdicts)),
            "slower": int("slower" in verdicts),
            "moved": int("open" in verdicts),
            "equivalent": verdicts.count("equivalent"),
            **{change: int("regressed" in judge(slow, change)) for change in ("host", "cell")},
        }
    )


def count_fleets(
    world: FleetWorld, history: int, fleets: int, rng: np.random.Generator
) -> Counter[str]:
    """The sum over fleets; each host in turn is the one that were slower."""
    return sum((judge_fleet(world, history, n % HOSTS, rng) for n in range(fleets)), Counter())


def rows(fleets: int, chosen: list[int]) -> Iterator[list[str]]:
    """World, earlier runs, fleets with a false alarm and exact 95 % limits, the slower host found,
    the slower cell found, fleets with a false "slower, whether beyond the tolerance is open", cells
    called equivalent, fleets with a kernel that moved; in percent."""
    for number, (name, history) in enumerate(product(WORLDS, (1, 3, 6))):
        if chosen and number not in chosen:
            continue
        rng = np.random.default_rng([SEED, number])
        found = count_fleets(WORLDS[name], history, fleets, rng)
        limits = share_interval(found["false"], fleets, confidence_level=0.95)
        shares = {
            key: 100 * found[key] / fleets for key in ("false", "host", "cell", "slower", "moved")
        }
        yield [
            *(name, str(history)),
            f"{shares['false']:.1f} [{100 * limits.low:.1f}, {100 * limits.high:.1f}]",
            *(f"{shares[key]:.0f}" for key in ("host", "cell", "slower")),
            f"{100 * found['equivalent'] / fleets / HOSTS / PLAIN.cells:.0f}",
            f"{shares['moved']:.0f}",
        ]


def main(fleets: int, chosen: list[int]) -> None:
    """Print the table."""
    for row in rows(fleets, chosen):
        print(f"| {' | '.join(row)} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]), list(map(int, sys.argv[2:])))

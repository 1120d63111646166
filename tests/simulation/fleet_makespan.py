"""A folder over three hosts: is its makespan the one that the hosts' own grids predict?

`python tests/simulation/fleet_makespan.py FOLDER [TIMES [alone]]`, as root on Linux, so many times
a round of all grids and one of the folder, so that a machine whose speed drifts does so for both;
it goes on with what it finds in FOLDER. The hosts are three workers of this machine, each held by
a control group to a share of a core: the kernel takes the processor away for the rest of each tenth
of a second, and gives it to them before others. So they compete for no core (they use 1.4 of at
least 2, home and scheduler have what they need), but share memory and caches, in grids and folder
alike. What this does not show: a network between them, storage that they share, and several clips
at a time on a host.
"""

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from fixtures.three_hosts import HERE, running_hosts
from mezzmark import api
from mezzmark.cli.views import print_makespans
from mezzmark.fleet.ingest import FOLDER, grid_scenario
from mezzmark.fleet.scheduler import HostLostError, connected
from mezzmark.model.scenario import Scenario
from mezzmark.runner.prepare import prepare_footage
from mezzmark.runner.workers import run_worker
from mezzmark.store.run_store import read_run

SHARES = {"fast": 0.6, "middle": 0.45, "slow": 0.35}
"""Of a core."""
PERIOD_US = 100_000
GROUPS = Path("/sys/fs/cgroup")
PORT = 18_797
TRIALS = 3
"""A round of the folder: an ingest, and the reference kernel before and after."""

SECONDS = (4.0, 3.5, 3.0, 2.5, 2.0, 1.5)
PLAN = Scenario.model_validate(
    {
        "name": "three-hosts",
        "seed": 11,
        "rounds": 3,
        "encodings": ["rdd36-lt"],
        "clips": [
            {
                "name": f"clip-{number}",
                "recipe": {"width_px": 640, "height_px": 360, "duration_s": seconds},
            }
            for number, seconds in enumerate(SECONDS)
        ],
        "grid": {"jobs": [1], "threads": [1], "frames": 24},
        "ingest": {"jobs": [1], "threads": [1]},
    }
)


@contextmanager
def held_to_shares() -> Iterator[dict[str, tuple[str, list[str]]]]:
    """A control group (version 1 or 2) for each host, and one for home and scheduler without a
    limit: where their processes begin."""
    old = GROUPS / "cpu"
    above = old if old.is_dir() else GROUPS
    places: dict[str, Any] = {}
    groups = {name: above / f"mezzmark-{name or 'home'}" for name in ("", *SHARES)}
    try:
        for name, group in groups.items():
            group.mkdir(exist_ok=True)
            quota_us = round(SHARES[name] * PERIOD_US) if name else 0
            if above == old:
                (group / "cpu.cfs_quota_us").write_text(str(quota_us or -1))
                (group / "cpu.shares").write_text("262144")
            else:
                (group / "cpu.max").write_text(f"{quota_us or 'max'} {PERIOD_US}")
                (group / "cpu.weight").write_text("10000")
            enter = f'echo $$ > {group}/cgroup.procs; exec "$@"'
            places[name] = HERE[0], ["sh", "-c", enter, "sh"]
        (groups[""] / "cgroup.procs").write_text(str(os.getpid()))
        yield places
    finally:
        (above / "cgroup.procs").write_text(str(os.getpid()))
        for group in groups.values():
            group.rmdir()


def main() -> None:
    """Go on with what is in the folder."""
    folder, times = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 3
    cache, grids, whole = folder / "home", folder / "grids", folder / "whole"
    for _ in prepare_footage(grid_scenario(PLAN), cache_dir=cache, dispatch=run_worker):
        pass
    with held_to_shares() as places, running_hosts(folder, places, port=PORT) as hosts:
        given: dict[str, Any] = {"scheduler": hosts.address, "insecure": True, "cache": cache}
        given |= {"hosts": [*SHARES], "patience": 60.0}
        wait_for(hosts.address)
        for _ in range(times):
            done = len(read_run(whole / FOLDER).trials) // TRIALS if whole.exists() else 0
            now = given | {"rounds": done + 1, "out": grids, "resume": grids.exists()}
            run_dirs = api.fleet_measure(grid_scenario(PLAN), **now)
            now |= {"out": whole, "resume": whole.exists()}
            now |= {"grids": [*run_dirs.values()], "alone": "alone" in sys.argv}
            found = api.fleet_ingest(PLAN, **now)
    print_makespans(found.makespans)
    for one in found.makespans:
        if one.miss_ratio and one.measured:
            ratio = one.miss_ratio
            ends = f"[{ratio.low}, {ratio.high}]"
            print(f"{', '.join(one.hosts)}: predicted / measured {ratio.point:.3f} {ends}")


def wait_for(address: str) -> None:
    """Until all hosts have come."""
    with connected(address, None) as fleet:
        while True:
            with suppress(HostLostError):
                if len(fleet.look()[0]) == len(SHARES):
                    return
            time.sleep(0.2)


if __name__ == "__main__":
    main()

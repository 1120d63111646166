"""A folder over three hosts: is its makespan the one that the hosts' own grids predict?

`python tests/simulation/fleet_makespan.py FOLDER STEP [ROUNDS]`, as root on Linux, STEP one of
`footage`, `grids`, `folder` and `alone` in this order, so that each may have a quiet machine; one
that was stopped goes on. The hosts are three workers of this machine, each held by a control group
to a share of a core (70, 60 and 40 %): the kernel takes the processor away for the rest of each
tenth of a second. So they do not compete for cores (1.7 of at least 2 are used, home and scheduler
have the rest), but share memory and caches, while the grids are measured side by side too. What
this does not show: a network between them, storage that they share, and several clips at a time on
a host.
"""

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
from mezzmark.fleet.ingest import grid_scenario
from mezzmark.fleet.measure import folder_name
from mezzmark.fleet.scheduler import HostLostError, connected
from mezzmark.model.scenario import Scenario
from mezzmark.runner.prepare import prepare_footage
from mezzmark.runner.workers import run_worker

SHARES = {"fast": 0.7, "middle": 0.6, "slow": 0.4}
"""Of a core."""
PERIOD_US = 100_000
GROUPS = Path("/sys/fs/cgroup")
PORT = 18_797

SECONDS = (4.0, 3.5, 3.0, 2.5, 2.0, 1.5, 1.5, 1.5)
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
        "ingest": {"jobs": [1], "threads": [1]},
    }
)


@contextmanager
def held_to_shares() -> Iterator[dict[str, tuple[str, list[str]]]]:
    """A control group for each host (version 1 or 2): where its processes begin."""
    old = GROUPS / "cpu"
    above = old if old.is_dir() else GROUPS
    places: dict[str, Any] = {"": HERE}
    made = []
    try:
        for name, share in SHARES.items():
            group = above / f"mezzmark-{name}"
            group.mkdir(exist_ok=True)
            made.append(group)
            quota_us = round(share * PERIOD_US)
            if above == old:
                (group / "cpu.cfs_quota_us").write_text(str(quota_us))
            else:
                (group / "cpu.max").write_text(f"{quota_us} {PERIOD_US}")
            enter = f'echo $$ > {group}/cgroup.procs; exec "$@"'
            places[name] = "127.0.0.1", ["sh", "-c", enter, "sh"]
        yield places
    finally:
        for group in made:
            group.rmdir()


def main() -> None:
    """One step; the next ones find what it left in the folder."""
    folder, step = Path(sys.argv[1]), sys.argv[2]
    rounds = int(sys.argv[3]) if len(sys.argv) > 3 else 3
    cache = folder / "home"
    if step == "footage":
        for event in prepare_footage(grid_scenario(PLAN), cache_dir=cache, dispatch=run_worker):
            print(event, flush=True)
        return
    grids = {name: folder / "grids" / folder_name(name) for name in SHARES}
    with held_to_shares() as places, running_hosts(folder, places, port=PORT) as hosts:
        given: dict[str, Any] = {"scheduler": hosts.address, "insecure": True, "cache": cache}
        given |= {"hosts": [*SHARES], "rounds": rounds, "on_event": lambda *_: None}
        given["patience"] = 60.0
        wait_for(hosts.address)
        if step == "grids":
            out = folder / "grids"
            api.fleet_measure(grid_scenario(PLAN), out=out, resume=out.exists(), **given)
            return
        given |= {"out": folder / step, "resume": (folder / step).exists()}
        given |= {"grids": [*grids.values()], "together": step == "folder"}
        found = api.fleet_ingest(PLAN, **given)
        print_makespans(found.makespans)
        for one in found.makespans:
            if one.miss_ratio:
                ends = f"[{one.miss_ratio.low}, {one.miss_ratio.high}]"
                print(", ".join(one.hosts), "predicted / measured", one.miss_ratio.point, ends)


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

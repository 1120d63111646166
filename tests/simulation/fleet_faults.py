"""A fleet under faults drawn at random: are finished trials lost or doubled, the rest completed?

`python tests/simulation/fleet_faults.py [FAULTS [SEED [KIND …]]]`, as root on Linux: three hosts,
each with a network of its own behind a bridge and a cache on a small file system, all in namespaces
of this program. Faults: worker, scheduler or home killed -9, the measured process killed, a worker
stopped for 12 s, a network cut for 15 s, a full disk for 6 s; or only of these kinds (`kill_worker`
…). Every part is started again as its own loop would. Prints the faults, then for each host what
came of its run.
"""

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from tempfile import mkdtemp

sys.path.insert(0, str(Path(__file__).parents[1]))

import psutil

from fixtures.three_hosts import TINY, Hosts, running_hosts
from mezzmark.fleet.measure import folder_name
from mezzmark.model.records import Trial
from mezzmark.store.run_store import read_run

NAMES = ("desk-a", "desk-b", "server")
ROUNDS = 8
GAP = (1, 5)
"""So many trials come home between two faults, in all."""
LIMIT_S = 1_200.0
INSIDE = "MEZZMARK_FLEET_NAMESPACES"


def sh(command: str) -> None:
    """A command that must succeed."""
    subprocess.run(command.split(), check=True, capture_output=True)


def build_networks(folder: Path) -> dict[str, tuple[str, list[str]]]:
    """A bridge with the scheduler and home, a network for each host; a 60 MB cache for each."""
    os.makedirs("/run/netns", exist_ok=True)
    for command in (
        "mount -t tmpfs tmpfs /run/netns",
        "ip link set lo up",
        "ip link add br0 type bridge",
        "ip addr add 10.77.0.1/24 dev br0",
        "ip link set br0 up",
    ):
        sh(command)
    places: dict[str, tuple[str, list[str]]] = {"": ("10.77.0.1", [])}
    for number, name in enumerate(NAMES, start=2):
        for command in (
            f"ip netns add {name}",
            f"ip link add v{number} type veth peer name e{number}",
            f"ip link set e{number} netns {name}",
            f"ip link set v{number} master br0 up",
            f"ip -n {name} addr add 10.77.0.{number}/24 dev e{number}",
            f"ip -n {name} link set e{number} up",
            f"ip -n {name} link set lo up",
        ):
            sh(command)
        cache = folder / name / "cache"
        cache.mkdir(parents=True)
        sh(f"mount -t tmpfs -o size=60m tmpfs {cache}")
        places[name] = f"10.77.0.{number}", ["ip", "netns", "exec", name]
    return places


class Home:
    """`mezzmark fleet measure` in a process of its own, with --resume from the second time on."""

    def __init__(self, folder: Path, address: str) -> None:
        self.folder, self.address = folder, address
        self.log = folder / "home.log"
        (folder / "tiny.toml").write_text(TINY.format(rounds=ROUNDS), encoding="utf-8")
        self.start()

    def start(self) -> None:
        """Begin, or go on."""
        command = ["fleet", "measure", str(self.folder / "tiny.toml"), "--insecure"]
        command += ["--scheduler", self.address, "--cache", str(self.folder / "home-cache")]
        command += ["--out", str(self.folder / "runs")]
        command += ["--resume"] if (self.folder / "runs").exists() else []
        command += [option for name in NAMES for option in ("--hosts", name)]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "mezzmark", *command], stderr=log, stdout=log
            )

    def count(self) -> int:
        """How many trials are on disk now."""
        paths = (self.folder / "runs").glob("*/trials.jsonl")
        return sum(path.read_bytes().count(b"\n") for path in paths)

    def trials(self) -> dict[str, tuple[Trial, ...]]:
        """What is on disk now."""
        found = {}
        for name in NAMES:
            run_dir = self.folder / "runs" / folder_name(name)
            if (run_dir / "manifest.json").is_file():
                found[name] = read_run(run_dir).trials
        return found


Fault = Callable[[Hosts, Home, str], tuple[float, Callable[[], None]]]
"""Strikes, and says after how long what mends it."""


def nothing() -> None:
    """What is started again by its own loop needs no mending."""


def kill_worker(hosts: Hosts, _home: Home, name: str) -> tuple[float, Callable[[], None]]:
    hosts.processes[name].kill()
    return 0, nothing


def kill_measured(hosts: Hosts, _home: Home, name: str) -> tuple[float, Callable[[], None]]:
    for one in psutil.Process(hosts.processes[name].pid).children(recursive=True):
        one.kill()
    return 0, nothing


def kill_scheduler(hosts: Hosts, _home: Home, _name: str) -> tuple[float, Callable[[], None]]:
    hosts.processes[""].kill()
    return 0, nothing


def kill_home(_hosts: Hosts, home: Home, _name: str) -> tuple[float, Callable[[], None]]:
    home.process.kill()
    return 0, nothing


def stop_worker(hosts: Hosts, _home: Home, name: str) -> tuple[float, Callable[[], None]]:
    process = hosts.processes[name]
    process.send_signal(signal.SIGSTOP)
    return 12, lambda: process.send_signal(signal.SIGCONT)


def cut_network(_hosts: Hosts, _home: Home, name: str) -> tuple[float, Callable[[], None]]:
    port = f"v{NAMES.index(name) + 2}"
    sh(f"ip link set {port} nomaster")
    return 15, lambda: sh(f"ip link set {port} master br0")


def fill_disk(hosts: Hosts, _home: Home, name: str) -> tuple[float, Callable[[], None]]:
    ballast = hosts.folder / name / "cache" / "ballast"
    with ballast.open("wb", buffering=0) as file:
        try:
            while file.write(bytes(2**12)):
                pass
        except OSError:
            pass
    return 6, lambda: ballast.unlink(missing_ok=True)


FAULTS: tuple[Fault, ...] = (
    *(kill_worker, kill_measured, kill_scheduler, kill_home),
    *(stop_worker, cut_network, fill_disk),
)


def overlaps(trials: tuple[Trial, ...]) -> int:
    """Trials that began before the one before them on the host had ended."""
    spans = sorted((datetime.fromisoformat(t.started_utc), t.wall_ns) for t in trials)
    pairs = pairwise(spans)
    return sum(a + timedelta(microseconds=wall_ns / 1e3) > b for (a, wall_ns), (b, _) in pairs)


def main() -> int:
    """Run it, inside namespaces of its own."""
    if INSIDE not in os.environ:
        variables = {**os.environ, INSIDE: "1"}
        again = ["unshare", "--net", "--mount", "--kill-child", "--fork", sys.executable, *sys.argv]
        return subprocess.run(again, env=variables, check=False).returncode
    count, seed = (int(x) for x in (sys.argv[1:] + ["30", "1"][len(sys.argv) - 1 :])[:2])
    faults = [fault for fault in FAULTS if fault.__name__ in sys.argv[3:]] or FAULTS
    rng, folder = random.Random(seed), Path(mkdtemp(prefix="mezzmark-fleet-"))
    print(f"{folder}, seed {seed}", flush=True)
    began_s = time.monotonic()
    with running_hosts(folder, build_networks(folder), port=8786) as hosts:
        time.sleep(4)
        home = Home(folder, hosts.address)
        struck, seen = Counter[str](), {name: set[str]() for name in NAMES}
        mending: list[tuple[float, Callable[[], None]]] = []
        next_count, left = len(NAMES), count
        while time.monotonic() - began_s < LIMIT_S:
            hosts.tend()
            now_s = time.monotonic()
            for one in [m for m in mending if m[0] <= now_s]:
                mending.remove(one)
                one[1]()
            if home.process.poll() == 0 and not mending:
                break
            if home.process.poll() is not None:
                home.start()
            if left and home.count() >= next_count:
                for host, trials in home.trials().items():
                    seen[host] |= {trial.model_dump_json() for trial in trials}
                fault, name = rng.choice(faults), rng.choice(NAMES)
                try:
                    after_s, mend = fault(hosts, home, name)
                except (psutil.NoSuchProcess, subprocess.CalledProcessError):
                    continue  # it was down already
                mending.append((now_s + after_s, mend))
                struck[fault.__name__] += 1
                left -= 1
                print(f"{now_s - began_s:6.1f} s  {fault.__name__} {name}", flush=True)
                next_count = home.count() + rng.randint(*GAP)
            time.sleep(0.2)
    print(dict(struck), f"{time.monotonic() - began_s:.0f} s")
    return tell(home, seen)


def tell(home: Home, seen: dict[str, set[str]]) -> int:
    """What came of each run; the exit code is 1 where one is not as it must be."""
    is_wrong = False
    for name, trials in home.trials().items():
        places = {(trial.round_index, trial.position) for trial in trials}
        lost = len(seen[name] - {trial.model_dump_json() for trial in trials})
        wanted = ROUNDS * len({trial.position for trial in trials})
        outcomes = Counter(trial.outcome for trial in trials)
        said = sum(f"{name}: note: lost" in line for line in home.log.read_text().splitlines())
        print(
            f"{name}: {len(trials)} trials of {wanted}, {len(places)} distinct, {lost} lost, "
            f"{overlaps(trials)} overlaps, {dict(outcomes)}, {said} faults told"
        )
        is_wrong |= bool(lost) or len(places) != len(trials) or len(trials) != wanted
    return int(is_wrong or len(home.trials()) != len(NAMES))


if __name__ == "__main__":
    sys.exit(main())

"""Runs whose processes are killed and whose disk is full: what is lost, doubled or touched?

    python tests/simulation/struck_runs.py [--seed 1] [--kills 170] [--full-disks 50]

`mezzmark measure` over a file of the user's, with neighbours, and a made clip: scrubbing and two
encoders at once. Killed -9 at random moments: the runner (`main`), a `worker`, the `encoders` below
one, and whoever prepares (`preparation`) or makes the clip (`generator`). After each the run is
resumed, or goes on. Full disks, as root on Linux: cache, run or both lie on a file system of memory
of a random size, which then grows. At the end each planned trial must be there once, all that were
on disk before a kill among them, as many set down as crashed as workers were struck at most, no
process left, and the user's folder as it was: names, digests, modes and times. For workers of a
fleet: `fleet_faults.py`. Exits 1 for any fault.
"""

import argparse
import os
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import psutil

sys.path.insert(0, str(Path(__file__).parents[1]))

from fixtures.clip_zoo import avc, make_zoo_clip
from mezzmark.runner.plan import plan_round
from mezzmark.runner.start import manifest_cells
from mezzmark.store.run_store import MANIFEST_NAME, TRIALS_NAME, read_run
from simulation.interrupted_placing import look, may_mount, mount

SCENARIO = """
name = "struck"
seed = 7
rounds = {rounds}
minimum_rounds = {rounds}
encodings = ["original", "mjpeg-fine"]
[[clips]]
name = "own"
files = ["footage/a.mov"]
[[clips]]
name = "made"
[clips.recipe]
width_px = 256
height_px = 144
duration_s = 0.5
[scrub]
patterns = ["jump"]
requests = 4
threads = [1]
viewer_heights_px = [180]
[grid]
jobs = [2]
threads = [1]
frames = 8
oversubscribe = true
"""
ROUNDS = 2
KINDS = ("preparation", "generator") * 2 + ("main", "worker", "encoders") * 3
"""Strikes of a run; no cell fails so often that it would be left out."""

MEASURED = {"main", "worker", "encoders"}
GAP = (0, 2)
"""So many trials end between two strikes."""

PREPARED_S = 3.0
"""About so long preparing takes; strikes fall within it."""

LIMIT_S = 300.0
ENOUGH = "size=64m"


class Struck:
    """A run in its folder, and what happened to it."""

    def __init__(self, base: Path, *, rounds: int = ROUNDS) -> None:
        self.base, self.rounds = base, rounds
        self.run, self.cache, self.log = base / "run", base / "cache", base / "log"
        footage = base / "footage"
        footage.mkdir(parents=True)
        made = make_zoo_clip(avc("mov"), base, frame_count=24)
        made.rename(footage / "a.mov")
        (footage / "a.xml").write_text("<sidecar/>")
        (footage / "mezzmark-note.txt").write_text("not mezzmark's")
        (footage / ".a.mov.0123456789abcdef.new").write_bytes(b"kept")
        (base / "s.toml").write_text(SCENARIO.format(rounds=rounds))
        self.before = self.footage()
        self.kept: set[str] = set()
        self.met: set[psutil.Process] = set()
        self.struck: Counter[str] = Counter()
        self.process: subprocess.Popen[bytes] | None = None

    def footage(self) -> dict[str, object]:
        """The user's folder, with the times of its names."""
        times = {p.name: p.stat().st_ctime_ns for p in (self.base / "footage").iterdir()}
        return look(self.base / "footage") | {"times": times}

    def start(self) -> None:
        """Begin, or go on."""
        command = [sys.executable, "-m", "mezzmark", "measure", str(self.base / "s.toml")]
        command += ["--out", str(self.run), "--cache", str(self.cache)]
        command += ["--resume"] if (self.run / MANIFEST_NAME).exists() else []
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)

    def count(self) -> int:
        """How many trials are on disk now."""
        path = self.run / TRIALS_NAME
        return path.read_bytes().count(b"\n") if path.exists() else 0

    def trials(self) -> set[str]:
        """What can be read of them."""
        if not (self.run / MANIFEST_NAME).exists():
            return set()
        return {trial.model_dump_json() for trial in read_run(self.run).trials}

    def family(self) -> tuple[list[psutil.Process], list[psutil.Process]]:
        """The workers, and what they started, but for what waits to be killed or collected."""
        assert self.process is not None
        try:
            workers = psutil.Process(self.process.pid).children()
            below = [one for worker in workers for one in worker.children(recursive=True)]
        except psutil.NoSuchProcess:
            return [], []
        self.met.update(workers, below)
        return workers, below

    def strike(self, kinds: list[str], rng: random.Random) -> str:
        """Kill as one of these kinds says, encoders at once if there are any: the kind, or nothing
        where nobody of them was there."""
        assert self.process is not None
        workers, below = self.family()
        runner = [psutil.Process(self.process.pid)] if self.process.poll() is None else []
        one = rng.sample(workers, min(1, len(workers)))
        encoders = [child for child in below if "resource_tracker" not in str(_command(child))]
        victims = {"main": runner, "worker": one, "encoders": encoders}
        possible = [k for k in kinds if victims.get(k, runner)]
        if not possible:
            return ""
        kind = "encoders" if "encoders" in possible else rng.choice(possible)
        self.kept |= self.trials()
        try:
            for victim in victims.get(kind, rng.choice((one or runner, runner))):
                victim.kill()
        except psutil.NoSuchProcess:
            return ""
        self.struck[kind] += 1
        return kind

    def ended(self) -> bool:
        """Whether the run is over, or was begun anew since its runner ended."""
        assert self.process is not None
        code = self.process.poll()
        if code is not None and code != 0:
            self.start()
        return code == 0

    def faults(self, *, crashed_at_most: int) -> list[str]:
        """What is not as it must be when the run is over."""
        run = read_run(self.run)
        cells = manifest_cells(run.manifest)
        planned = {
            (one.round_index, one.position): (one.cell, one.seed)
            for index in range(self.rounds)
            for one in plan_round(cells, index, 7)
        }
        found = {(t.round_index, t.position): (t.cell, t.seed) for t in run.trials}
        crashed = [trial.reason for trial in run.trials if trial.outcome != "finished"]
        _, alive = psutil.wait_procs(list(self.met), timeout=20)
        media = {(medium.clip, medium.encoding) for medium in run.manifest.media}
        checks = {
            f"{len(found)} of {len(planned)} planned trials": found == planned,
            f"{len(run.trials) - len(found)} trials twice": len(found) == len(run.trials),
            "a trial that was on disk is lost": self.kept <= self.trials(),
            f"{len(crashed)} crashed: {crashed}": len(crashed) <= crashed_at_most,
            f"left out: {len(media)} media of 4": len(media) == 4,
            "the user's folder is not as it was": self.footage() == self.before,
            f"processes left: {alive}": not alive,
            "scratch folders left": not list(self.run.glob("scratch-*")),
        }
        return [words for words, holds in checks.items() if not holds]


def _command(process: psutil.Process) -> list[str]:
    try:
        return process.cmdline()
    except psutil.Error:
        return []


def kill_at_random(base: Path, kinds: list[str], rng: random.Random) -> tuple[Counter[str], list]:
    """One run, struck so as far as it lasts: the strikes, and what is wrong."""
    one, left = Struck(base), list(kinds)
    one.start()
    began_s, next_count = time.monotonic(), rng.randint(*GAP)
    strike_s = began_s + rng.uniform(0.5, PREPARED_S)
    while not one.ended():
        one.family()
        if time.monotonic() - began_s > LIMIT_S:
            one.process.kill()
            return one.struck, [f"not over within {LIMIT_S:g} s: {one.log.read_text()[-500:]}"]
        is_prepared, kind = (one.run / MANIFEST_NAME).exists(), ""
        if is_prepared and one.count() >= next_count:
            time.sleep(rng.uniform(0, 0.5))
            if kind := one.strike([k for k in left if k in MEASURED], rng):
                next_count = one.count() + rng.randint(*GAP)
        elif not is_prepared:
            step = one.log.read_text().rpartition("footage")[2]
            is_making = "generator" in left and "made" in step
            if is_making or ("preparation" in left and time.monotonic() >= strike_s):
                time.sleep(rng.uniform(0, 0.3))
                kind = one.strike(["generator" if is_making else "preparation"], rng)
                strike_s = time.monotonic() + rng.uniform(0.5, PREPARED_S)
        if kind:
            left.remove(kind)
        time.sleep(0.02)
    return one.struck, one.faults(crashed_at_most=one.struck["worker"] + one.struck["encoders"])


def fill_disk(base: Path, rng: random.Random) -> tuple[str, list[str]]:
    """One run that meets a full disk, and goes on when there is room: what was full, and faults."""
    one = Struck(base, rounds=1)
    what, disk = rng.choice(("run", "cache", "both")), base / "disk"
    disk.mkdir()
    size_kib = rng.randint(16, {"run": 160, "cache": 900, "both": 1000}[what])
    mount("-t", "tmpfs", "-o", f"size={size_kib}k", "tmpfs", disk)
    try:
        one.run = base / "run" if what == "cache" else disk / "run"
        one.cache = base / "cache" if what == "run" else disk / "cache"
        one.start()
        code, said = one.process.wait(LIMIT_S), one.log.read_text()
        one.kept |= one.trials()
        told = sum(line.startswith("mezzmark: ") for line in said.splitlines())
        faults = [] if code in (0, 24) and told == bool(code) else [f"exit code {code}: {said}"]
        mount("-o", f"remount,{ENOUGH}", disk)
        one.start()
        if again := one.process.wait(LIMIT_S):
            faults.append(f"not resumed, {again}: {one.log.read_text()}")
        else:
            faults += one.faults(crashed_at_most=0)
        return f"{what} {'full' if code else 'large enough'}", faults
    finally:
        subprocess.run(("umount", disk), check=True)


def main() -> int:
    """Strike so often and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name, usual in (("--seed", 1), ("--kills", 170), ("--full-disks", 50)):
        parser.add_argument(name, type=int, default=usual)
    asked = parser.parse_args()
    rng, struck, faults = random.Random(asked.seed), Counter[str](), list[str]()
    with tempfile.TemporaryDirectory(prefix="mezzmark-struck-") as name:
        folder = Path(name)
        while struck.total() < asked.kills:
            base = folder / f"kills-{struck.total()}"
            kinds = rng.sample(KINDS, min(len(KINDS), asked.kills - struck.total()))
            done, found = kill_at_random(base, kinds, rng)
            faults += [f"{base.name} {dict(done)}: {fault}" for fault in found]
            struck += done
            print(f"{base.name}: {dict(done)}, {len(found)} faults", flush=True)
        print("killed:", dict(struck), flush=True)
        full: Counter[str] = Counter()
        for number in range(asked.full_disks if may_mount(folder) else 0):
            outcome, found = fill_disk(folder / f"full-{number}", rng)
            faults += [f"disk {number}, {outcome}: {fault}" for fault in found]
            full[outcome] += 1
            print(f"disk {number}: {outcome}, {len(found)} faults", flush=True)
    print("disks:", dict(full), *faults, sep="\n")
    return bool(faults)


if __name__ == "__main__":
    os.environ["OMP_NUM_THREADS"] = "1"
    sys.exit(main())

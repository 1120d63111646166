"""A run of thousands of trials, watched: does what the runner holds grow?

    python tests/simulation/growth.py [--rounds 500] [--every 300] [--real]

Six trials a round (TINY of `three_hosts.py`), prepared, run, shown and stored as the command does
it, each in a process of its own. That process answers at once with made-up times, so that 3,000
trials take minutes; with `--real` it is mezzmark's own worker. After every so many trials: resident
memory, open descriptors, threads, child processes, and files in the run's folder and in that for
temporary files. From the first look to the last nothing may be more by more than SLACK, and memory
by no more than PER_TRIAL_BYTES a trial, since the runner keeps what was measured. Exits 1 else.
"""

import argparse
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import psutil

sys.path.insert(0, str(Path(__file__).parents[1]))

from fixtures.three_hosts import TINY
from mezzmark.cli.progress import shown_progress
from mezzmark.runner import workers
from mezzmark.runner.events import Prepared, TrialFinished
from mezzmark.runner.run import run_scenario
from mezzmark.store.toml_files import read_scenario

PER_TRIAL_BYTES = 16_384
SLACK = {"descriptors": 4, "threads": 4, "children": 2, "run_files": 1, "temporary_files": 2}
"""A worker may be starting or ending at one look and not at the other."""

AT_ONCE = """
import json, sys
if len(sys.argv) > 1:
    print(flush=True)
job = json.loads(sys.stdin.readline())
if job["task"] == "kernel":
    measured = {"task": "kernel", "wall_ns": [40_000_000] * job["repeats"]}
else:
    clips, frames = zip(*job["requests"])
    n = len(frames)
    spans = ("locate_ns", "decode_ns", "present_ns", "overhead_ns")
    measured = {name: [1000] * n for name in spans} | {
        "task": "scrub", "clip_position": clips, "frame_index": frames, "shown_frame": frames,
        "decoded_frames": [1] * n, "read_bytes": [1] * n, "proof": ["right"] * n,
        "block": [k * job["blocks"] // n for k in range(n)], "open_ns": [1000],
    }
process = {"cpu_ns": 1, "peak_rss_bytes": 1}
print(json.dumps({"kind": "measured", "measurement": measured, "process": process}), flush=True)
"""
"""In a worker's place."""


@dataclass(frozen=True)
class Look:
    """What the runner holds after so many trials."""

    trials: int
    rss_bytes: int
    descriptors: int
    threads: int
    children: int
    run_files: int
    temporary_files: int


def watched_run(folder: Path, *, rounds: int, every: int, is_real: bool) -> Iterator[Look]:
    """Measure in the folder, and look after so many trials."""
    (folder / "tmp").mkdir()
    (folder / "tiny.toml").write_text(TINY.format(rounds=rounds))
    before, tempfile.tempdir = tempfile.tempdir, str(folder / "tmp")
    command, me = workers.worker_command, psutil.Process()
    scenario = read_scenario(str(folder / "tiny.toml"))
    events = run_scenario(scenario, run_dir=folder / "run", cache_dir=folder / "cache")
    count = 0
    try:
        with shown_progress() as on_event:
            for event in events:
                on_event(event)
                if isinstance(event, Prepared) and not is_real:
                    workers.worker_command = lambda: (sys.executable, "-S", "-E", "-c", AT_ONCE)
                if isinstance(event, TrialFinished):
                    count += 1
                    assert event.trial.outcome == "finished", event.trial.reason
                    if count % every == 0:
                        yield _look(me, count, folder)
    finally:
        workers.worker_command, tempfile.tempdir = command, before


def _look(me: psutil.Process, count: int, folder: Path) -> Look:
    return Look(
        trials=count,
        rss_bytes=me.memory_info().rss,
        descriptors=me.num_fds(),
        threads=me.num_threads(),
        children=len(me.children(recursive=True)),
        run_files=sum(1 for _ in (folder / "run").rglob("*")),
        temporary_files=sum(1 for _ in (folder / "tmp").rglob("*")),
    )


def grown(first: Look, last: Look) -> list[str]:
    """What grew by more than it may."""
    pairs = {name: (getattr(first, name), getattr(last, name)) for name in SLACK}
    told = [f"{name}: {a} to {b}" for name, (a, b) in pairs.items() if b > a + SLACK[name]]
    a_trial = (last.rss_bytes - first.rss_bytes) / (last.trials - first.trials)
    return told + ([f"{a_trial:.0f} bytes a trial"] if a_trial > PER_TRIAL_BYTES else [])


def main() -> int:
    """Print the looks and what grew."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=500)
    parser.add_argument("--every", type=int, default=300)
    parser.add_argument("--real", action="store_true")
    asked = parser.parse_args()
    looks = []
    with tempfile.TemporaryDirectory(prefix="mezzmark-growth-") as name:
        limits = {"rounds": asked.rounds, "every": asked.every, "is_real": asked.real}
        for look in watched_run(Path(name), **limits):
            looks.append(look)
            print(asdict(look), flush=True)
    found = grown(looks[0], looks[-1])
    a_trial = (looks[-1].rss_bytes - looks[0].rss_bytes) / (looks[-1].trials - looks[0].trials)
    print(f"memory: {a_trial:.0f} bytes a trial", "grown:", *(found or ["nothing"]), sep="\n")
    return bool(found)


if __name__ == "__main__":
    sys.exit(main())

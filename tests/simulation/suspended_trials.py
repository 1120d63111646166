"""Real trials of the reference kernel, stopped for a moment or left alone: which are flagged?

`python tests/simulation/suspended_trials.py --stopped 10 --undisturbed 200`
"""

import argparse
import os
import signal
import threading
import time
from collections.abc import Iterator

import psutil

from mezzmark.model.jobs import Measured
from mezzmark.model.preparations import Answer
from mezzmark.model.tasks.kernel import KernelJob
from mezzmark.runner.workers import last_answer, run_worker

BEFORE_S = 0.3
"""After its start a worker is stopped; it then still imports or already works."""


def workers_running() -> list[psutil.Process]:
    """All children but the resource tracker that other tests of this process may have left."""
    children = psutil.Process().children()
    return [one for one in children if "resource_tracker" not in " ".join(one.cmdline())]


def stop_child(stop_s: float) -> None:
    """Stop the worker that this process runs for so long."""
    time.sleep(BEFORE_S)
    for child in workers_running():
        os.kill(child.pid, signal.SIGSTOP)
        time.sleep(stop_s)
        os.kill(child.pid, signal.SIGCONT)


def flagged(*, stop_s: float = 0.0) -> bool:
    """Whether a trial, stopped for so long, comes back flagged as suspended."""
    if stop_s:
        threading.Thread(target=stop_child, args=(stop_s,), daemon=True).start()
    answers: Iterator[Answer] = run_worker(KernelJob(repeats=20), timeout_s=120)
    answer = last_answer(answers)
    assert isinstance(answer, Measured)
    return "suspended" in answer.flags


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stopped", type=int, default=10)
    parser.add_argument("--undisturbed", type=int, default=200)
    parser.add_argument("--stop-s", type=float, default=1.0)
    asked = parser.parse_args()
    found = sum(flagged(stop_s=asked.stop_s) for _ in range(asked.stopped))
    print(f"stopped for {asked.stop_s:g} s: {found} of {asked.stopped} flagged", flush=True)
    found = sum(flagged() for _ in range(asked.undisturbed))
    print(f"left alone: {found} of {asked.undisturbed} flagged")

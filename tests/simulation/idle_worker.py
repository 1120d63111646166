"""What an idle Dask worker costs a decode loop on the same core.

`python tests/simulation/idle_worker.py [PAIRS]`: loop and worker are held to one core, where all
that the worker takes is missing to the loop (on a machine with more, less is). Blocks of half a
second with the worker stopped (SIGSTOP) and going on, in the order ABBA; first a worker as Dask
starts it, then one that was made quiet. Prints the ratio of times and the processor time.
"""

import os
import signal
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1]))

import av
import psutil

from fixtures.three_hosts import HERE, running_hosts
from mezzmark.engines.footage.originals import prepare_original
from mezzmark.fleet.scheduler import connected
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.preparations import PrepareOriginalJob
from mezzmark.statistics.paired import paired_change

BLOCK_S = 0.5
PORT = 18_786


def decode(path: str) -> int:
    """All pictures of a clip."""
    with av.open(path) as container:
        container.streams.video[0].thread_count = 1
        return sum(1 for _ in container.decode(video=0))


def block_ns(path: str) -> float:
    """Time of a picture, over half a second of decoding."""
    start_ns, count = time.perf_counter_ns(), 0
    while time.perf_counter_ns() - start_ns < BLOCK_S * 1e9:
        count += decode(path)
    return (time.perf_counter_ns() - start_ns) / count


def used_ns(process: psutil.Process) -> int:
    """Processor time of all threads, by the scheduler's own count (proc(5), schedstat)."""
    tasks = Path(f"/proc/{process.pid}/task").glob("*/schedstat")
    return sum(int(task.read_text().split()[0]) for task in tasks)


def compare(path: str, worker: psutil.Process, pairs: int) -> None:
    """Print the ratio with the worker to without, and what the worker used."""
    times: dict[int, list[float]] = {signal.SIGSTOP: [], signal.SIGCONT: []}
    spent_ns, begun_ns = 0, time.perf_counter_ns()
    for pair in range(pairs):
        order = [signal.SIGSTOP, signal.SIGCONT][:: 1 if pair % 2 else -1]
        for number in order:
            worker.send_signal(number)
            before_ns = used_ns(worker)
            times[number].append(block_ns(path))
            spent_ns += used_ns(worker) - before_ns
    worker.send_signal(signal.SIGCONT)
    change = paired_change(times[signal.SIGSTOP], times[signal.SIGCONT])
    found = change.interval(confidence_level=0.95)
    limits = f"{found.point:.4f} [{found.low:.4f}, {found.high:.4f}]"
    share = 2e3 * spent_ns / (time.perf_counter_ns() - begun_ns)  # it went on in half the blocks
    print(f"  time with / without {limits}; processor {share:.1f} ms a second", flush=True)


def main() -> None:
    """Both workers, one after the other."""
    pairs = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    own, *others = sorted(os.sched_getaffinity(0))
    os.sched_setaffinity(0, {own})  # the worker inherits it
    with TemporaryDirectory() as folder:
        spec = ClipSpec(name="c", recipe=Recipe(width_px=640, height_px=360, duration_s=1))
        job = PrepareOriginalJob(clip=spec, seed=1, cache_dir=folder)
        path = prepare_original(job, lambda *_: None).media.media_path
        with running_hosts(Path(folder, "hosts"), {"": HERE, "a": HERE}, port=PORT) as hosts:
            time.sleep(5)
            psutil.Process(hosts.processes[""].pid).cpu_affinity(others or [own])
            worker = psutil.Process(hosts.processes["a"].pid)
            print("as Dask starts it:")
            compare(path, worker, pairs)
            with connected(hosts.address, None) as fleet:
                print("quiet:", *fleet.look()[0])
                time.sleep(2)
                compare(path, worker, pairs)


if __name__ == "__main__":
    main()

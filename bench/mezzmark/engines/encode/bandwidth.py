"""The machine's memory bandwidth at 1 … n processes: a ceiling that no encoder can pass.

A copy kernel of our own: each process copies its own block, far larger than the caches, over and
over, all released together. Bytes count twice, read and written, as usual for copies (McCalpin,
STREAM, 1995); what the cache writes back besides is not counted.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from mezzmark.engines.encode.crew import Crew, run_crew
from mezzmark.model.run import BandwidthFacts, BandwidthPoint

BLOCK_BYTES: Final = 64 * 2**20
"""Source and copy together pass the last-level caches of workstations several times."""

REPEATS: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class _Task:
    block_bytes: int
    repeats: int
    clock_ns: Callable[[], int]


def measure_bandwidth(
    process_counts: Sequence[int],
    *,
    clock_ns: Callable[[], int],
    block_bytes: int = BLOCK_BYTES,
    repeats: int = REPEATS,
) -> BandwidthFacts:
    """Aggregate copy rate for each number of processes, in the order asked for.

    The rate counts the copies that ended before the first process was done, so that all copied
    throughout. Raises EngineError when a process died.
    """
    task = _Task(block_bytes=block_bytes, repeats=repeats, clock_ns=clock_ns)
    points = []
    for process_count in process_counts:
        moments = run_crew(_copy, task, member_count=process_count)
        released_ns = min(member[0] for member in moments)
        end_ns = min(member[-1] for member in moments)
        copies = sum(moment <= end_ns for member in moments for moment in member[1:])
        copied_bytes = 2 * block_bytes * copies
        points.append(
            BandwidthPoint(
                process_count=process_count,
                bytes_per_s=copied_bytes / ((end_ns - released_ns) / 1e9),
            )
        )
    return BandwidthFacts(block_bytes=block_bytes, repeats=repeats, points=tuple(points))


def _copy(task: _Task, number: int, crew: Crew) -> list[int]:
    """The clock at the release and after each copy."""
    source = np.ones(task.block_bytes, dtype=np.uint8)
    target = np.zeros_like(source)  # written before the clock runs, so that its pages exist
    np.copyto(target, source)
    crew.start_together(task.clock_ns)
    moments = [task.clock_ns()]
    for _ in range(task.repeats):
        np.copyto(target, source)
        moments.append(task.clock_ns())
    return moments

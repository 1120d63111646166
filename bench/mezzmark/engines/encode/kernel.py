"""The reference kernel: a fixed small workload that has nothing to do with any codec.

It runs in every round. When it drifts, the machine drifts; when only a cell drifts, the codec
does. Half of it is arithmetic that stays in the caches, half streams through memory, as decoding
and picture conversion do. One thread, so that it is the same on every machine.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from mezzmark.host.common import read_process_facts
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks.kernel import KernelJob, KernelMeasurement

CACHED_VALUES = 8_192
"""64 KiB of doubles: lies in the second-level cache of any machine of the last fifteen years."""

CACHED_PASSES = 1_600
"""About 15 to 25 ms of arithmetic on the development machine."""

STREAMED_BYTES = 16 * 1024 * 1024
"""Beyond a core's share of the last-level cache on a workstation."""

STREAMED_PASSES = 3
"""About 15 to 25 ms of traffic on the development machine."""

WARM_UP_REPEATS = 1
"""The first repeat maps the memory and is not the workload; it is run and not recorded."""


def run_kernel(job: KernelJob, clock_ns: Callable[[], int]) -> Measured:
    """Time `job.repeats` repeats of the workload, in nanoseconds each."""
    values = np.linspace(0.1, 0.9, CACHED_VALUES)
    source = np.arange(STREAMED_BYTES, dtype=np.uint8)
    target = np.empty_like(source)
    wall_ns = []
    for _ in range(WARM_UP_REPEATS + job.repeats):
        start_ns = clock_ns()
        work(values, source, target)
        wall_ns.append(clock_ns() - start_ns)
    return Measured(
        measurement=KernelMeasurement(wall_ns=tuple(wall_ns[WARM_UP_REPEATS:])),
        process=read_process_facts(),
    )


def work(
    values: NDArray[np.float64], source: NDArray[np.uint8], target: NDArray[np.uint8]
) -> float:
    """The workload: the same operations in the same order each time. Returns its end value, which
    depends on `values` alone (a logistic map, x → 3.7·x·(1 − x), iterated per element)."""
    x = values.copy()
    scratch = np.empty_like(x)
    for _ in range(CACHED_PASSES):
        np.subtract(1.0, x, out=scratch)
        np.multiply(x, scratch, out=x)
        np.multiply(x, 3.7, out=x)
    for step in range(STREAMED_PASSES):
        np.bitwise_xor(source, np.uint8(step + 1), out=target)
        np.add(source, target, out=target)
    return float(x.mean())

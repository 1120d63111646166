"""Reference workloads that have nothing to do with any codec: a kernel, copies of memory, and the
storage task, whose processes read or write a file of their own each.

The kernel runs in every round: when it drifts, the machine drifts; when only a cell drifts, the
codec does. Half of it is arithmetic that stays in the caches, half streams through memory, as
decoding and conversion do; one thread, so that it is the same on every machine.

Copies give the memory bandwidth at 1 … n processes, a ceiling for encoders. Each process copies its
own block, far larger than the caches. Bytes count twice, read and written, as usual (McCalpin,
STREAM, 1995), without what the cache writes back.

What is read of the storage was written before, has reached it and is dropped from this machine's
file cache each time; where that cannot be proved the trial is set apart. Files lie in the trial's
scratch folder, which whoever made and marked it removes.
"""

import os
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from mezzmark.engines.encode.process_pool import ProcessPool, run_parallel
from mezzmark.host.common import read_clock_ns, read_process_facts
from mezzmark.host.file_pages import is_dropped
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks.kernel import BandwidthFacts, BandwidthPoint, KernelJob, KernelMeasurement
from mezzmark.model.tasks.storage import StorageJob, StorageMeasurement

if TYPE_CHECKING:  # a trial does without
    from mezzmark.model.preparations import BandwidthJob, BandwidthMeasured

CACHED_VALUES: Final = 8_192
"""64 KiB of doubles: lies in the second-level cache of any machine of the last fifteen years."""

CACHED_PASSES: Final = 1_600
"""About 15 to 25 ms of arithmetic on the development machine."""

STREAMED_BYTES: Final = 16 * 1024 * 1024
"""Beyond a core's share of the last-level cache on a workstation."""

STREAMED_PASSES: Final = 3
"""About 15 to 25 ms of traffic on the development machine."""

WARM_UP_REPEATS: Final = 1
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
    measurement = KernelMeasurement(wall_ns=tuple(wall_ns[WARM_UP_REPEATS:]))
    return Measured(measurement=measurement, process=read_process_facts())


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


COPIED_BYTES: Final = 64 * 2**20
"""Source and copy together pass the last-level caches of workstations several times."""

COPIES: Final = 8


def measure_bandwidth(
    process_counts: Sequence[int],
    *,
    clock_ns: Callable[[], int],
    block_bytes: int = COPIED_BYTES,
    repeats: int = COPIES,
) -> BandwidthFacts:
    """Aggregate copy rate for each number of processes, of the copies that ended before the first
    process was done, so that all copied throughout. EngineError when one died."""
    copy = partial(_copy, block_bytes, repeats, clock_ns)
    points = []
    for process_count in process_counts:
        moments = run_parallel(copy, worker_count=process_count)
        released_ns = min(worker[0] for worker in moments)
        end_ns = min(worker[-1] for worker in moments)
        copies = sum(moment <= end_ns for worker in moments for moment in worker[1:])
        rate = 2 * block_bytes * copies / ((end_ns - released_ns) / NS_PER_S)
        points.append(BandwidthPoint(process_count=process_count, bytes_per_s=rate))
    return BandwidthFacts(block_bytes=block_bytes, repeats=repeats, points=tuple(points))


def run_bandwidth(job: "BandwidthJob", _advance: object) -> "BandwidthMeasured":
    """The machine's memory bandwidth, as the job asks for it."""
    measured = measure_bandwidth(job.process_counts, clock_ns=read_clock_ns)
    from mezzmark.model.preparations import BandwidthMeasured

    return BandwidthMeasured(bandwidth=measured)


def _copy(
    block_bytes: int, repeats: int, clock_ns: Callable[[], int], _number: int, pool: ProcessPool
) -> list[int]:
    """The clock at the release and after each copy."""
    source = np.ones(block_bytes, dtype=np.uint8)
    target = np.zeros_like(source)  # written before the clock runs, so that its pages exist
    np.copyto(target, source)
    pool.start_together(clock_ns)
    moments = [clock_ns()]
    for _ in range(repeats):
        np.copyto(target, source)
        moments.append(clock_ns())
    return moments


class _Done(NamedTuple):
    start_ns: int
    end_ns: int
    byte_count: int
    read_ns: list[int]
    is_cold: bool


def run_storage(job: StorageJob, clock_ns: Callable[[], int]) -> Measured:
    """Release the processes together; the worst of them says whether all was cold."""
    done = run_parallel(partial(_store, job), worker_count=job.process_count)
    first_ns = min(one.start_ns for one in done)
    measurement = StorageMeasurement(
        access=job.access,
        byte_count=sum(one.byte_count for one in done),
        wall_ns=max(one.end_ns for one in done) - first_ns,
        process_start_ns=tuple(one.start_ns - first_ns for one in done),
        process_end_ns=tuple(one.end_ns - first_ns for one in done),
        read_ns=tuple(time_ns for one in done for time_ns in one.read_ns),
    )
    flags = () if all(one.is_cold for one in done) else ("not_cold",)
    return Measured(measurement=measurement, process=read_process_facts(), flags=flags)


def _store(job: StorageJob, number: int, pool: ProcessPool) -> _Done:
    path = Path(job.scratch_dir) / f"storage-{number}"
    content = np.random.default_rng(number).bytes(job.size_bytes)  # cannot be compressed
    piece_count = -(-job.file_bytes // job.size_bytes)
    if job.access == "write":
        pool.start_together(read_clock_ns)
        start_ns = read_clock_ns()
        _write(path, content, piece_count)
        return _Done(start_ns, read_clock_ns(), piece_count * job.size_bytes, [], True)
    _write(path, content, piece_count)
    is_cold = is_dropped(path)
    pool.start_together(read_clock_ns)
    buffer, times_ns = bytearray(job.size_bytes), list[int]()
    start_ns = read_clock_ns()
    with path.open("rb", buffering=0) as file:
        for offset in job.offsets:
            is_cold &= not times_ns or is_dropped(path)  # readahead may have brought the next one
            read_start_ns = read_clock_ns()
            file.seek(offset)
            file.readinto(buffer)
            times_ns.append(read_clock_ns() - read_start_ns)
        while not job.offsets and file.readinto(buffer):
            pass
    end_ns = read_clock_ns()
    byte_count = len(job.offsets) * job.size_bytes or piece_count * job.size_bytes
    return _Done(start_ns, end_ns, byte_count, times_ns, is_cold)


def _write(path: Path, content: bytes, piece_count: int) -> None:
    """In pieces, and out of this machine's memory at the end."""
    with path.open("xb", buffering=0) as file:
        for _ in range(piece_count):
            file.write(content)
        os.fsync(file.fileno())

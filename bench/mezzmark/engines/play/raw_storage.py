"""The storage task: processes that read or write a file of their own each, and do nothing else.

What is read was written before, has reached the storage and is dropped from this machine's file
cache, each time before it is read; where that cannot be proved the trial is set apart. Files lie in
the trial's scratch folder, which whoever made and marked it removes.
"""

import os
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import NamedTuple

import numpy as np

from mezzmark.engines.encode.process_pool import ProcessPool, run_parallel
from mezzmark.host.common import read_clock_ns, read_process_facts
from mezzmark.host.file_pages import is_dropped
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks.storage import StorageJob, StorageMeasurement


class _Done(NamedTuple):
    start_ns: int
    end_ns: int
    byte_count: int
    read_ns: list[int]
    is_cold: bool


def run_storage(job: StorageJob, clock_ns: Callable[[], int]) -> Measured:
    """Release the processes together; the worst of them says whether all was cold."""
    done = run_parallel(partial(_work, job), worker_count=job.process_count)
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


def _work(job: StorageJob, number: int, pool: ProcessPool) -> _Done:
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

"""The storage task beside `dd`, which reads the same files: the ratio of their rates.

    python tests/simulation/raw_storage_ratio.py [ROUNDS] [FOLDER]

Paired by round, in changing order. Both read files that the same processes wrote side by side just
before (where blocks lie, and what a host keeps, follows from that), with nothing in the file cache.
Of `dd` its own time counts, since a program's start is no storage. Disks that others use are
unsteady: a file system in a file on tmpfs (`mount -o loop`) has a cache of its own to be emptied.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median

from scipy.stats import binom

from mezzmark.engines.encode.reference import run_storage
from mezzmark.host.common import read_clock_ns
from mezzmark.host.file_pages import is_dropped
from mezzmark.model.tasks.storage import Access, StorageJob

FILE_BYTES = 256 * 2**20
PLAIN = os.environ | {"LC_ALL": "C"}


def dd_rate(folder: Path, count: int) -> float:
    """Bytes a second of a `dd` a file, all at once, in the longest of the times that they tell;
    the storage task has just written the files."""
    run_task(folder, count, "write")
    files = sorted(folder.iterdir())
    for file in files:
        assert is_dropped(file)
    commands = (["dd", f"if={file}", "of=/dev/null", "bs=1M"] for file in files)
    running = [subprocess.Popen(command, stderr=subprocess.PIPE, env=PLAIN) for command in commands]
    told = [one.communicate()[1].decode() for one in running]
    times_s = [float(text.rsplit(",", 2)[1].removesuffix(" s")) for text in told]
    return FILE_BYTES * len(files) / max(times_s)


def run_task(folder: Path, count: int, access: Access) -> float:
    """The same by the storage task, which makes the files anew."""
    for file in folder.iterdir():
        file.unlink()
    job = StorageJob(
        access=access,
        process_count=count,
        size_bytes=2**20,
        file_bytes=FILE_BYTES,
        offsets=(),
        scratch_dir=str(folder),
    )
    measured = run_storage(job, read_clock_ns)
    assert measured.flags == ()
    return measured.measurement.byte_count / measured.measurement.wall_ns * 1e9


def main(rounds: int, place: str | None) -> None:
    """A line a number of readers."""
    for count in (1, 2, 4):
        ratios, rates = [], []
        with tempfile.TemporaryDirectory(dir=place) as name:
            folder = Path(name)
            for number in range(rounds):
                first = dd_rate(folder, count) if number % 2 else 0.0
                own = run_task(folder, count, "sequential")
                dd = first or dd_rate(folder, count)
                ratios.append(own / dd)
                rates.append(own / 1e6)
        rank = int(binom.ppf(0.025, rounds, 0.5))  # of order statistics about the median
        low, high = sorted(ratios)[rank - 1], sorted(ratios)[-rank]
        print(f"{count}: {median(ratios):.3f} [{low:.3f}, {high:.3f}], {median(rates):.0f} MB/s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 15, sys.argv[2] if len(sys.argv) > 2 else None)

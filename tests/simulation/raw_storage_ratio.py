"""The storage task beside `dd`, which reads the same files: the ratio of their rates.

    python tests/simulation/raw_storage_ratio.py [ROUNDS] [FOLDER]

Paired by round, in changing order; both start with nothing in the file cache. `dd` includes the
start of its processes, hence large files.
"""

import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median
from time import perf_counter

from mezzmark.engines.play.raw_storage import run_storage
from mezzmark.host.common import read_clock_ns
from mezzmark.host.file_pages import drop_pages, resident_fraction
from mezzmark.model.tasks.storage import StorageJob
from mezzmark.own_files import write_new

FILE_BYTES = 256 * 2**20


def dd_rate(files: list[Path]) -> float:
    """Bytes a second of a `dd` a file, all at once, right after the files were written anew."""
    for file in files:
        content = file.read_bytes()
        file.unlink()
        write_new(file, content, is_synced=True)
        drop_pages(file)
        assert resident_fraction(file) == 0
    start = perf_counter()
    running = [
        subprocess.Popen(["dd", f"if={file}", "of=/dev/null", "bs=1M"], stderr=subprocess.DEVNULL)
        for file in files
    ]
    assert [one.wait() for one in running] == [0] * len(files)
    return sum(file.stat().st_size for file in files) / (perf_counter() - start)


def own_rate(folder: Path, count: int) -> float:
    """The same by the storage task, which makes the files anew."""
    for file in folder.iterdir():
        file.unlink()
    job = StorageJob(
        access="sequential",
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
            own_rate(folder, count)
            for number in range(rounds):
                files = sorted(folder.iterdir())
                first = dd_rate(files) if number % 2 else 0.0
                own = own_rate(folder, count)
                dd = first or dd_rate(sorted(folder.iterdir()))
                ratios.append(own / dd)
                rates.append(own / 1e6)
        low, high = sorted(ratios)[1], sorted(ratios)[-2]
        print(f"{count}: {median(ratios):.3f} [{low:.3f}, {high:.3f}], {median(rates):.0f} MB/s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 9, sys.argv[2] if len(sys.argv) > 2 else None)

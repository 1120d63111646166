"""Reference workloads: the storage task reads what it wrote, from a cold cache, in a folder of its
own; the copy kernel counts what it copies."""

from contextlib import nullcontext
from pathlib import Path

import pytest

from mezzmark.engines.encode import reference
from mezzmark.engines.encode.reference import measure_bandwidth, run_storage
from mezzmark.host import file_pages
from mezzmark.host.common import read_clock_ns
from mezzmark.host.file_pages import drop_pages, resident_fraction
from mezzmark.model.cell import PlannedTrial
from mezzmark.model.link import KIB
from mezzmark.model.tasks.spec import PreparedFootage, Seen, Stock
from mezzmark.model.tasks.storage import STORAGE, StorageJob, StorageSettings

FILE_BYTES = 1024 * KIB


@pytest.fixture
def proves_cold(tmp_path: Path) -> None:
    """Skips where this storage cannot be proved to be cold."""
    path = tmp_path / "tried"
    path.write_bytes(bytes(FILE_BYTES))
    drop_pages(path)
    if resident_fraction(path) != 0:
        pytest.skip("the file cache cannot be emptied, or not be asked, here")
    path.unlink()


def planned(settings: StorageSettings, scratch_dir: Path) -> list[StorageJob]:
    stock = Stock(clips=(), encodings=(), media=(), core_count=2)
    footage = PreparedFootage(
        clips=(), frame_counts={}, media={}, encodings=(), scratch_dir=str(scratch_dir)
    )
    return [
        STORAGE.job(PlannedTrial(round_index=0, position=0, cell=cell, seed=1), settings, footage)
        for cell in STORAGE.plan(settings, stock)
    ]


def test_a_scenario_plans_every_access_by_every_number(tmp_path: Path) -> None:
    """Two readers, one writer and two sizes make 2 + 4 + 1 cells; single reads have places of their
    own within the file, which is as large as one of them at least."""
    settings = StorageSettings(readers=(1, 3), writers=(2,), read_kib=(64, 2048), file_mib=1)
    jobs = planned(settings, tmp_path)
    accesses = [(job.access, job.process_count, job.size_bytes // KIB) for job in jobs]
    assert accesses == [
        *(("sequential", 1, 1024), ("sequential", 3, 1024)),
        *(("random", count, size) for count in (1, 3) for size in (64, 2048)),
        ("write", 2, 1024),
    ]
    for job in jobs:
        assert len(set(job.offsets)) == len(job.offsets)
        ends = [offset + job.size_bytes for offset in job.offsets]
        assert all(end <= job.file_bytes for end in ends)
        assert bool(ends) is (job.access == "random")


def test_processes_read_what_they_wrote_from_a_cold_cache(
    proves_cold: None, tmp_path: Path
) -> None:
    """Two processes with four single reads each: eight times, all bytes counted, nothing resident
    before, and no file outside the folder that was named."""
    settings = StorageSettings(readers=(2,), read_kib=(64,), reads=4, file_mib=1)
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    job = next(job for job in planned(settings, scratch) if job.access == "random")
    measured = run_storage(job, lambda: 0)
    assert measured.flags == ()
    found = measured.measurement
    assert (len(found.read_ns), found.byte_count) == (8, 8 * 64 * KIB)
    assert sum(found.read_ns) <= 2 * found.wall_ns
    rate = STORAGE.figures[0].of
    a_second = found.model_copy(update={"read_ns": (10**8,) * 8, "byte_count": 4 * 10**6})
    assert rate(Seen(a_second, None)) == pytest.approx(10)  # 4 MB in 0.4 s of each process
    in_a_row = found.model_copy(update={"read_ns": (), "byte_count": 10**6, "wall_ns": 10**7})
    assert rate(Seen(in_a_row, None)) == pytest.approx(100)
    assert {path.parent for path in tmp_path.rglob("*") if path.is_file()} == {scratch}
    assert {path.stat().st_size for path in scratch.iterdir()} == {FILE_BYTES}


class Alone:
    """A pool of this process."""

    start_together = staticmethod(nullcontext)


@pytest.mark.parametrize("access", ["sequential", "random", "write"])
def test_a_warm_file_is_found(
    access: str, proves_cold: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where pages are not dropped reads are not called cold; a write has nothing to be cold."""
    settings = StorageSettings(readers=(1,), writers=(1,), read_kib=(64,), reads=2, file_mib=1)
    job = next(job for job in planned(settings, tmp_path) if job.access == access)
    cold = reference._store(job, 0, Alone())
    monkeypatch.setattr(file_pages, "drop_pages", lambda path: None)
    warm = reference._store(job, 1, Alone())
    assert (cold.is_cold, warm.is_cold) == (True, access == "write")
    assert cold.byte_count == warm.byte_count == (2 * 64 * KIB if job.offsets else FILE_BYTES)


def test_each_number_of_processes_has_a_rate() -> None:
    """One and two processes copy, in the order asked for; the rate is positive and below what any
    memory carries (10 TB/s)."""
    facts = measure_bandwidth((1, 2), clock_ns=read_clock_ns, block_bytes=2**20, repeats=20)
    assert [point.process_count for point in facts.points] == [1, 2]
    assert all(0 < point.bytes_per_s < 1e13 for point in facts.points)

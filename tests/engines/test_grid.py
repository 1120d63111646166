"""The encode grid on real encoders: jobs side by side, every file whole."""

import errno
import os
from functools import partial
from pathlib import Path

import pytest

from fixtures.encoded_pictures import FRAME_COUNT, master
from fixtures.figures import figures_of
from fixtures.scrubbed import indexed
from mezzmark.engines.encode.encode import run_grid
from mezzmark.engines.encode.process_pool import ProcessPool, run_parallel
from mezzmark.engines.media.frame_index import write_frame_index
from mezzmark.host.common import read_clock_ns
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.errors import EncodingError, EngineError, ScenarioError
from mezzmark.model.tasks.grid import GridJob, GridMeasurement

AFFINITY = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else set()


def _job(folder: Path, *, is_pinned: bool = False) -> GridJob:
    return GridJob(
        source=indexed(master().path, folder, master().index),
        encoding=find_encoding("vc3-sq"),
        frame_count=FRAME_COUNT,
        thread_count=1,
        job_count=2,
        is_pinned=is_pinned,
        scratch_dir=str(folder),
    )


@pytest.fixture
def job(tmp_path: Path) -> GridJob:
    return _job(tmp_path)


def _measure(job: GridJob) -> GridMeasurement:
    measurement = run_grid(job, read_clock_ns).measurement
    assert isinstance(measurement, GridMeasurement)
    return measurement


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> GridMeasurement:
    """Two jobs side by side, pinned where the system can."""
    return _measure(_job(tmp_path_factory.mktemp("grid"), is_pinned=True))


def test_frames_out_are_frames_in_for_every_job(measured: GridMeasurement) -> None:
    """Two jobs write a file each; both hold every picture with its stamp in order."""
    assert measured.decoded_frame_count == (FRAME_COUNT, FRAME_COUNT)
    assert measured.packet_count == (FRAME_COUNT, FRAME_COUNT)
    assert measured.stamps_in_order == (True, True)
    assert measured.file_bytes[0] == measured.file_bytes[1] > 0


def test_the_window_is_common(measured: GridMeasurement) -> None:
    """The window ends with the first job's end, which has all its packets by then, and its parts
    are all there."""
    assert measured.window_ns == min(measured.end_ns)
    first = measured.end_ns.index(min(measured.end_ns))
    assert measured.window_packets[first] == FRAME_COUNT
    assert min(measured.start_ns) == 0
    assert all(ns > 0 for ns in (*measured.cpu_ns, *measured.load_ns, *measured.verify_ns))
    assert figures_of(measured)["throughput_fps"] > 0


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="no affinity on this system")
def test_pinning_is_recorded_and_leaves_this_process_alone(measured: GridMeasurement) -> None:
    """Two jobs of one thread get cores of their own where there are two; this process keeps its
    set."""
    usable = len(AFFINITY)
    assert measured.is_pinned == (usable >= 2)
    assert os.sched_getaffinity(0) == AFFINITY


def test_more_threads_than_cores_are_not_called_pinned(job: GridJob) -> None:
    """More threads than cores cannot be pinned, and the record says that they were not."""
    too_many = (os.cpu_count() or 1) + 1
    found = _measure(
        job.model_copy(update={"is_pinned": True, "job_count": 1, "thread_count": too_many})
    )
    assert not found.is_pinned


def test_an_encoding_that_cannot_be_is_said_and_nothing_hangs(job: GridJob) -> None:
    """An encoder that refuses in every job ends the cell with its reason."""
    broken = job.encoding.model_copy(update={"options": {"profile": "dnxhr_hqx"}})
    with pytest.raises(EncodingError):
        run_grid(job.model_copy(update={"encoding": broken}), read_clock_ns)


def test_pictures_out_of_order_have_no_speed(job: GridJob) -> None:
    """Where the stamps that come back are not those that went in, the cell is refused, not
    timed."""
    index = master().index
    swapped = index.model_copy(update={"stamps": (*index.stamps[1:], index.stamps[0])})
    write_frame_index(swapped, job.source.index_path)
    with pytest.raises(EncodingError, match="order"):
        run_grid(job.model_copy(update={"job_count": 1}), read_clock_ns)


def test_too_little_memory_is_refused_with_what_fits(
    job: GridJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When held pictures would not fit, the error says how many would."""
    monkeypatch.setattr("mezzmark.engines.encode.encode.MEMORY_FRACTION", 1e-9)
    with pytest.raises(ScenarioError, match=r"grid\.frames to \d+"):
        run_grid(job, read_clock_ns)


def _answer_or_die(payload: int, number: int, pool: ProcessPool) -> int:
    if number == payload:
        os._exit(7)
    pool.meet()
    return number


def test_a_worker_that_dies_frees_the_others() -> None:
    """One of two processes dies before the barrier: the other does not wait for ever, and the
    error carries the exit status."""
    with pytest.raises(EngineError, match="exit status 7"):
        run_parallel(partial(_answer_or_die, 1), worker_count=2)


def _meet_a_full_disk(payload: int, number: int, pool: ProcessPool) -> int:
    if number == payload:
        raise OSError(errno.ENOSPC, "no room", "job-1.mov")
    pool.meet()
    return number


def test_a_full_disk_under_one_of_them_is_told_as_that() -> None:
    """It is the storage's fault, which ends a run, and not the encoding's, which would be left
    out; and the other process does not wait for ever."""
    with pytest.raises(OSError, match=r"job-1\.mov") as caught:
        run_parallel(partial(_meet_a_full_disk, 1), worker_count=2)
    assert caught.value.errno == errno.ENOSPC


def _take(payload: int, number: int, pool: ProcessPool) -> list[int]:
    taken = [-1 - number]
    while (mine := pool.next_index()) < payload:
        taken.append(mine)
    return taken


def test_every_number_is_taken_once() -> None:
    """Two processes share out 200 numbers without loss or repetition, and answer in the order of
    the workers."""
    shares = run_parallel(partial(_take, 200), worker_count=2)
    assert [share.pop(0) for share in shares] == [-1, -2]
    assert sorted(number for share in shares for number in share) == list(range(200))

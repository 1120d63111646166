"""An ingest that is killed at random moments never leaves a partial file that looks finished."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from fixtures.clip_zoo import ZooClip, make_zoo_clip
from mezzmark.engines.encode.ingest import NOTE_NAME, PART_SUFFIX
from mezzmark.engines.media.cache import file_fingerprint
from mezzmark.engines.media.frame_index import build_frame_index, write_frame_index
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.tasks.ingest import IngestJob, IngestSource
from mezzmark.model.tasks.spec import MediaReference

LOOK_S = 0.002
CLIPS = 10
FRAMES = 12
SCRIPT = Path(__file__).parents[1] / "fixtures" / "ingest_until_killed.py"

pytestmark = pytest.mark.skipif(os.name == "nt", reason="process groups are POSIX")


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A moving picture whose every encoded frame has weight."""
    clip = ZooClip(encoder="mpeg4", ending="mp4")
    return make_zoo_clip(clip, tmp_path_factory.mktemp("original"), FRAMES)


@pytest.fixture(scope="module")
def job_file(original: Path) -> Path:
    """Ten clips, all of the same camera file."""
    index_path = original.with_name("index.json")
    write_frame_index(build_frame_index(original, is_stamped=False), index_path)
    media = MediaReference(media_path=str(original), index_path=str(index_path))
    job = IngestJob(
        sources=tuple(
            IngestSource(clip=f"take {n}", media=media, frame_count=FRAMES) for n in range(CLIPS)
        ),
        encoding=find_encoding("rdd36-standard"),
        thread_count=1,
        job_count=2,
        order="fifo",
        height_px=None,
        scratch_dir=str(original.parent),
    )
    path = original.with_name("job.json")
    path.write_text(job.model_dump_json(), encoding="utf-8")
    return path


def _start(job_file: Path, destination: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, str(SCRIPT), str(job_file), str(destination)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )


def _finish(job_file: Path, destination: Path) -> None:
    process = _start(job_file, destination)
    _, complaint = process.communicate()
    assert process.returncode == 0, complaint.decode()


def _progress_bytes(folder: Path, *, since_ns: int) -> int:
    """Bytes of the finished files and of the parts that were begun after `since_ns`."""
    total = 0
    for entry in os.scandir(folder) if folder.exists() else ():
        try:
            status = entry.stat()
        except FileNotFoundError:  # renamed while we looked
            continue
        is_old_part = entry.name.endswith(PART_SUFFIX) and status.st_mtime_ns <= since_ns
        if entry.name != NOTE_NAME and not is_old_part:
            total += status.st_size
    return total


def _kill_when(
    process: subprocess.Popen[bytes], folder: Path, byte_count: float, *, since_ns: int
) -> bool:
    """Kill the whole group once it has got so far; False if it ended before."""
    while process.poll() is None:
        time.sleep(LOOK_S)
        if _progress_bytes(folder, since_ns=since_ns) >= byte_count:
            os.killpg(process.pid, signal.SIGKILL)
            process.communicate()
            return True
    process.communicate()
    return False


def _finished(folder: Path) -> dict[str, tuple[int, int]]:
    """Files under their own names, with what would change if they were made again."""
    return {
        path.name: (path.stat().st_ino, path.stat().st_mtime_ns)
        for path in folder.glob("*")
        if path.suffix != PART_SUFFIX and path.name != NOTE_NAME
    }


@pytest.mark.parametrize("kills", [4, pytest.param(20, marks=pytest.mark.slow)])
def test_kills_leave_only_whole_files(
    job_file: Path, original: Path, tmp_path: Path, kills: int
) -> None:
    """Killed with SIGKILL at random moments: whatever has its own name is byte for byte the file
    of an undisturbed ingest; a resumed ingest keeps every such file and makes only the rest; the
    original is unchanged."""
    before = file_fingerprint(original)
    undisturbed = tmp_path / "undisturbed"
    _finish(job_file, undisturbed)
    expected = {name: file_fingerprint(undisturbed / name) for name in _finished(undisturbed)}
    assert len(expected) == CLIPS
    total = _progress_bytes(undisturbed, since_ns=0)

    rng = np.random.default_rng(20)
    done = torn = 0
    kept: dict[str, tuple[int, int]] = {}
    folder = tmp_path / "killed-0"
    while done < kills:
        parts = [path.stat().st_mtime_ns for path in folder.glob(f"*{PART_SUFFIX}")]
        since_ns = max(parts, default=0)
        there = _progress_bytes(folder, since_ns=since_ns)
        process = _start(job_file, folder)
        # one byte more than there is, so that the session has begun; at most six clips further,
        # so that a folder meets several kills
        goal = there + 1 + rng.uniform(0, 6) * total / CLIPS
        if not _kill_when(process, folder, goal, since_ns=since_ns):
            assert {n: file_fingerprint(folder / n) for n in _finished(folder)} == expected
            folder, kept = tmp_path / f"killed-{done}", {}
            continue
        done += 1
        finished = _finished(folder)
        torn += any(path.suffix == PART_SUFFIX for path in folder.glob("*"))
        for name in finished:
            assert file_fingerprint(folder / name) == expected[name], f"{name} is not whole"
        assert kept.items() <= finished.items(), "a finished file was made again"
        kept = finished
    _finish(job_file, folder)
    finished = _finished(folder)
    assert kept.items() <= finished.items()
    assert {name: file_fingerprint(folder / name) for name in finished} == expected
    assert not list(folder.glob(f"*{PART_SUFFIX}"))
    assert torn > kills / 4, "hardly a kill met a file in the making; the test proves nothing"
    assert file_fingerprint(original) == before

"""Several editors, and players that read over a link: against arithmetic on a virtual clock, with
real files, and with planted faults."""

import math
import os
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier, Condition
from typing import Any

import pytest

from fixtures.clip_zoo import ZOO, make_zoo_clip
from fixtures.scrubbed import indexed
from mezzmark.engines.media.storage_file import Line, StorageFile
from mezzmark.engines.play import drag, playback
from mezzmark.engines.play.playback import PlayLoop
from mezzmark.host import file_pages
from mezzmark.model.errors import EngineError
from mezzmark.model.jobs import Measured
from mezzmark.model.link import Link, LinkSettings
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks.drag import DragJob, DragMeasurement, view_drag
from mezzmark.model.tasks.hand import Stroke
from mezzmark.model.tasks.play import PlayJob, PlayMeasurement, judge_playback, view_play
from mezzmark.model.tasks.spec import MediaReference, Seen
from mezzmark.model.tasks.streams import (
    Gate,
    Level,
    StreamsJob,
    StreamsMeasurement,
    is_dragging,
    streams_played,
)
from mezzmark.runner.workers import last_answer, run_worker

PICTURE_BYTES, RATE = 40_000, 25
STREAM_BPS = 8 * PICTURE_BYTES * RATE


class Turns:
    """Threads on a virtual clock each: the one whose time is least goes on, all others wait."""

    def __init__(self, count: int) -> None:
        self.now_ns: list[float] = [0] * count
        self._turn = Condition()

    def sleep(self, number: int, span_ns: float) -> None:
        with self._turn:
            self.now_ns[number] += span_ns
            self._turn.notify_all()
            if span_ns < math.inf:  # it goes on
                self._turn.wait_for(lambda: self.now_ns.index(min(self.now_ns)) == number)


def _late(count: int, link: Link, path: Path) -> int:
    """Late pictures of `count` streams over one line, whose pictures cost nothing to decode."""
    turns, line = Turns(count), Line(link)

    def play(number: int) -> int:
        def clock_ns() -> int:
            return round(turns.now_ns[number])

        def sleep(span_ns: int) -> None:
            turns.sleep(number, span_ns)

        class Reader:
            file = StorageFile(path, line, clock_ns=clock_ns, sleep_ns=sleep)
            frame_rate = RATE

            def bring(self, frame: int) -> bytes:
                self.file.seek(frame * PICTURE_BYTES)
                return self.file.read(PICTURE_BYTES)

            def present(self, picture: bytes) -> bytes:
                return picture

        sleep(0)
        loop = PlayLoop(Reader(), Reader, lambda *_: None, clock_ns=clock_ns, sleep=sleep)
        found = loop.play([[frame] for frame in range(80)], "1x")
        sleep(math.inf)
        return int(judge_playback(found, 60)["late"])

    with ThreadPoolExecutor(count) as threads:
        return sum(threads.map(play, range(count)))


@pytest.mark.parametrize("carried", [2, 4])
def test_streams_are_late_where_their_rates_exceed_the_link(carried: int, tmp_path: Path) -> None:
    """n streams of b bits a second over a link of R: none late while n b <= R, many beyond."""
    path = tmp_path / "pictures"
    path.write_bytes(bytes(80 * PICTURE_BYTES))
    link = Link(
        name="",
        rate_bps=(carried + 0.2) * STREAM_BPS,
        round_trip_ns=0,
        window_bytes=PICTURE_BYTES,
        request_bytes=PICTURE_BYTES,
    )
    found = [_late(count, link, path) for count in range(1, carried + 2)]
    assert found[:-1] == [0] * carried
    assert found[-1] > 20


@pytest.mark.parametrize("scrubbing", [0, 0.1, 0.3, 0.5, 0.7, 1])
def test_a_share_of_editors_drags(scrubbing: float) -> None:
    """Of the first n their share, rounded up, whatever n is."""
    for count in range(21):
        dragging = sum(is_dragging(number, scrubbing) for number in range(count))
        assert dragging == math.ceil(round(scrubbing * count, 9))


@pytest.mark.parametrize(
    ("level", "is_passed"),
    [
        ((300, 1, 1, 99.0, 1, 1, 36_000_000), True),
        ((0, 0, 0, 99.0, 1, 1, 36_000_000), True),
        ((300, 2, 2, 99.0, 1, 1, 36_000_000), False),
        ((300, 1, 1, 101.0, 1, 1, 36_000_000), False),
        ((300, 1, 1, 99.0, 1, 1, 35_900_000), False),
        ((0, 0, 0, None, 0, None, 36_000_000), False),
    ],
)
def test_a_number_passes_by_late_pictures_ages_and_the_ingest(level: Any, is_passed: bool) -> None:
    """Late pictures of who plays, ages of who drags, nine tenths of the ingest's rate; and somebody
    must have shown something."""
    limits = {"duration_s": 4, "age_limit_ms": 100, "ingest_mb_per_s": 10}
    measured = StreamsMeasurement(**limits, levels=(Level(1, *level),), proof=())
    assert measured.passed == {1: is_passed}


@pytest.fixture(scope="module")
def media(tmp_path_factory: pytest.TempPathFactory) -> MediaReference:
    return indexed(make_zoo_clip(ZOO["rdd36-mov"], tmp_path_factory.mktemp("editors")))


def _asked(media: MediaReference, **own: Any) -> dict[str, Any]:
    usual = {"player": PLAYERS["slice"], "thread_count": 1, "viewer_height_px": 90}
    return {"media": media, **usual, "refresh_hz": 60, "seed": 3, **own}


LINK = LinkSettings(rate="1 Gbit/s", round_trip_ms=2).link
OPEN_LOOPS: dict[str, Callable[..., Measured]] = {
    "drag": lambda **asked: drag.run_drag(
        DragJob(**asked, service="latest", strokes=(Stroke(5, 40, 20, 20),)), time.perf_counter_ns
    ),
    "play": lambda **asked: playback.run_play(
        PlayJob(**asked, speeds=("1x",), starts=1, duration_s=1), time.perf_counter_ns
    ),
}


@pytest.mark.parametrize("task", OPEN_LOOPS)
def test_each_picture_over_a_link_tells_its_waiting(media: MediaReference, task: str) -> None:
    """All are proved; one that seeks waits for a round trip at least; without a link nothing is
    said of waiting."""
    local, linked = (OPEN_LOOPS[task](**_asked(media, link=link)) for link in (None, LINK))
    measured = linked.measurement
    assert isinstance(measured, DragMeasurement | PlayMeasurement)
    assert set(measured.proof) == {"right"}
    assert len(measured.wait_ns) == len(measured.proof)
    assert measured.wait_ns[0] >= 2_000_000
    view: Callable[[Any], dict[str, float] | None] = view_drag if task == "drag" else view_play
    assert view(measured)["wait_p50_ms"] > 0
    assert "wait_p50_ms" not in view(local.measurement)


@pytest.mark.parametrize("task", OPEN_LOOPS)
@pytest.mark.parametrize("is_warm", [False, True])
def test_planted_warm_files_are_found(
    media: MediaReference, task: str, is_warm: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file whose pages stay is not called cold; one that is proved cold is."""
    if not file_pages.is_dropped(media.media_path):
        pytest.skip("the file cache cannot be emptied, or not be asked, here")
    if is_warm:
        monkeypatch.setattr(file_pages, "drop_pages", lambda path: Path(path).read_bytes())
    found = OPEN_LOOPS[task](**_asked(media, is_cold=True))
    assert ("not_cold" in found.flags) is is_warm
    assert found.measurement.wait_ns


def _editors(media: MediaReference, scratch_dir: Path, **own: Any) -> StreamsJob:
    limits = {"scrubbing": 0.5, "age_limit_ms": 500, "ingest_mb_per_s": 1, "link": LINK}
    given = {**limits, "duration_s": 2, "most": 2, "scratch_dir": str(scratch_dir), **own}
    return StreamsJob(task="editors", **_asked(media, **given))


class _InThreads:
    """Stands in for processes."""

    def __init__(self, count: int) -> None:
        self.meet = Barrier(count).wait


def _in_threads(work: Callable[[int, Any], Any], *, worker_count: int) -> list[Any]:
    pool = _InThreads(worker_count)
    with ThreadPoolExecutor(worker_count) as threads:
        return list(threads.map(lambda number: work(number, pool), range(worker_count)))


def _check(measured: Any) -> None:
    assert set(measured.proof) <= {"right", "missing"}
    by_count = {level.players: level for level in measured.levels}
    assert set(by_count) == {1, 2}
    assert by_count[1].pictures == 0
    assert by_count[2].pictures > 0
    assert all(level.age_p95_ms > 0 for level in measured.levels)
    assert all(0 < level.wait_ns < level.busy_ns for level in measured.levels)
    assert all(level.written_bytes >= 0.9e6 * measured.duration_s for level in measured.levels)


def test_editors_drag_and_play_files_of_their_own(
    media: MediaReference, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first drags, the second plays, an ingest writes; waiting is part of what pictures take;
    each had a copy of its own, and what the ingest wrote is gone."""
    monkeypatch.setattr(playback, "run_parallel", _in_threads)
    job = _editors(media, tmp_path, duration_s=1.3)
    _check(playback.run_streams(job, time.perf_counter_ns).measurement)
    copies = sorted(tmp_path.iterdir())
    assert [path.name for path in copies] == ["editor-0.mov", "editor-1.mov"]
    assert len({path.stat().st_ino for path in copies}) == 2
    assert copies[1].read_bytes() == Path(media.media_path).read_bytes()


def test_an_ingest_takes_the_line_or_the_storage(
    media: MediaReference, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it says it wrote has passed the line, or is on the storage, is no more than its rate,
    and is removed."""
    job = _editors(media, tmp_path, ingest_mb_per_s=50, duration_s=0.1)
    passed: list[int] = []

    class Told(Line):
        def ask(self, asked_ns: int, byte_count: int) -> int:
            passed.append(byte_count)
            return super().ask(asked_ns, byte_count)

    level, _ = playback._ingest(job, Told(LINK), _InThreads(1).meet)
    assert 0 < level.written_bytes == sum(passed) <= 5_000_000 + LINK.request_bytes
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", lambda file: synced.append(os.fstat(file).st_size))
    level, _ = playback._ingest(job, None, _InThreads(1).meet)
    assert 0 < level.written_bytes == synced[-1] <= 5_000_000 + playback.PIECE_BYTES
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_editors_are_processes_that_share_a_line(media: MediaReference, tmp_path: Path) -> None:
    """A worker's answer, as it is stored: a link that carries one player of two serves one, unless
    the machine is so busy that it serves none (three tries)."""
    _check(last_answer(run_worker(_editors(media, tmp_path), 120)).measurement)
    file_bytes = Path(media.media_path).stat().st_size
    slow = LINK.model_copy(update={"rate_bps": 1.5 * 8 * file_bytes / 48 * 25})
    played: list[float] = []
    while len(played) < 3 and 1 not in played:
        (folder := tmp_path / f"slow-{len(played)}").mkdir()
        job = _editors(media, folder, link=slow, scrubbing=0, ingest_mb_per_s=0)
        measured = last_answer(run_worker(job, 120)).measurement
        played.append(streams_played(Seen(measured, None)))
    assert max(played) == 1


@pytest.mark.parametrize("plant", [lambda a, _: a, lambda a, b: os.link(a, b) or b])
def test_two_editors_of_one_file_are_refused(
    media: MediaReference, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, plant: Any
) -> None:
    """The same file, and another name of it: the number is not tried, and told as refused."""
    monkeypatch.setattr(playback, "run_parallel", _in_threads)
    copy_of = playback._file_of

    def planted(job: StreamsJob, number: int) -> str:
        if not number:
            return copy_of(job, number)
        return str(plant(tmp_path / "editor-0.mov", tmp_path / "other.mov"))

    monkeypatch.setattr(playback, "_file_of", planted)
    job = _editors(media, tmp_path, ingest_mb_per_s=0, duration_s=0.2)
    measured = playback.run_streams(job, time.perf_counter_ns).measurement
    assert Level(2, 0, 0, 0) in measured.levels
    with pytest.raises(EngineError, match="one file"):
        playback.refuse_shared([str(tmp_path / "editor-0.mov")] * 2)


def test_editors_at_two_machines_search_together(
    media: MediaReference, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both try the same numbers and know of each what all came to; editors have their files where
    they sit, the first machine the ingest's bytes; nobody begins before all are ready."""
    pytest.importorskip("distributed")
    from mezzmark.fleet.together import kept_gate

    monkeypatch.setattr(playback, "run_parallel", _in_threads)
    with kept_gate(2, context=None, interface="127.0.0.1") as (gate, port):

        def search(place: int) -> StreamsMeasurement:
            (folder := tmp_path / str(place)).mkdir()
            time.sleep(0.5 * place)
            at = {"source": f"127.0.0.1:{port}", "path": gate.path, "place": place, "hosts": 2}
            job = _editors(media, folder, duration_s=1.2, most=3, hosts=2, gate=Gate(**at))
            return playback.run_streams(job.model_copy(update={"link": None}), time.perf_counter_ns)

        with ThreadPoolExecutor(2) as threads:
            found = [answer.measurement for answer in threads.map(search, range(2))]
    assert found[0].levels == found[1].levels
    by_count = {level.players: level for level in found[0].levels}
    assert {1, 2} <= by_count.keys()
    assert by_count[1].pictures == 0
    assert by_count[2].pictures > 0
    assert all(level.age_p95_ms > 0 for level in found[0].levels)
    assert all(0 < level.spread_ns < 500_000_000 for level in found[0].levels)
    assert all(level.written_bytes >= 0.9e6 * 1.2 for level in found[0].levels)
    assert all(set(each.proof) <= {"right", "missing"} for each in found)
    names = [sorted(path.name for path in (tmp_path / str(n)).iterdir()) for n in range(2)]
    assert names[1] == ["editor-1.mov"]
    assert names[0][0] == "editor-0.mov"


def test_editors_at_several_machines_are_refused_on_one(
    media: MediaReference, tmp_path: Path
) -> None:
    """A number of machines without a gate: EngineError, and nothing is tried."""
    with pytest.raises(EngineError, match="machines"):
        playback.run_streams(_editors(media, tmp_path, hosts=2), time.perf_counter_ns)

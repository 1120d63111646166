"""The play, streams and editors tasks: pictures in real time, decoded a few ahead, and when each
was ready. Backwards a whole group is decoded at once and held while the one after it is shown.

Streams play one file. An editor is a process with a copy in the trial's scratch folder, which has
reached the storage before any clock starts: the file cache holds pages by file, so nobody is served
what another has read. Long because all of them play by the same loop.
"""

import os
import shutil
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import chain
from pathlib import Path
from threading import Barrier
from typing import Any, Final, cast

import numpy as np

from mezzmark.engines.encode.process_pool import ProcessPool, run_parallel
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.media.storage_file import Line, line_of, share_line
from mezzmark.engines.play.drag import DisplayClock, OpenLoopPlayer, Witness, run_drag
from mezzmark.engines.play.gate import Meeting, keep_gate
from mezzmark.host.common import no_garbage_collection, read_clock_ns, read_process_facts, sleep_ns
from mezzmark.host.file_pages import is_dropped
from mezzmark.model.errors import EngineError
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.footage import FrameIndex
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks import drag, play, streams
from mezzmark.model.tasks.hand import draw_strokes
from mezzmark.model.tasks.scrub import Proof

Stream = tuple[streams.Level, tuple[Proof, ...]]


@dataclass(frozen=True, slots=True)
class Party:
    """Those of `count` numbered `here`, each its own of `files`, over a line that they share."""

    count: int
    here: Sequence[int]
    files: Sequence[str]
    line: Line | None


PIECE_BYTES: Final = 4 * 2**20
"""Of what an ingest writes before it must have reached the storage; our own choice."""


class PlayLoop(DisplayClock):
    """Plays lists of frames in real time."""

    def __init__(
        self, player: Any, index: FrameIndex, saw: Callable[..., None], **clock: Any
    ) -> None:
        super().__init__(**clock)
        self._player, self._saw = player, saw
        self.period_ns = round(NS_PER_S / float(index.frame_rate or 25))
        self.sample_ns = 0

    def count(self, duration_s: float) -> int:
        """Pictures of so many seconds."""
        return max(2, round(duration_s * NS_PER_S / self.period_ns))

    def play(self, units: Sequence[Sequence[int]], speed: str, phase_ns: int = 0) -> play.Playback:
        """Show `units` from now on: frames that are decoded together, each in the order shown."""
        self.start_now()
        queue = play.BUFFER_PICTURES
        # Backwards in groups: the one that is shown, and the one after it.
        ahead, held = (queue, queue) if play.STRIDES[speed] > 0 else (1, 2)
        ready: list[int] = []
        lasts: list[int] = []
        due_ns = busy_ns = 0
        for number, unit in enumerate(units):
            if number >= held:
                self.wait_until(due_ns + lasts[number - held] * self.period_ns)
            start_ns, sampled_ns = self.now_ns(), self.sample_ns
            next_due_ns = due_ns + (len(ready) + len(unit)) * self.period_ns
            for frame in sorted(unit):
                self._make(frame, next_due_ns if number >= ahead else None)
            now_ns = self.now_ns()
            busy_ns += now_ns - start_ns - (self.sample_ns - sampled_ns)
            ready += [now_ns] * len(unit)
            lasts.append(len(ready) - 1)
            due_ns = now_ns if number < ahead else due_ns
        return play.Playback(
            speed=speed,
            start_frame=units[0][0],
            period_ns=self.period_ns,
            due_ns=due_ns,
            phase_ns=phase_ns,
            busy_ns=busy_ns,
            ready_ns=tuple(ready),
        )

    def _make(self, frame: int, next_due_ns: int | None) -> None:
        """Decode a picture and, unless the next one is due already, present it."""
        picture = self._player.bring(frame)
        if next_due_ns is not None and self.now_ns() > next_due_ns:
            return
        view = None if picture is None else self._player.present(picture)
        done_ns = self.now_ns()
        self._saw(frame, picture, view)
        self.sample_ns += self.now_ns() - done_ns


def frames_to_play(
    index: FrameIndex, speed: str, count: int, rng: np.random.Generator
) -> list[list[int]]:
    """At most `count` frames from a random start, by what is decoded together: each by itself, or
    backwards those of a group."""
    stride, frame_count = abs(play.STRIDES[speed]), len(index.pts)
    count = min(count, -(-frame_count // stride))
    first = int(rng.integers(0, frame_count - (count - 1) * stride))
    frames = [first + n * stride for n in range(count)]
    if play.STRIDES[speed] > 0:
        return [[frame] for frame in frames]
    units: list[list[int]] = []
    for frame in reversed(frames):
        is_new = not units or index.is_keyframe[units[-1][-1]]
        units += [[]] if is_new else []
        units[-1].append(frame)
    return units


def run_play(job: play.PlayJob, clock_ns: Callable[[], int]) -> Measured:
    """Play at each speed from random starts, and prove. Raises FootageError and EngineError."""
    index = read_frame_index(job.media.index_path)
    rng = np.random.default_rng(job.seed)
    player = OpenLoopPlayer(job.media.media_path, index, job)
    witness = Witness(job, index, player)
    loop = PlayLoop(player, index, witness.saw, clock_ns=clock_ns)
    player.bring(0)  # what only the first picture of all costs belongs to no start
    player.take_wait()
    playbacks, is_cold = [], True
    with no_garbage_collection():
        for speed in [speed for speed in job.speeds for _ in range(job.starts)]:
            units = frames_to_play(index, speed, loop.count(job.duration_s), rng)
            phase_ns = int(rng.integers(0, int(NS_PER_S) // job.refresh_hz))
            is_cold &= not job.is_cold or is_dropped(job.media.media_path)
            playbacks.append(loop.play(units, speed, phase_ns))
    process = read_process_facts()
    player.close()
    measurement = play.PlayMeasurement(
        refresh_hz=job.refresh_hz,
        playbacks=tuple(playbacks),
        proof=witness.proofs(),
        sample_ns=loop.sample_ns,
        wake_late_ns=tuple(loop.wake_late_ns),
        wait_ns=tuple(witness.wait_ns),
    )
    flags = ("not_cold",) * (not is_cold)
    return Measured(measurement=measurement, process=process, flags=flags)


def run_streams(job: streams.StreamsJob, _: Callable[[], int]) -> Measured:
    """Search for the number of streams, or of editors, that are served at once. A decoder that
    cannot be opened beside others, as hardware with few sessions, ends the search upwards. Raises
    FootageError and EngineError where not even one can. Several machines search together."""
    if job.hosts > 1 and job.gate is None:
        what = f"these editors sit at {job.hosts} machines"
        remedy = "Measure them with mezzmark fleet measure --together, or leave `hosts` out."
        raise EngineError(where="[editors]", what=what, remedy=remedy)
    levels: list[streams.Level] = []
    proofs: list[Proof] = []
    files: list[str] = []
    line, is_cold = line_of(job.link) if job.link else None, True
    meeting = Meeting(job.gate) if job.gate else None

    def passes(count: int) -> bool:
        nonlocal is_cold
        here = job.numbers(count)
        files.extend(_file_of(job, number) for number in here[len(files) :])
        party = Party(count, here, files[: len(here)], line)
        is_cold &= not job.is_cold or all(map(is_dropped, party.files))
        threads = max(1, job.thread_count // max(1, len(here)))
        own = job.model_copy(update={"thread_count": threads})
        try:
            with no_garbage_collection():  # for each by itself: closed players must go
                done, spread_ns = _play_all(own, party)
        except EngineError:
            if count == 1 or meeting:
                raise
            levels.append(streams.Level(count, 0, 0, 0))
        else:
            mine = [level for level, _ in done]
            if meeting:  # what the players of all machines came to
                text = streams.LEVELS.dump_json(tuple(mine)).decode()
                texts = meeting.gather(f"{count}-levels", text).texts
                mine = [level for one in texts for level in streams.LEVELS.validate_json(one)]
            levels.append(streams.add_up(count, mine, spread_ns))
            proofs.extend(chain.from_iterable(proof for _, proof in done))
        return streams.has_passed(levels[-1], job)

    streams.search_streams(passes, most=job.most, rng=np.random.default_rng(job.seed))
    limits = job.model_dump(include={"task", "duration_s", "age_limit_ms", "ingest_mb_per_s"})
    found = streams.StreamsMeasurement(levels=tuple(levels), proof=tuple(proofs), **limits)
    is_apart = any(level.spread_ns > streams.SPREAD_LIMIT_NS for level in levels)
    flags = ("not_cold",) * (not is_cold) + ("late_start",) * is_apart
    return Measured(measurement=found, process=read_process_facts(), flags=flags)


def _file_of(job: streams.StreamsJob, number: int) -> str:
    """What stream `number` plays; of an editor a copy, on the storage."""
    source = Path(job.media.media_path)
    if not job.scratch_dir:
        return str(source)
    path = Path(job.scratch_dir) / f"editor-{number}{source.suffix}"
    with source.open("rb") as whole, path.open("xb") as file:
        shutil.copyfileobj(whole, file, PIECE_BYTES)
        file.flush()
        os.fsync(file.fileno())
    return str(path)


def refuse_shared(files: Sequence[str]) -> None:
    """EngineError where two editors would read the same file, by another name or link too."""
    if len({(found.st_dev, found.st_ino) for found in map(os.stat, files)}) < len(files):
        what = "two editors would read one file, and one find in memory what the other read"
        raise EngineError(where=files[0], what=what, remedy="Give each a file of its own.")


def _play_all(job: streams.StreamsJob, party: Party) -> tuple[list[Stream], int]:
    """In threads, opened before any begins, or a process each; and ns within which the machines
    had begun."""
    if job.scratch_dir:
        refuse_shared(party.files)
    if job.carrier == "processes":
        work = partial(_in_process, job, party)
        count = len(party.files) + job.has_ingest
        done = run_parallel(work, worker_count=count + (job.gate is not None))
        return done[:count], done[-1] if job.gate else 0
    index = read_frame_index(job.media.index_path)
    players = [OpenLoopPlayer(path, index, job) for path in party.files]
    barrier = Barrier(party.count)

    def work_at(number: int) -> Stream:
        try:
            return _stream(job, number, party.count, players[number], index, barrier.wait)
        except BaseException:
            barrier.abort()  # nobody waits for it for ever
            raise

    with ThreadPoolExecutor(party.count) as threads:
        return list(threads.map(work_at, party.here)), 0


def _in_process(job: streams.StreamsJob, party: Party, worker: int, pool: ProcessPool) -> Any:
    """One of the streams or editors; after all of them the ingest, and who keeps the gate."""
    if party.line:
        share_line(party.line)

    def meet() -> None:
        pool.meet()
        if job.gate:  # whose keeper stands between
            pool.meet()

    if worker < len(party.files):
        media = job.media.model_copy(update={"media_path": party.files[worker]})
        own, index = job.model_copy(update={"media": media}), read_frame_index(media.index_path)
        number = party.here[worker]
        if streams.is_dragging(number, job.scrubbing):
            return _drag(own, number, index, meet)
        player = OpenLoopPlayer(media.media_path, index, own)
        return _stream(own, number, party.count, player, index, meet)
    if job.has_ingest and worker == len(party.files):
        return _ingest(job, party.line, meet)
    assert job.gate
    return keep_gate(job.gate, party.count, pool)


def _drag(
    job: streams.StreamsJob, number: int, index: FrameIndex, meet: Callable[[], object]
) -> Stream:
    """An editor whose hand moves all the time, and the age of what it sees."""
    strokes = draw_strokes(
        "strokes",
        frame_count=len(index.pts),
        refresh_hz=job.refresh_hz,
        duration_s=job.duration_s,
        last_rest_s=0,
        rng=np.random.default_rng([job.seed, number]),
    )
    shared = {name: getattr(job, name) for name in (*drag.OpenLoopJob.model_fields, "service")}
    answer = run_drag(drag.DragJob(**shared, strokes=strokes), read_clock_ns, meet=meet)
    measured = cast(drag.DragMeasurement, answer.measurement)
    seen = drag.view_drag(measured) or {}
    busy_ns = sum(shown.done_ns - shown.start_ns for shown in measured.pictures)
    times = seen.get("age_p95_ms"), busy_ns, sum(measured.wait_ns[1:]) or None  # opened before
    return streams.Level(1, 0, 0, 0, *times), measured.proof


def _stream(
    job: streams.StreamsJob,
    number: int,
    count: int,
    player: OpenLoopPlayer,
    index: FrameIndex,
    meet: Callable[[], object],
) -> Stream:
    """One of `count`, from a place of its own, so that their key frames do not coincide, round and
    round. Of streams the first one's pictures are proved, of editors all."""
    witness = Witness(job, index, player)
    is_proved = number == 0 or job.task == "editors"
    loop = PlayLoop(player, index, witness.saw if is_proved else lambda *_: None)
    frame_count = len(index.pts)
    start = job.seed % frame_count + frame_count * number // count
    units = [[(start + n) % frame_count] for n in range(loop.count(job.duration_s))]
    player.bring(units[0][0])
    player.take_wait()
    meet()
    playback = loop.play(units, "1x")
    witness.wait_ns += player.take_wait()  # all of it where nothing is proved
    meet()  # no proof disturbs who still plays
    player.close()
    due, ready = play.due_and_ready(playback, job.refresh_hz)
    is_late = (ready > due)[loop.count(streams.START_PHASE_S) :]
    counts = is_late.size, int(is_late.sum()), int(is_late.sum())
    times = None, playback.busy_ns, sum(witness.wait_ns) or None
    return streams.Level(1, *counts, *times), witness.proofs()


def _ingest(job: streams.StreamsJob, line: Line | None, meet: Callable[[], object]) -> Stream:
    """Bytes in a row at the stated rate. Over a link they take the line that the editors read from,
    and go nowhere; else each piece has reached the storage before the next one."""
    path, written = Path(job.scratch_dir) / "ingest", 0
    content = os.urandom(line.link.request_bytes if line else PIECE_BYTES)
    with path.open("xb", buffering=0) as file:
        meet()
        start_ns = read_clock_ns()
        while (now_ns := read_clock_ns()) < start_ns + job.duration_s * NS_PER_S:
            due_ns = start_ns + written * 1000 // job.ingest_mb_per_s
            if due_ns > now_ns:
                sleep_ns(due_ns - now_ns)
                continue
            if line:
                sleep_ns(max(0, line.ask(now_ns, len(content)) - now_ns))
            else:
                file.write(content)
                os.fsync(file.fileno())
            written += len(content)
    path.unlink()
    meet()
    return streams.Level(1, 0, 0, 0, written_bytes=written), ()

"""The play and streams tasks: pictures in real time, decoded a few ahead, and when each was ready.

When a picture is due is known, and a further one is decoded when an earlier one has had its time.
Backwards a whole group is decoded at once and held while the group after it is shown.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from threading import Barrier
from typing import Any

import numpy as np

from mezzmark.engines.encode.process_pool import ProcessPool, run_parallel
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.play.drag import DisplayClock
from mezzmark.engines.play.open_loop import OpenLoopPlayer, Witness
from mezzmark.host.common import no_garbage_collection, read_process_facts
from mezzmark.model.errors import EngineError
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.footage import FrameIndex
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks import play, streams
from mezzmark.model.tasks.scrub import Proof

Stream = tuple[int, int, tuple[Proof, ...]]  # pictures, late ones, proofs where there are any


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
        """Show `units` from now on: frames that are decoded together, each in the order in which
        they are shown."""
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
    """Frames from a random start, as many as `count` and the clip allow, by what is decoded
    together: each by itself, or backwards those of a group."""
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
    """Play at each speed from random starts, and prove what was shown.

    Raises FootageError and EngineError when the file cannot be opened.
    """
    index = read_frame_index(job.media.index_path)
    rng = np.random.default_rng(job.seed)
    player = OpenLoopPlayer(job.media.media_path, index, job)
    witness = Witness(job, index, player.codec)
    loop = PlayLoop(player, index, witness.saw, clock_ns=clock_ns)
    player.bring(0)  # what only the first picture of all costs belongs to no start
    playbacks = []
    with no_garbage_collection():
        for speed in [speed for speed in job.speeds for _ in range(job.starts)]:
            units = frames_to_play(index, speed, loop.count(job.duration_s), rng)
            phase_ns = int(rng.integers(0, int(NS_PER_S) // job.refresh_hz))
            playbacks.append(loop.play(units, speed, phase_ns))
    process = read_process_facts()
    player.close()
    measurement = play.PlayMeasurement(
        refresh_hz=job.refresh_hz,
        playbacks=tuple(playbacks),
        proof=witness.proofs(),
        sample_ns=loop.sample_ns,
        wake_late_ns=tuple(loop.wake_late_ns),
    )
    return Measured(measurement=measurement, process=process)


def run_streams(job: streams.StreamsJob, _: Callable[[], int]) -> Measured:
    """Search for the number of streams that play at once.

    A decoder that cannot be opened beside the others, as hardware with too few sessions, ends the
    search upwards and is told. Raises FootageError and EngineError where not even one can.
    """
    levels: list[streams.Level] = []
    proofs: list[Proof] = []

    def passes(count: int) -> bool:
        own = job.model_copy(update={"thread_count": max(1, job.thread_count // count)})
        as_processes = partial(run_parallel, partial(_in_process, own, count), worker_count=count)
        play_all = as_processes if job.carrier == "processes" else partial(_as_threads, own, count)
        try:
            with no_garbage_collection():  # for each by itself: closed players must go
                pictures, late, proof = zip(*play_all(), strict=True)
        except EngineError:
            if count == 1:
                raise
            levels.append(streams.Level(count, 0, 0, 0))
        else:
            levels.append(streams.Level(count, sum(pictures), sum(late), max(late)))
            proofs.extend(proof[0])
        return streams.has_passed(levels[-1], job.duration_s)

    streams.search_streams(passes, most=job.most, rng=np.random.default_rng(job.seed))
    measurement = streams.StreamsMeasurement(
        duration_s=job.duration_s, levels=tuple(levels), proof=tuple(proofs)
    )
    return Measured(measurement=measurement, process=read_process_facts())


def _as_threads(job: streams.StreamsJob, count: int) -> list[Stream]:
    """All streams in threads of this process, opened before any begins."""
    index = read_frame_index(job.media.index_path)
    players = [OpenLoopPlayer(job.media.media_path, index, job) for _ in range(count)]
    barrier = Barrier(count)

    def work(number: int) -> Stream:
        try:
            return _stream(job, number, count, players[number], index, barrier.wait)
        except BaseException:
            barrier.abort()  # nobody waits for it for ever
            raise

    with ThreadPoolExecutor(count) as threads:
        return list(threads.map(work, range(count)))


def _in_process(job: streams.StreamsJob, count: int, number: int, pool: ProcessPool) -> Stream:
    index = read_frame_index(job.media.index_path)
    player = OpenLoopPlayer(job.media.media_path, index, job)
    return _stream(job, number, count, player, index, pool.meet)


def _stream(
    job: streams.StreamsJob,
    number: int,
    count: int,
    player: OpenLoopPlayer,
    index: FrameIndex,
    meet: Callable[[], object],
) -> Stream:
    """One of `count` streams, from a place of its own, so that their key frames do not coincide;
    round and round where the clip is shorter. The first one's pictures are proved."""
    witness = Witness(job, index, player.codec)
    loop = PlayLoop(player, index, witness.saw if number == 0 else lambda *_: None)
    frame_count = len(index.pts)
    start = job.seed % frame_count + frame_count * number // count
    units = [[(start + n) % frame_count] for n in range(loop.count(job.duration_s))]
    player.bring(units[0][0])
    meet()
    due, ready = play.due_and_ready(loop.play(units, "1x"), job.refresh_hz)
    meet()  # no proof disturbs who still plays
    player.close()
    is_late = (ready > due)[loop.count(streams.START_PHASE_S) :]
    return is_late.size, int(is_late.sum()), witness.proofs()

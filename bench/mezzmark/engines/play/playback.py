"""The play and streams tasks: pictures in real time, decoded a few ahead, and when each was ready.

Nothing presents: when a picture is due is known, and the decoder may go on to a further one when an
earlier one has had its time. Backwards a whole group is decoded at once and held, as the viewer's
pictures, while the group after it is shown.
"""

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from threading import Barrier
from typing import Final

import numpy as np

from mezzmark.engines.encode.process_pool import ProcessPool, run_parallel
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.play.drag import DisplayClock, sleep_ns
from mezzmark.engines.play.open_loop import OpenLoopPlayer, Witness
from mezzmark.host.common import no_garbage_collection, read_process_facts
from mezzmark.model.errors import EngineError
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.footage import FrameIndex
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks.play import (
    BUFFER_PICTURES,
    STRIDES,
    Playback,
    PlayJob,
    PlayMeasurement,
    due_and_ready,
)
from mezzmark.model.tasks.scrub import Proof
from mezzmark.model.tasks.streams import (
    START_PHASE_S,
    StreamsJob,
    StreamsMeasurement,
    may_pass,
    search_streams,
)

QUEUES: Final = {"1x": (BUFFER_PICTURES,) * 2, "2x": (BUFFER_PICTURES,) * 2, "-1x": (1, 2)}
"""How many units are ready before playing starts and how many are held: forwards pictures, else
groups, the one that is shown and the one after it."""

LONGEST_UNIT: Final = 300
"""Of a longer group so many pictures are decoded at once, the others again: 300 views 540 lines
high take 470 MB."""

USUAL_RATE: Final = 25.0
"""Pictures a second of a file that tells none."""

Saw = Callable[..., None]
Stream = tuple[int, int, tuple[Proof, ...]]
"""Pictures of a stream, those of them that were late, and their proofs where they were kept."""


class PlayLoop(DisplayClock):
    """Plays lists of frames in real time."""

    def __init__(
        self,
        player: OpenLoopPlayer,
        index: FrameIndex,
        clock_ns: Callable[[], int],
        saw: Saw,
        sleep: Callable[[int], None] = sleep_ns,
    ) -> None:
        super().__init__(clock_ns, sleep)
        self._player, self._saw = player, saw
        self.period_ns = round(NS_PER_S / float(index.frame_rate or USUAL_RATE))
        self.sample_ns = 0

    def count(self, duration_s: float) -> int:
        """Pictures of so many seconds."""
        return max(2, round(duration_s * NS_PER_S / self.period_ns))

    def play(self, units: Sequence[Sequence[int]], speed: str, phase_ns: int = 0) -> Playback:
        """Show `units` from now on: frames that are decoded together, each in the order in which
        they are shown."""
        self.start_now()
        ahead, held = QUEUES[speed]
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
        return Playback(
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
    stride, frame_count = abs(STRIDES[speed]), len(index.pts)
    count = min(count, -(-frame_count // stride))
    first = int(rng.integers(0, frame_count - (count - 1) * stride))
    frames = [first + n * stride for n in range(count)]
    if STRIDES[speed] > 0:
        return [[frame] for frame in frames]
    units: list[list[int]] = []
    for frame in reversed(frames):
        is_new = not units or index.is_keyframe[units[-1][-1]] or len(units[-1]) == LONGEST_UNIT
        units += [[]] if is_new else []
        units[-1].append(frame)
    return units


def run_play(
    job: PlayJob,
    clock_ns: Callable[[], int],
    open_player: type[OpenLoopPlayer] = OpenLoopPlayer,
) -> Measured:
    """Play at each speed from random starts, and prove what was shown.

    Raises FootageError and EngineError when the file cannot be opened.
    """
    index = read_frame_index(job.media.index_path)
    rng = np.random.default_rng(job.seed)
    player = open_player(job.media.media_path, index, job)
    witness = Witness(job, index, player.codec)
    loop = PlayLoop(player, index, clock_ns, witness.saw)
    player.bring(0)  # what only the first picture of all costs belongs to no start
    playbacks = []
    with no_garbage_collection():
        for speed in [speed for speed in job.speeds for _ in range(job.starts)]:
            units = frames_to_play(index, speed, loop.count(job.duration_s), rng)
            phase_ns = int(rng.integers(0, int(NS_PER_S) // job.refresh_hz))
            playbacks.append(loop.play(units, speed, phase_ns))
    process = read_process_facts()
    player.close()
    measurement = PlayMeasurement(
        refresh_hz=job.refresh_hz,
        playbacks=tuple(playbacks),
        proof=witness.proofs(),
        sample_ns=loop.sample_ns,
        wake_late_ns=tuple(loop.wake_late_ns),
    )
    return Measured(measurement=measurement, process=process)


def run_streams(job: StreamsJob, clock_ns: Callable[[], int]) -> Measured:
    """Search for the number of streams that play at once.

    A decoder that cannot be opened beside the others, as hardware with too few sessions, ends the
    search upwards and is told. Raises FootageError and EngineError where not even one can.
    """
    rows: list[tuple[int, int, int, int]] = []
    proofs: list[Proof] = []
    refused: list[int] = []

    def passes(count: int) -> bool:
        own = job.model_copy(update={"thread_count": max(1, job.thread_count // count)})
        try:
            with no_garbage_collection():  # for each by itself: closed players must go
                streams = (
                    _as_threads(own, count)
                    if job.carrier == "threads"
                    else run_parallel(partial(_in_process, own, count), worker_count=count)
                )
        except EngineError:
            if count == 1:
                raise
            refused.append(count)
            rows.append((count, 0, 0, 0))
            return False
        pictures, late, proof = zip(*streams, strict=True)
        rows.append((count, sum(pictures), sum(late), max(late)))
        proofs.extend(proof[0])
        return may_pass(max(late), job.duration_s)

    search_streams(passes, most=job.most, rng=np.random.default_rng(job.seed))
    counts, pictures, late, worst = zip(*rows, strict=True)
    measurement = StreamsMeasurement(
        duration_s=job.duration_s,
        most=job.most,
        stream_count=counts,
        picture_count=pictures,
        late_count=late,
        worst_late_count=worst,
        refused_at=min(refused, default=None),
        proof=tuple(proofs),
    )
    return Measured(measurement=measurement, process=read_process_facts())


def _as_threads(job: StreamsJob, count: int) -> list[Stream]:
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


def _in_process(job: StreamsJob, count: int, number: int, pool: ProcessPool) -> Stream:
    index = read_frame_index(job.media.index_path)
    player = OpenLoopPlayer(job.media.media_path, index, job)
    return _stream(job, number, count, player, index, pool.meet)


def _stream(
    job: StreamsJob,
    number: int,
    count: int,
    player: OpenLoopPlayer,
    index: FrameIndex,
    meet: Callable[[], object],
) -> Stream:
    """One of `count` streams, from a place of its own, so that their key frames do not coincide;
    round and round where the clip is shorter. The first one's pictures are proved."""
    witness = Witness(job, index, player.codec)
    saw: Saw = witness.saw if number == 0 else lambda *_: None
    loop = PlayLoop(player, index, time.perf_counter_ns, saw)
    frame_count = len(index.pts)
    start = job.seed % frame_count + frame_count * number // count
    units = [[(start + n) % frame_count] for n in range(loop.count(job.duration_s))]
    player.bring(units[0][0])
    meet()
    due, ready = due_and_ready(loop.play(units, "1x"), job.refresh_hz)
    meet()  # no proof disturbs who still plays
    player.close()
    is_late = (ready > due)[loop.count(START_PHASE_S) :]
    return is_late.size, int(is_late.sum()), witness.proofs()

"""The drag task: serve a hand that does not wait, and record when each picture stood; and what
playing and streams share with it: the player, and the witness of what it shows.

No thread makes requests: the strokes are known, so the newest one is a function of the clock, and
only the player's own waking can be late, which is recorded.

Nothing is hashed while pictures are due: every 32nd line of each is copied, and a seeded choice
kept whole. Afterwards the copies are held against the index's digests of those lines (of codecs
that leave a device a tolerance, against a software decoder's), and the choice is proved in full.
"""

import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from av.video.frame import VideoFrame

from mezzmark.engines.media.conversion import read_pictures
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.media.pixels import Planes, planes_digest, planes_of, sparse_planes
from mezzmark.engines.play import proof as proving
from mezzmark.engines.play.player import Player
from mezzmark.host.common import no_garbage_collection, read_process_facts, sleep_ns
from mezzmark.host.file_pages import is_dropped
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.footage import FrameIndex
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks.drag import DragJob, DragMeasurement, OpenLoopJob, Shown, is_late
from mezzmark.model.tasks.hand import Ints, wanted_frames
from mezzmark.model.tasks.scrub import PROVED, Proof, ScrubJob

KEPT_PICTURES, KEPT_BYTES, SAMPLE_BYTES = 8, 256 * 2**20, 512 * 2**20
"""For the full proof, one at least, and of samples, beyond which they are hashed as shown."""

_Sample = Planes | str | None


class OpenLoopPlayer(Player):
    """The player whose clock is the hand's or the display's; it rolls on where it can."""

    def __init__(self, path: str | Path, index: FrameIndex, job: OpenLoopJob) -> None:
        shared = {"thread_count", "player", "viewer_height_px", "link", "is_cold"}
        own = job.model_dump(include=shared)
        super().__init__(path, index, ScrubJob(media=(), requests=(), policy="roll", **own))
        self._frame_of_pts = {pts: n for n, pts in enumerate(index.pts)}

    def step(self, frame_index: int) -> tuple[int, VideoFrame | None]:
        """One picture further towards this frame: which one it is, and the picture. Where the frame
        does not lie ahead in the group, what was being decoded is dropped for a new start."""
        if self._shown == frame_index:
            return frame_index, self._held
        self._target_pts = self._pts[frame_index]
        self._locate(frame_index)
        for picture in self._pictures:
            frame = self._frame_of_pts.get(picture.pts or 0, -1)
            if frame > frame_index:  # it began too late
                break
            # Pictures of the group before may refer to what was passed over.
            if frame >= 0 and self._group[frame] == self._group[frame_index]:
                self._shown, self._held = frame, picture
                return frame, picture
        self._shown = None
        return frame_index, self.bring(frame_index)

    def take_wait(self) -> list[int]:
        """How many ns it waited for storage since this was asked; nothing where nobody looked."""
        waited_ns = [self._file.wait_ns] if self._file else []
        if self._file:
            self._file.begin()
        return waited_ns

    def present(self, picture: VideoFrame) -> VideoFrame | None:
        """The viewer's picture of it."""
        return self._present(picture)


class Witness:
    """Keeps of each picture shown what proves it later; `wait_ns`: for storage, if looked at."""

    def __init__(self, job: OpenLoopJob, index: FrameIndex, player: OpenLoopPlayer) -> None:
        self._job, self._index, self._player = job, index, player
        self._is_inexact = job.player.device is not None and player.codec in proving.INEXACT_CODECS
        self.wait_ns: list[int] = []
        self._rng = np.random.default_rng(job.seed)
        self._shown: list[tuple[int, _Sample]] = []
        self._bytes = 0
        self._kept: list[tuple[int, VideoFrame, VideoFrame]] = []

    def saw(self, frame_index: int, picture: VideoFrame | None, view: VideoFrame | None) -> None:
        """Take the sample of a picture that is said to be this frame."""
        self.wait_ns += self._player.take_wait()
        if picture is None or view is None:
            self._shown.append((frame_index, None))
            return
        planes = planes_of(picture)
        sample = sparse_planes(planes)
        self._bytes += sum(plane.nbytes for plane in sample)
        # A random choice of all so far (Vitter, ACM TOMS 11, 1985, 37-57, algorithm R).
        number = len(self._shown)
        room = max(1, min(KEPT_PICTURES, KEPT_BYTES // sum(plane.nbytes for plane in planes)))
        place = number if number < room else int(self._rng.integers(0, number + 1))
        if place < room:
            self._kept[place : place + 1] = [(number, picture, view)]
        is_full = self._bytes > SAMPLE_BYTES
        self._shown.append((frame_index, planes_digest(sample) if is_full else sample))

    def proofs(self) -> tuple[Proof, ...]:
        """What is known of each picture, in order; untimed."""
        job, index, path = self._job, self._index, self._job.media.media_path
        digests = index.sparse_digests
        if not digests:  # an older index: from another sequential decode
            pictures = read_pictures(path, index, thread_count=job.thread_count)
            digests = tuple(planes_digest(sparse_planes(planes_of(one))) for one in pictures)
        as_reference = job.model_copy(update=proving.OF_REFERENCE)
        reference = OpenLoopPlayer(path, index, as_reference) if self._is_inexact else None
        views = proving.ViewVerifier(job.media, index.frame_count, job.viewer_height_px)
        frames = proving.FrameVerifier(index, reference)
        found: list[Proof] = ["missing"] * len(self._shown)
        for number in sorted(range(len(found)), key=lambda n: self._shown[n][0]):  # as decoded
            found[number] = self._by_sample(frames, digests, *self._shown[number])
        for number, picture, view in self._kept:
            _, proof, _ = proving.prove_move(frames, views, picture, view, self._shown[number][0])
            if proof not in PROVED:
                found[number] = proof
        return tuple(found)

    def _by_sample(
        self, frames: proving.FrameVerifier, digests: Sequence[str], frame: int, sample: _Sample
    ) -> Proof:
        if sample is None:
            return "missing"
        planes = () if isinstance(sample, str) else sample
        digest = sample if isinstance(sample, str) else planes_digest(sample)
        if digest == digests[frame] or (planes and frames.is_near(planes, frame, sparse_planes)):
            return "right" if digests.count(digests[frame]) == 1 else "alike"
        return "wrong" if planes or not self._is_inexact else "unreadable"


LET_THROUGH_REFRESHES: Final = 15
"""After so many without a picture, following shows the next one whatever it is; our own choice."""


class DisplayClock:
    """Time since a start, and waits whose lateness is noted; both may be a simulation's."""

    def __init__(
        self,
        clock_ns: Callable[[], int] = time.perf_counter_ns,
        sleep: Callable[[int], None] = sleep_ns,
    ) -> None:
        self._clock_ns, self._sleep = clock_ns, sleep
        self._start_ns = clock_ns()
        self.wake_late_ns: list[int] = []

    def start_now(self) -> None:
        """Time counts from here."""
        self._start_ns = self._clock_ns()

    def now_ns(self) -> int:
        """Since the start."""
        return self._clock_ns() - self._start_ns

    def wait_until(self, due_ns: int) -> None:
        """Return at this time; at once where it has passed."""
        if self.now_ns() >= due_ns:
            return
        while (left_ns := due_ns - self.now_ns()) > 0:
            self._sleep(left_ns)
        self.wake_late_ns.append(self.now_ns() - due_ns)


class HandLoop(DisplayClock):
    """One drag; its `events` are (request, start, done, frame), times in ns after refresh 0, before
    which the first frame stands. `wanted` is where the hand is at each refresh; `saw` is told of
    each picture after it stood; `player` may be a simulation's."""

    def __init__(
        self,
        player: Any,
        wanted: Ints,
        *,
        refresh_hz: int,
        saw: Callable[[int, Any, Any], None],
        **clock: Any,
    ) -> None:
        super().__init__(**clock)
        self._player, self._wanted = player, [int(frame) for frame in wanted]
        self._refresh_hz, self._saw = refresh_hz, saw
        self._on_screen = self._wanted[0]
        self.events = [(0, 0, 0, self._on_screen)]
        self.sample_ns = 0

    def serve(self, service: str) -> None:
        """Until the hand is done."""
        serve = {"latest": self._latest, "queue": self._queue, "follow": self._follow}[service]
        while (refresh := self._refresh_at(self.now_ns())) < len(self._wanted):
            if not serve(refresh):
                self.wait_until(-(-(refresh + 1) * int(NS_PER_S) // self._refresh_hz))

    def _refresh_at(self, time_ns: int) -> int:
        return time_ns * self._refresh_hz // int(NS_PER_S)

    def _show(self, request: int, start_ns: int, frame: int, picture: Any) -> bool:
        """Present the picture, which stands when its view is there; whether it came."""
        view = None if picture is None else self._player.present(picture)
        done_ns = self.now_ns()
        self.events.append((request, start_ns, done_ns, frame))
        self._saw(frame, picture, view)
        self.sample_ns += self.now_ns() - done_ns
        self._on_screen = self._on_screen if view is None else frame
        return view is not None

    def _latest(self, refresh: int) -> bool:
        start_ns, frame = self.now_ns(), self._wanted[refresh]
        if frame == self._on_screen:
            return False
        return self._show(refresh, start_ns, frame, self._player.bring(frame))

    def _queue(self, refresh: int) -> bool:
        for request in range(self.events[-1][0] + 1, refresh + 1):
            if self._wanted[request] != self._wanted[request - 1]:
                start_ns, frame = self.now_ns(), self._wanted[request]
                return self._show(request, start_ns, frame, self._player.bring(frame))
        return False

    def _follow(self, refresh: int) -> bool:
        start_ns, frame = self.now_ns(), self._wanted[refresh]
        if frame == self._on_screen:
            return False
        stepped, picture = self._player.step(frame)
        now = min(self._refresh_at(self.now_ns()), len(self._wanted) - 1)
        since = now - self._refresh_at(self.events[-1][2])
        hand = self._wanted[now]
        is_nearer = abs(stepped - hand) < abs(self._on_screen - hand) and since > 0
        if stepped in (frame, hand) or is_nearer or since >= LET_THROUGH_REFRESHES:
            return self._show(refresh, start_ns, stepped, picture)
        return picture is not None


def run_drag(
    job: DragJob,
    clock_ns: Callable[[], int],
    open_player: type[OpenLoopPlayer] = OpenLoopPlayer,
    meet: Callable[[], object] = lambda: None,
) -> Measured:
    """Open, show the first frame, follow the hand, prove what was shown; before and after the hand
    moves, `meet` others. FootageError and EngineError when the file cannot be opened."""
    index = read_frame_index(job.media.index_path)
    wanted = wanted_frames(job.strokes, is_steady=job.is_steady)
    is_cold = not job.is_cold or is_dropped(job.media.media_path)
    opened_ns, first = clock_ns(), int(wanted[0])
    player = open_player(job.media.media_path, index, job)
    witness = Witness(job, index, player)
    picture = player.bring(first)
    view = None if picture is None else player.present(picture)
    first_ns = clock_ns() - opened_ns
    witness.saw(first, picture, view)
    hz = job.refresh_hz
    meet()
    with no_garbage_collection():
        loop = HandLoop(player, wanted, refresh_hz=hz, saw=witness.saw, clock_ns=clock_ns)
        sleep_ns(job.seed % (int(NS_PER_S) // hz))  # the player looks at any moment of a refresh
        loop.serve(job.service)
    meet()
    process = read_process_facts()
    player.close()
    shown = zip(loop.events, witness.proofs(), strict=True)
    measurement = DragMeasurement(
        refresh_hz=hz,
        strokes=job.strokes,
        is_steady=job.is_steady,
        pictures=tuple(Shown(*event, proof) for event, proof in shown),
        first_ns=first_ns,
        sample_ns=loop.sample_ns,
        wake_late_ns=tuple(loop.wake_late_ns),
        wait_ns=tuple(witness.wait_ns),
    )
    flags = ("late_generator",) * is_late(measurement.wake_late_ns, hz)
    flags += ("not_cold",) * (not is_cold)
    return Measured(measurement=measurement, process=process, flags=flags)

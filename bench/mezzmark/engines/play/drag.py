"""The drag task: serve a hand that does not wait, and record when each picture stood.

There is no thread that makes requests: the strokes are known, so the newest request is a function
of the clock, and what can be late is the player's own waking alone, which is recorded.
"""

import time
from collections.abc import Callable
from typing import Any, Final

from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.play.open_loop import OpenLoopPlayer, Witness
from mezzmark.host.common import no_garbage_collection, read_process_facts, sleep_ns
from mezzmark.host.file_pages import is_dropped
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks.drag import DragJob, DragMeasurement, Shown, is_late
from mezzmark.model.tasks.hand import Ints, wanted_frames

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
    """One drag; its `events` are (request, start, done, frame), times in ns after refresh 0.

    `wanted` is where the hand is at each refresh; `saw` is told of each picture after it stood. The
    first frame stands before refresh 0, from which on time counts; `player` may be a simulation's.
    """

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
    """Open the file, show the first frame, follow the hand, and prove what was shown; before and
    after the hand moves, `meet` others.

    Raises FootageError and EngineError when the file cannot be opened.
    """
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

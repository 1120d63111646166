"""A player of known cost on a virtual clock, served by the loop that drives the real one."""

from collections.abc import Callable

import numpy as np

from mezzmark.engines.play.drag import HandLoop
from mezzmark.model.tasks.hand import Screen, rebuild_screen


class VirtualPlayer:
    """Each picture costs `cost_ns(number)`; one step goes one frame on, or starts at a key frame.
    The clock runs while it decodes or sleeps, and at no other time."""

    def __init__(self, cost_ns: Callable[[int], int], *, group: int = 1) -> None:
        self.now_ns, self.number, self._cost_ns, self._group = 0, 0, cost_ns, group
        self._at = -1

    def clock_ns(self) -> int:
        return self.now_ns

    def sleep_ns(self, span_ns: int) -> None:
        self.now_ns += span_ns

    def bring(self, frame_index: int) -> int:
        frame, picture = -1, -1
        while frame != frame_index:
            frame, picture = self.step(frame_index)
        return picture

    def step(self, frame_index: int) -> tuple[int, int]:
        self.now_ns += self._cost_ns(self.number)
        self.number += 1
        start = frame_index - frame_index % self._group
        self._at = self._at + 1 if start <= self._at < frame_index else start
        return self._at, self._at

    def present(self, picture: int) -> int:
        return picture


def drag(
    player: VirtualPlayer, wanted: "np.ndarray", service: str = "latest", *, refresh_hz: int = 60
) -> tuple[Screen, HandLoop]:
    """The screen of a display at which this player serves the hand, and what was recorded."""
    loop = HandLoop(
        player,
        wanted,
        refresh_hz=refresh_hz,
        clock_ns=player.clock_ns,
        sleep=player.sleep_ns,
        saw=lambda *_: None,
    )
    loop.serve(service)
    done, frames = [e[2] for e in loop.events], [e[3] for e in loop.events]
    return rebuild_screen(wanted, done, frames, refresh_hz=refresh_hz), loop

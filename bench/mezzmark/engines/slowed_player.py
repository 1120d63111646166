"""A player made slower by a known share, to see whether a change of that size would be found."""

from collections.abc import Callable
from dataclasses import replace

from mezzmark.engines.player import Move, OpenPlayer, PlaysMoves
from mezzmark.facts.footage import FrameIndex
from mezzmark.facts.jobs import ScrubJob


def slowed(open_player: OpenPlayer, *, fraction: float) -> OpenPlayer:
    """Opens players whose every move takes `fraction` longer than it would have."""

    def open_slowed(path: str, index: FrameIndex, job: ScrubJob) -> PlaysMoves:
        return _SlowedPlayer(open_player(path, index, job), fraction)

    return open_slowed


class _SlowedPlayer:
    """Keeps the processor busy after each move; the time counts as decoding."""

    def __init__(self, player: PlaysMoves, fraction: float) -> None:
        self._player = player
        self._fraction = fraction

    def move(self, frame_index: int, clock_ns: Callable[[], int]) -> Move:
        """The move of the player inside, and a share of its time on top."""
        move = self._player.move(frame_index, clock_ns)
        latency_ns = move.locate_ns + move.decode_ns + move.present_ns
        start_ns = clock_ns()
        while (spent_ns := clock_ns() - start_ns) < latency_ns * self._fraction:
            pass
        return replace(move, decode_ns=move.decode_ns + spent_ns)

    def close(self) -> None:
        """Let go of the file."""
        self._player.close()

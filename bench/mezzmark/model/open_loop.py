"""Measurements of the tasks to come, so that stored format 2 need not change for them.

It stands alone until the first of them has a row in `model.tasks`.
"""

from mezzmark.model.fact import Fact
from mezzmark.model.tasks.scrub import Proof


class PlayerTimeline(Fact):
    """What one player of an open-loop trial did; all tuples have one entry per request it served.

    Times are nanoseconds after the trial's start. `wanted` is the frame that was asked for, `frame`
    the one that came, `shown_at_refresh` the refresh at which it was first on screen (−1: never).
    `sparse_proof` compares a sample of its lines, `full_proof` the whole picture of a seeded choice
    (empty text where it was not chosen).
    """

    wanted: tuple[int, ...]
    requested_ns: tuple[int, ...]
    started_ns: tuple[int, ...]
    done_ns: tuple[int, ...]
    frame: tuple[int, ...]
    shown_at_refresh: tuple[int, ...]
    sparse_proof: tuple[Proof, ...] = ()
    full_proof: tuple[Proof | str, ...] = ()


class Timeline(Fact):
    """An open-loop trial: dragging, playing, several streams, several editors.

    `refresh_ns` are the display's refreshes, `generator_late_ns` how late each request was made.
    """

    generator_late_ns: tuple[int, ...]
    refresh_ns: tuple[int, ...]
    players: tuple[PlayerTimeline, ...]


class Sequential(Fact):
    """A file decoded from first to last picture."""

    frames: int
    wall_ns: int
    cpu_ns: int


class Transfer(Fact):
    """Raw reads or writes of `size_bytes` each by `readers` at once, one time per transfer."""

    size_bytes: int
    wall_ns: tuple[int, ...]
    readers: int

"""Which worker encodes which clip, and when the last one is done.

List scheduling: whenever a worker is free it takes the first clip of the list that may start. In
`fifo` order the list is the order of arrival; in `longest-first` it is by falling length. Graham
(SIAM J. Appl. Math. 17(2), 1969) proved that no list takes more than 2 − 1/m times the best
makespan on m workers, and longest-first, without precedence, not more than 4/3 − 1/(3m) times.
"""

import heapq
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mezzmark.model.tasks.ingest import ClipOrder
from mezzmark.statistics.intervals import Interval, check_level

MINIMUM_DRAWS: Final = 200
"""Fewer draws leave a 95 % limit to the five outermost of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """One clip on one worker, from `start_s` to `end_s` after the first start."""

    clip_index: int
    worker_index: int
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """Placements in order of start, for `worker_count` workers."""

    worker_count: int
    placements: tuple[Placement, ...]

    @property
    def makespan_s(self) -> float:
        """When the last clip is done; 0 for no clips."""
        return max((placement.end_s for placement in self.placements), default=0.0)

    @property
    def idle_fraction(self) -> float:
        """The share of the workers' time, up to the makespan, in which they had no clip."""
        room_s = self.worker_count * self.makespan_s
        busy_s = sum(placement.end_s - placement.start_s for placement in self.placements)
        return max(0.0, 1 - busy_s / room_s) if room_s > 0 else 0.0


def schedule_clips(
    durations_s: Sequence[float],
    worker_count: int,
    *,
    order: ClipOrder = "fifo",
    waits_for: Mapping[int, frozenset[int]] | None = None,
) -> Schedule:
    """The list schedule of clips that take `durations_s` seconds each.

    `waits_for` names, by clip index, the clips that must be done first (a delivery waits for its
    intermediate). Raises ValueError for no worker, a negative duration, or clips that wait for
    each other in a circle.
    """
    _check(durations_s, worker_count)
    pending = list_order(durations_s, order=order)
    needs = waits_for or {}
    free = list(range(worker_count))
    running: list[tuple[float, int, int]] = []
    done: set[int] = set()
    placements = []
    now_s = 0.0
    while pending:
        ready = [clip for clip in pending if needs.get(clip, frozenset()) <= done]
        for clip in ready[: len(free)]:
            worker = heapq.heappop(free)
            end_s = now_s + durations_s[clip]
            heapq.heappush(running, (end_s, worker, clip))
            placements.append(
                Placement(clip_index=clip, worker_index=worker, start_s=now_s, end_s=end_s)
            )
            pending.remove(clip)
        if not running:
            raise ValueError(f"clips {sorted(pending)} wait for each other")
        now_s = running[0][0]
        while running and running[0][0] == now_s:
            _, worker, clip = heapq.heappop(running)
            heapq.heappush(free, worker)
            done.add(clip)
    return Schedule(worker_count=worker_count, placements=tuple(placements))


def list_order(durations_s: Sequence[float], *, order: ClipOrder) -> list[int]:
    """Clip indices in the order in which workers take them; ties keep the order of arrival."""
    clips = list(range(len(durations_s)))
    if order == "longest-first":
        clips.sort(key=lambda clip: -durations_s[clip])
    return clips


def makespan_bound_s(durations_s: Sequence[float], worker_count: int) -> float:
    """A time that no schedule without precedence can beat.

    The largest of: the work shared out evenly; the longest clip; and, with more than m clips, the
    m-th plus the (m+1)-th longest, two of which must share a worker.
    """
    _check(durations_s, worker_count)
    falling = sorted(durations_s, reverse=True)
    if not falling:
        return 0.0
    shared = sum(falling[worker_count - 1 : worker_count + 1]) if len(falling) > worker_count else 0
    return max(sum(falling) / worker_count, falling[0], shared)


def predict_makespan(
    duration_draws_s: NDArray[np.float64],
    worker_count: int,
    *,
    order: ClipOrder = "fifo",
    confidence_level: float,
) -> Interval:
    """The makespan when each row of `duration_draws_s` (draws × clips) might be the truth.

    The point is the median over the draws. Raises ValueError for fewer than `MINIMUM_DRAWS`.
    """
    check_level(confidence_level)
    if duration_draws_s.ndim != 2 or duration_draws_s.shape[0] < MINIMUM_DRAWS:
        raise ValueError(f"a prediction needs draws × clips with at least {MINIMUM_DRAWS} draws")
    spans_s = [
        schedule_clips(list(row), worker_count, order=order).makespan_s for row in duration_draws_s
    ]
    tail = (1 - confidence_level) / 2
    low, point, high = np.quantile(spans_s, (tail, 0.5, 1 - tail))
    return Interval(
        point=float(point),
        low=float(low),
        high=float(high),
        confidence_level=confidence_level,
        count=len(spans_s),
        method=f"{order} schedule of {len(spans_s)} draws of the clips' seconds",
    )


def _check(durations_s: Sequence[float], worker_count: int) -> None:
    if worker_count < 1:
        raise ValueError(f"worker_count must be at least 1, not {worker_count}")
    if any(not 0 <= seconds < float("inf") for seconds in durations_s):
        raise ValueError("durations must be finite and not negative")

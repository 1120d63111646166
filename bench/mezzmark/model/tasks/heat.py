"""A long trial as it heats the machine: the machine's moments, and the speed at both ends."""

from collections.abc import Sequence
from typing import Final

from mezzmark.model.fact import NS_PER_S, Amount, Fact, Whole, grouped

HEAT_WINDOWS: Final = 5
"""The first and the last minutes are a fifth of a long trial each: of 20 minutes, four."""


class HeatMoment(Fact):
    """What the machine did at a moment of a long trial; None where the system does not tell.
    `throttle_count` counts slowings for heat since the machine started."""

    at_ns: Whole
    frequency_mhz: Amount | None = None
    throttle_count: Whole | None = None
    on_battery: bool | None = None
    battery_fraction: Amount | None = None


Span = tuple[int, int, int]
"""A clip, and when it was begun and done."""


def is_first(start_ns: int, end_ns: int, lasting_ns: int) -> bool:
    """Whether a span lies within the first minutes."""
    return start_ns >= 0 and end_ns <= lasting_ns / HEAT_WINDOWS


def is_last(start_ns: int, end_ns: int, lasting_ns: int) -> bool:
    """Whether a span lies within the last minutes, all workers being at work."""
    return start_ns >= lasting_ns - lasting_ns / HEAT_WINDOWS and end_ns <= lasting_ns


def heat_speeds(
    spans: Sequence[Span], pixels: Sequence[int], *, worker_count: int, lasting_ns: int
) -> tuple[float, float] | None:
    """Pixels, in 10⁶ a second, of all workers in the first and in the last minutes, over the clips
    that were begun and done in both, so that both are of the same work: total pixels / the clips'
    mean seconds. None where no clip was; `pixels` are those of each clip."""
    ends = [
        grouped((clip, end - start) for clip, start, end in spans if lies(start, end, lasting_ns))
        for lies in (is_first, is_last)
    ]
    common = sorted(ends[0].keys() & ends[1].keys())
    if not common:
        return None
    work = sum(pixels[clip] for clip in common) * worker_count / 1e6
    first, last = (
        sum(sum(times[clip]) / len(times[clip]) for clip in common) / NS_PER_S for times in ends
    )
    return work / first, work / last

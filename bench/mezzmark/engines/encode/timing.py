"""When the pictures of an encoded file are shown, so that they keep to the sound.

Pictures of a constant rate are spaced evenly. Of a variable rate each keeps its own time where
container and codec can hold it. Elsewhere, beside sound, the file has the nearest standard rate
that is not below the usual one of the footage; each picture is shown from the place nearest to its
time, until the next one: it moves by half a frame at most, is repeated where the next one is late,
and left out where the next one has the same place. Without sound all pictures are spaced evenly.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import ceil, floor
from statistics import median_low

from av.video.frame import VideoFrame

from mezzmark.engines.media.pixels import frame_from_planes, planes_of, tags_of
from mezzmark.model import footage
from mezzmark.model.encoding import Encoding, holds_times
from mezzmark.model.footage import FrameIndex


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """`places[n]` are the times of picture n in ticks of `time_base`: none where it is left out,
    several where it is repeated. `duration_s` is from the first picture to the end of the last."""

    frame_rate: Fraction
    time_base: Fraction
    places: tuple[tuple[int, ...], ...]
    duration_s: Fraction

    @property
    def shown(self) -> list[int]:
        """The pictures of the file, as numbers of the footage's."""
        return [n for n, places in enumerate(self.places) for _ in places]


def plan_timing(index: FrameIndex, encoding: Encoding, *, has_sound: bool) -> Timing:
    """When an encoding shows the pictures of an index."""
    rate = footage.constant_rate(index)
    if not footage.is_constant_rate(index, rate):
        if holds_times(encoding):
            ticks = [pts - index.pts[0] for pts in index.pts]
            places = tuple((tick,) for tick in ticks)
            tick_s = index.time_base
            duration_s = (ticks[-1] + _usual_step(index)) * tick_s
            return Timing(frame_rate=rate, time_base=tick_s, places=places, duration_s=duration_s)
        if has_sound:
            return _conformed(index)
    return even_timing(index, rate)


def even_timing(index: FrameIndex, rate: Fraction) -> Timing:
    """All pictures, evenly spaced."""
    places = tuple((n,) for n in range(index.frame_count))
    duration_s = index.frame_count / rate
    return Timing(frame_rate=rate, time_base=1 / rate, places=places, duration_s=duration_s)


def timed(frames: Iterable[VideoFrame], timing: Timing) -> Iterator[VideoFrame]:
    """The frames with their times set, repeated or left out as planned."""
    for frame, places in zip(frames, timing.places, strict=False):
        for number, place in enumerate(places):
            again = number and frame_from_planes(
                planes_of(frame), frame.format.name, tags_of(frame)
            )
            shown = again or frame
            shown.pts, shown.time_base = place, timing.time_base
            yield shown


def evenly_timed(frames: Iterable[VideoFrame], frame_rate: Fraction) -> Iterator[VideoFrame]:
    """Frames of whatever number, their times set to 0, 1, 2, … / rate."""
    for number, frame in enumerate(frames):
        frame.pts, frame.time_base = number, 1 / frame_rate
        yield frame


def _usual_step(index: FrameIndex) -> int:
    """Ticks from a picture to the next, as most often."""
    return median_low([later - earlier for earlier, later in pairwise(index.pts)])


def _conformed(index: FrameIndex) -> Timing:
    step_s = _usual_step(index) * index.time_base
    at_least = (1 - Fraction(footage.ROUNDING_FRACTION)) / step_s
    rate = next((r for r in footage.STANDARD_RATES if r >= at_least), Fraction(ceil(1 / step_s)))
    ticks = [(pts - index.pts[0]) * index.time_base * rate for pts in index.pts]
    firsts = [floor(tick + Fraction(1, 2)) for tick in ticks]
    end = firsts[-1] + max(1, round(step_s * rate))
    places = tuple(tuple(range(*pair)) for pair in pairwise((*firsts, end)))
    return Timing(frame_rate=rate, time_base=1 / rate, places=places, duration_s=end / rate)

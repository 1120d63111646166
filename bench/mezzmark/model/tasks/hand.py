"""The hand on the playhead: its seeded strokes, and the screen rebuilt from what a player did.

A stroke moves by minimum jerk, 10 s³ - 15 s⁴ + 6 s⁵ of its length (Flash & Hogan, Journal of
Neuroscience 5, 1985, 1688-1703). Lengths in frames, durations (the form of Fitts, Journal of
Experimental Psychology 47, 1954, 381-391) and pauses are our own choice: no published ones for
editors are known to us. All is counted in whole refreshes and frames, alike on every machine."""

from collections.abc import Sequence
from typing import Annotated, Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from mezzmark.model.fact import NS_PER_S, Whole

Hand = Literal["strokes", "sweep"]
"""`strokes` by minimum jerk with pauses, or a steady `sweep` to and fro."""

STROKE_LOG_SD, SHORTEST_STROKE_S, STROKE_S_PER_BIT, BIT_FRAMES = 1.0, 0.10, 0.15, 4.0
"""Lengths are log-normal; a stroke over D frames takes 0.10 + 0.15 · log2(1 + D / 4) seconds."""

REST_CHANCE, REST_S, LAST_REST_S = 0.7, (0.1, 0.8), 3.0
"""In the last stroke's rest even a long group can be decoded."""

OLD_MS: Final = 100.0
"""A picture older than this is felt to lag (Nielsen, Usability Engineering, 1993)."""

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


class Stroke(NamedTuple):
    """From frame to frame in so many refreshes, then at rest for so many."""

    start: Whole
    end: Whole
    refreshes: Annotated[int, Field(ge=1, le=100_000)]
    rest: Annotated[int, Field(ge=0, le=100_000)]


def draw_strokes(
    hand: Hand,
    *,
    frame_count: int,
    refresh_hz: int,
    duration_s: float,
    rng: np.random.Generator,
    median_frames: float = 40.0,
    sweep_fps: float = 192.0,
    last_rest_s: float = LAST_REST_S,
) -> tuple[Stroke, ...]:
    """Strokes that fill about `duration_s`, the last rest included, within the clip."""
    last = frame_count - 1
    at = int(rng.integers(0, frame_count))
    strokes: list[Stroke] = []
    left = round((duration_s - (last_rest_s if hand == "strokes" else 0)) * refresh_hz)
    while left > 0 or not strokes:
        if hand == "sweep":
            end = last if at < last and (not strokes or strokes[-1].end < strokes[-1].start) else 0
            refreshes, rest = max(1, round(abs(end - at) * refresh_hz / sweep_fps)), 0
            if refreshes > left > 0:
                end, refreshes = at + round((end - at) * left / refreshes), left
        else:
            length = round(median_frames * float(np.exp(STROKE_LOG_SD * rng.standard_normal())))
            length = min(max(1, length), max(1, last))
            end = at + length * int(rng.choice((-1, 1)))
            end = min(max(end if 0 <= end <= last else 2 * at - end, 0), last)
            bits = float(np.log2(1 + abs(end - at) / BIT_FRAMES))
            refreshes = round((SHORTEST_STROKE_S + STROKE_S_PER_BIT * bits) * refresh_hz)
            rest = round(rng.uniform(*REST_S) * refresh_hz) if rng.random() < REST_CHANCE else 0
        strokes.append(Stroke(at, end, max(1, refreshes), rest))
        at, left = end, left - strokes[-1].refreshes - rest
    if hand == "strokes":
        strokes[-1] = strokes[-1]._replace(rest=round(last_rest_s * refresh_hz))
    return tuple(strokes)


def wanted_frames(strokes: Sequence[Stroke], *, is_steady: bool = False) -> Ints:
    """Where the hand is at every refresh, from refresh 0 on."""
    frames: list[int] = []
    for start, end, n, rest in strokes:
        whole = n if is_steady else n**5
        parts = (j if is_steady else j**3 * (10 * n * n + j * (6 * j - 15 * n)) for j in range(n))
        frames += [start + (2 * (end - start) * part + whole) // (2 * whole) for part in parts]
        frames += [end] * rest
    return np.array(frames, dtype=np.int64)


def moving_refreshes(strokes: Sequence[Stroke]) -> NDArray[np.bool_]:
    """At which refreshes the hand moves."""
    return np.concatenate([np.arange(s.refreshes + s.rest) < s.refreshes for s in strokes])


class Screen(NamedTuple):
    """At each refresh the `wanted` frame, the `shown` one (-1: none yet) and its `picture`."""

    wanted: Ints
    shown: Ints
    picture: Ints
    refresh_hz: int


def rebuild_screen(
    wanted: Ints, done_ns: Sequence[int], frames: Sequence[int], *, refresh_hz: int
) -> Screen:
    """The screen from when pictures were done, in order, in ns after refresh 0: the last done."""
    first = -(-np.asarray(done_ns, dtype=np.int64) * refresh_hz // int(NS_PER_S))
    picture = np.searchsorted(first, np.arange(wanted.size), side="right") - 1
    shown = np.append(np.asarray(frames, dtype=np.int64), -1)[picture]
    return Screen(wanted, shown, picture, refresh_hz)


def ages(screen: Screen) -> Ints:
    """How many refreshes ago the hand was last at, or passed, the frame on screen; -1: never."""
    wanted, before = screen.wanted, np.append(screen.wanted[:1], screen.wanted[:-1])
    low = np.where(wanted > before, before + 1, wanted)
    high = np.where(wanted > before, wanted, np.maximum(wanted, before - 1))
    # Of the frames that the hand passes, those ever on screen alone, however long the clip is.
    frames, place = np.unique(screen.shown, return_inverse=True)
    from_place, to_place = np.searchsorted(frames, low), np.searchsorted(frames, high, side="right")
    last_there = np.full(frames.size, -1, dtype=np.int64)
    found = np.full(wanted.size, -1, dtype=np.int64)
    spans = zip(from_place.tolist(), to_place.tolist(), place.tolist(), strict=True)
    for k, (first, end, at) in enumerate(spans):
        last_there[first:end] = k
        if last_there[at] >= 0:  # never where nothing is shown: no hand is at frame -1
            found[k] = k - last_there[at]
    return found


def distances(screen: Screen) -> Ints:
    """Frames from the hand to the picture, at each refresh with one."""
    off: Ints = np.abs(screen.shown - screen.wanted)[screen.shown >= 0]
    return off


def longest_freeze(screen: Screen) -> int:
    """The most refreshes in a row with one picture that is not the wanted one."""
    is_wanted = screen.shown == screen.wanted
    runs = screen.picture + np.cumsum(is_wanted) * (screen.picture.max() + 2)
    return int(np.unique(runs[~is_wanted], return_counts=True)[1].max(initial=0))


def pictures_per_s(screen: Screen, moving: NDArray[np.bool_]) -> float:
    """Different pictures seen in a second while the hand moves."""
    is_new = np.diff(screen.picture, prepend=screen.picture[:1]) != 0
    counted = moving & (screen.picture >= 0)
    shown, of = int(np.count_nonzero(is_new & counted)), int(np.count_nonzero(counted))
    return shown * screen.refresh_hz / max(1, of)


def exact_after_stops(screen: Screen, strokes: Sequence[Stroke]) -> list[tuple[int, bool]]:
    """Of each rest: refreshes until the exact picture stood, and if before the hand went on."""
    found, at = [], 0
    for stroke in strokes:
        at += stroke.refreshes
        resting = screen.shown[at : at + stroke.rest] == stroke.end
        at += stroke.rest
        if stroke.rest:
            is_there = bool(resting.any())
            found.append((int(resting.argmax()) if is_there else stroke.rest, is_there))
    return found


def censored_median(times: Sequence[tuple[float, bool]]) -> float:
    """The median of times of which some ended unanswered (Kaplan & Meier, Journal of the American
    Statistical Association 53, 1958, 457-481); where it is not reached, the longest time of all,
    taken as answered (Efron, Fifth Berkeley Symposium 4, 1967, 831-853)."""
    left, survival = len(times), 1.0
    for time, is_answered in sorted(times, key=lambda one: (one[0], not one[1])):
        survival *= 1 - 1 / left if is_answered else 1
        if survival <= 0.5:
            return time
        left -= 1
    return max(time for time, _ in times)

"""Patterns: how the playhead moves, as pure functions from clips and rng to requests.

A request is (clip position, frame index). A pattern depends on nothing but its arguments, so all
encodings of a clip replay the same requests in a round. It is an endless stream in which each
`settings.requests` moves are one block, a complete stratified set; whoever plays fewer blocks of
it plays the same moves as who plays more, up to there.

What a jump costs in a long group of pictures is how far its target lies from the key frame, so
targets are a Latin hypercube (McKay, Beckman & Conover, Technometrics 21, 1979, 239-245) over place
in the group and place in the clip. Equal steps are no substitute: they fall into step with the
groups. In groups of 48 frames it takes the spread of a median of 24 moves from 20 % to 4 or 5 %
(`tests/simulation/target_spread.py`)."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count, islice
from statistics import NormalDist
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from mezzmark.model.tasks.scrub import ScrubSettings  # its table names patterns

Requests = tuple[tuple[int, int], ...]
Rng = np.random.Generator

Groups = Sequence[int]
"""A clip as the first frames of its groups of pictures, and at the end its length in frames."""

_Moves = Iterator[tuple[int, int]]
_PatternFunction = Callable[[Sequence[Groups], "ScrubSettings", Rng], _Moves]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """A way to move: it `visits_all` clips, or one; `is_stratified`: targets are drawn together."""

    plan: _PatternFunction
    visits_all: bool = False
    is_stratified: bool = False


HOP_LOG_SD = 1.0
"""Spread of the log-normal hop length in `near`: two thirds of hops lie within a factor e of the
median. Our own choice; no published source for editors' hop lengths is known to us."""


def groups_of(frame_count: int, key_frames: Sequence[int] = ()) -> Groups:
    """A clip's groups of pictures; without key frames it is one group."""
    starts = sorted({0, *(key for key in key_frames if 0 <= key < frame_count)})
    return (*starts, frame_count)


def plan_requests(
    pattern: str, *, clips: Sequence[Groups], settings: "ScrubSettings", rng: Rng, blocks: int = 1
) -> Requests:
    """The requests of one trial: `blocks` sets of `settings.requests` pairs of (clip position,
    frame index). `clips` holds the groups of pictures of each original that the pattern may visit;
    all patterns but `hop` stay in the first. Raises ValueError for an empty clip."""
    if not clips or min(groups[-1] for groups in clips) < 1:
        raise ValueError("a pattern needs clips of at least one frame")
    stream = PATTERNS[pattern].plan(clips, settings, rng)
    return tuple(islice(stream, blocks * settings.requests))


def spread_targets(groups: Groups, target_count: int, rng: Rng) -> NDArray[np.int_]:
    """Frames of a clip as a Latin hypercube over place in the group and place in the clip, in
    random order; each frame is as likely as any other. By their places in the group frames fall
    into equal strata with one target each; which of its frames is stratified too."""
    frames = np.arange(groups[-1])
    places = frames - np.repeat(groups[:-1], np.diff(groups))
    by_place = np.argsort(places, kind="stable")
    width = frames.size / target_count
    across = (rng.permutation(target_count) + rng.random(target_count)) / target_count
    targets = np.empty(target_count, dtype=np.int_)
    for stratum, share in enumerate(across):
        low, high = stratum * width, (stratum + 1) * width
        ranks = np.arange(int(low), min(int(np.ceil(high)), frames.size))
        order = np.argsort(by_place[ranks])
        # A frame on the edge of two strata belongs to each by its part.
        parts = (np.minimum(ranks + 1, high) - np.maximum(ranks, low))[order]
        at = int(np.searchsorted(np.cumsum(parts), share * parts.sum(), side="right"))
        targets[stratum] = by_place[ranks[order[min(at, ranks.size - 1)]]]
    return rng.permutation(targets)


def _jump(clips: Sequence[Groups], settings: "ScrubSettings", rng: Rng) -> _Moves:
    """Uniform over the clip: a click anywhere in the timeline."""
    while True:
        for frame in spread_targets(clips[0], settings.requests, rng):
            yield 0, int(frame)


def _near(clips: Sequence[Groups], settings: "ScrubSettings", rng: Rng) -> _Moves:
    """Log-normal hops to either side of the playhead, turned back at the clip's ends. A block meets
    each stratum of lengths once, and of two neighbours one goes forward and one back."""
    last = clips[0][-1] - 1
    lengths = NormalDist(float(np.log(settings.near_median_frames)), HOP_LOG_SD)
    hop_count = settings.requests
    playhead = int(rng.integers(0, last + 1))
    while True:
        places = np.arange(hop_count) + rng.random(hop_count)
        shares = np.clip(places / hop_count, 1e-12, 1 - 1e-12)
        signs = np.repeat(rng.choice((-1, 1), size=(hop_count + 1) // 2), 2)[:hop_count]
        signs[1::2] *= -1
        for k in rng.permutation(hop_count):
            length = round(float(np.exp(lengths.inv_cdf(float(shares[k])))))
            hop = int(signs[k]) * min(max(1, length), last)
            target = playhead + hop if 0 <= playhead + hop <= last else playhead - hop
            playhead = min(max(target, 0), last)
            yield 0, playhead


def _walk(direction: int, *, is_sweep: bool) -> _PatternFunction:
    """Equal strides from a random start, wrapping: frame by frame, or a sweep at its speed."""

    def pattern(clips: Sequence[Groups], settings: "ScrubSettings", rng: Rng) -> _Moves:
        frames = clips[0][-1]
        step = direction * (settings.sweep_speed if is_sweep else 1)
        start = int(rng.integers(0, frames))
        return ((0, (start + step * k) % frames) for k in count())

    return pattern


def _hop(clips: Sequence[Groups], settings: "ScrubSettings", rng: Rng) -> _Moves:
    """From clip to clip, never staying; a block's frames in one clip are spread as in `jump`."""
    clip_count = len(clips)
    position = int(rng.integers(0, clip_count))
    while True:
        visits = []
        for _ in range(settings.requests):
            if clip_count > 1:
                position = (position + int(rng.integers(1, clip_count))) % clip_count
            visits.append(position)
        targets = {
            clip: iter(spread_targets(clips[clip], visits.count(clip), rng))
            for clip in sorted(set(visits))
        }
        for clip in visits:
            yield clip, int(next(targets[clip]))


PATTERNS: Final[dict[str, Pattern]] = {
    "jump": Pattern(plan=_jump, is_stratified=True),
    "near": Pattern(plan=_near, is_stratified=True),
    "hop": Pattern(plan=_hop, visits_all=True, is_stratified=True),
    "sweep-forward": Pattern(plan=_walk(1, is_sweep=True)),
    "sweep-back": Pattern(plan=_walk(-1, is_sweep=True)),
    "step-forward": Pattern(plan=_walk(1, is_sweep=False)),
    "step-back": Pattern(plan=_walk(-1, is_sweep=False)),
}
"""Every pattern, in the order of reports; what each is called stands in `report.prose.terms`."""

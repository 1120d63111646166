"""Patterns: how the playhead moves, as pure functions from clip lengths and rng to requests.

A request is (clip position, frame index). A pattern depends on nothing but its arguments, so all
encodings of a clip replay the same requests in a round.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from mezzmark.model.tasks.scrub import ScrubSettings  # its table names patterns

Requests = tuple[tuple[int, int], ...]


_PatternFunction = Callable[[Sequence[int], "ScrubSettings", np.random.Generator], Requests]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """One way to move the playhead; `visits_all` clips, or stays in one."""

    plan: _PatternFunction
    visits_all: bool = False


HOP_LOG_SD = 1.0
"""Spread of the log-normal hop length in `near`: two thirds of hops lie within a factor e of the
median. Our own choice; no published source for editors' hop lengths is known to us."""


def plan_requests(
    pattern: str,
    *,
    frame_counts: Sequence[int],
    settings: "ScrubSettings",
    rng: np.random.Generator,
) -> Requests:
    """The requests of one trial: `settings.requests` pairs of (clip position, frame index).

    `frame_counts` holds one length per clip the pattern may visit; all patterns but `hop` stay
    in the first. Raises ValueError for an empty clip.
    """
    if not frame_counts or min(frame_counts) < 1:
        raise ValueError("a pattern needs clips of at least one frame")
    return PATTERNS[pattern].plan(frame_counts, settings, rng)


def _jump(
    frame_counts: Sequence[int], settings: "ScrubSettings", rng: np.random.Generator
) -> Requests:
    """Uniform over the clip: a click anywhere in the timeline."""
    frames = rng.integers(0, frame_counts[0], size=settings.requests)
    return tuple((0, int(frame)) for frame in frames)


def _near(
    frame_counts: Sequence[int], settings: "ScrubSettings", rng: np.random.Generator
) -> Requests:
    """Log-normal hops to either side of the playhead, turned back at the clip's ends."""
    last = frame_counts[0] - 1
    hops = np.maximum(
        1,
        np.rint(rng.lognormal(np.log(settings.near_median_frames), HOP_LOG_SD, settings.requests)),
    )
    signs = rng.choice((-1, 1), size=settings.requests)
    playhead = int(rng.integers(0, last + 1))
    requests = []
    for hop, sign in zip(hops.astype(int), signs, strict=True):
        hop_frames = min(int(hop), last)
        target = playhead + int(sign) * hop_frames
        if not 0 <= target <= last:
            target = playhead - int(sign) * hop_frames
        playhead = min(max(target, 0), last)
        requests.append((0, playhead))
    return tuple(requests)


def _walk(direction: int, *, is_sweep: bool) -> _PatternFunction:
    """Equal strides through the clip from a random start, wrapping at its end: from frame to frame,
    or in a sweep at the settings' speed."""

    def pattern(
        frame_counts: Sequence[int], settings: "ScrubSettings", rng: np.random.Generator
    ) -> Requests:
        frames = frame_counts[0]
        step = direction * (settings.sweep_speed if is_sweep else 1)
        start = int(rng.integers(0, frames))
        return tuple((0, (start + step * k) % frames) for k in range(settings.requests))

    return pattern


def _hop(
    frame_counts: Sequence[int], settings: "ScrubSettings", rng: np.random.Generator
) -> Requests:
    """From clip to clip, never staying in one, each time to a uniform frame."""
    clips = len(frame_counts)
    position = int(rng.integers(0, clips))
    requests = []
    for _ in range(settings.requests):
        if clips > 1:
            position = (position + int(rng.integers(1, clips))) % clips
        requests.append((position, int(rng.integers(0, frame_counts[position]))))
    return tuple(requests)


PATTERNS: Final[dict[str, Pattern]] = {
    "jump": Pattern(plan=_jump),
    "near": Pattern(plan=_near),
    "hop": Pattern(plan=_hop, visits_all=True),
    "sweep-forward": Pattern(plan=_walk(1, is_sweep=True)),
    "sweep-back": Pattern(plan=_walk(-1, is_sweep=True)),
    "step-forward": Pattern(plan=_walk(1, is_sweep=False)),
    "step-back": Pattern(plan=_walk(-1, is_sweep=False)),
}
"""Every pattern, in the order of reports; what each is called stands in `report.prose.terms`."""

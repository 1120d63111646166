"""What dragging, playing and several streams came to, in words."""

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from mezzmark.decide.estimate.over_clips import AtBest
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.report.prose.figures import FigureText
from mezzmark.report.prose.numbers import estimate_text, number_text, shown_name

FRAME_LABEL, HAND_KEY = "frame of the clip", "the hand"
LATE_LABEL, STREAMS_LABEL = "late pictures, %", "streams at once"

_SAID: Final[dict[str, tuple[str, Callable[[Mapping[str, Estimate]], str]]]] = {
    "drag": (
        "While the hand drags, {} shows {}",
        lambda f: (
            f"{number_text(f['pictures_per_s'].point)} different pictures a second, in 95 of "
            f"100 refreshes at most {estimate_text(f['age_p95_ms'])} old"
        ),
    ),
    "play": (
        "Played in real time without sound, {} has {}",
        lambda f: (
            f"{number_text(100 * f['on_time_fraction'].point)} % of pictures on time, and "
            f"starts after {estimate_text(f['start_ms'])}"
        ),
    ),
    "streams": ("In a typical round {} plays {}", lambda f: f"{estimate_text(f['count'])} at once"),
}


def hand_sentences(at_best: Mapping[str, AtBest]) -> list[str]:
    """A sentence a task that was measured: the best encoding, and the original beside it."""
    texts = []
    for task, (start, words) in _SAID.items():
        by_encoding = {name: words(figures) for name, (_, figures) in at_best[task].items()}
        if by_encoding:
            best = next((name for name in by_encoding if name != ORIGINAL), ORIGINAL)
            text = start.format(shown_name(best), by_encoding[best])
            is_beside = best != ORIGINAL and ORIGINAL in by_encoding
            beside = f"; the original {by_encoding[ORIGINAL]}" if is_beside else ""
            texts.append(f"{text}{beside}.")
    return texts


def strokes_text(clip: str, encodings: Sequence[str], off: Sequence[float]) -> FigureText:
    """Of the hand and what was seen; `off` are mean distances in frames."""
    pairs = zip(encodings, off, strict=True)
    means = "; ".join(f"{shown_name(name)} {number_text(value)}" for name, value in pairs)
    return FigureText(
        title="Where the hand was, and what was seen",
        subtitle=f"{shown_name(clip)}, one trial of each with the same strokes",
        caption="A line on the hand's is a picture that follows; flat stretches are freezes.",
        alt=f"Mean distance from hand to picture in frames: {means}.",
    )


def streams_text(at_best: AtBest) -> FigureText:
    """Of late pictures by the number of streams."""
    counts = (f"{shown_name(n)} {estimate_text(f['count'])}" for n, (_, f) in at_best.items())
    return FigureText(
        title="How many streams play at once",
        subtitle="Late pictures, where most rounds tried; the median of rounds decides",
        caption="One stream more than the machine carries, and mostly all are late. "
        "No more are tried than the scenario's `most`.",
        alt=f"{'; '.join(counts)}.",
    )

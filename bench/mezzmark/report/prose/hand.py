"""What dragging, playing and several streams came to, in words."""

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from mezzmark.decide.estimate.over_clips import AtBest
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.report.prose.figures import FigureText
from mezzmark.report.prose.numbers import count_text, estimate_text, number_text, shown_name

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
}


def streams_words(count: Estimate, most: int | None = None) -> str:
    """`5 streams [4, 6] at once`; `at least 16 streams at once` where no more than `most` were
    tried."""
    low, high = count.low, count.high
    interval = "" if low is None or high is None else f" [{low:.0f}, {high:.0f}]"
    least = "at least " * (round(count.point) == most)
    return f"{least}{count_text(round(count.point), 'stream')}{interval} at once"


def hand_sentences(at_best: Mapping[str, AtBest], most_streams: int | None) -> list[str]:
    """A sentence a task that was measured: the best encoding, and the original beside it."""
    texts = []
    said = {
        **_SAID,
        "streams": (
            "In a typical round {} plays {}",
            lambda f: streams_words(f["count"], most_streams),
        ),
    }
    for task, (start, words) in said.items():
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
    counts = (f"{shown_name(n)} {streams_words(f['count'])}" for n, (_, f) in at_best.items())
    return FigureText(
        title="How many streams play at once",
        subtitle="Late pictures, where most rounds tried; the median of rounds decides",
        caption="One stream more than the machine carries, and mostly all are late. "
        "No more are tried than the scenario's `most`.",
        alt=f"{'; '.join(counts)}.",
    )

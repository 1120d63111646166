"""What dragging, playing, several streams and several editors came to, in words."""

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from mezzmark.decide.estimate.over_clips import AtBest
from mezzmark.model.cell import CONDITIONS
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.report.prose.figures import FigureText
from mezzmark.report.prose.numbers import estimate_text, number_text, shown_name
from mezzmark.report.prose.terms import axis_words

FRAME_LABEL, HAND_KEY = "frame of the clip", "the hand"
LATE_LABEL, AGE_LABEL = "late pictures, %", "age while dragging (p95), ms"
COUNT_LABEL: Final = "{} at once"

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
    "editors": (
        "With a file for each, {} serves in a typical round {}",
        lambda f: f"{estimate_text(f['count'])} at once{_waiting(f)}",
    ),
}


def _waiting(figures: Mapping[str, Estimate]) -> str:
    """Whether storage or the machine ended the search."""
    waited = figures.get("wait_fraction")
    return (
        f", and storage is {100 * waited.point:.0f} % of a picture's time beyond" if waited else ""
    )


def hand_sentences(at_best: Mapping[str, AtBest]) -> list[str]:
    """A sentence a task that was measured: the best encoding, and the original beside it."""
    texts = []
    for task, (start, words) in _SAID.items():
        by_encoding = {name: words(figures) for name, (_, figures) in at_best[task].items()}
        if by_encoding:
            best = next((name for name in by_encoding if name != ORIGINAL), ORIGINAL)
            text = start.format(shown_name(best), by_encoding[best])
            setting = at_best[task][best][0].setting
            read = [axis_words(axis, setting[axis]) for axis in CONDITIONS if setting[axis]]
            text += f" ({', '.join(read)})" * bool(read)
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


def counts_text(task: str, at_best: AtBest) -> FigureText:
    """Of what streams or editors came to, by their number."""
    counts = (f"{shown_name(n)} {estimate_text(f['count'])}" for n, (_, f) in at_best.items())
    return FigureText(
        title=f"How many {task} are served at once",
        subtitle="Where most rounds tried; the median of rounds decides",
        caption="One more than is carried, and mostly all are late. "
        "No more are tried than the scenario's `most`.",
        alt=f"{'; '.join(counts)}.",
    )

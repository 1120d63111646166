"""What the answer says of an encoding's price: its size, and the time that encoding takes."""

import statistics

from mezzmark.decide.best_cells import BestCells
from mezzmark.decide.bitrates import size_text
from mezzmark.decide.wording import count_text, estimate_text, number_text, shown_name
from mezzmark.facts.encoding import ORIGINAL
from mezzmark.facts.run import Manifest

MINUTES = 60


def price_sentences(
    name: str,
    encode: BestCells,
    bitrates: dict[str, float],
    manifest: Manifest,
    *,
    with_quickest: bool = True,
) -> list[str]:
    """What `name` costs in space and encode time, and which one encodes fastest unless
    `with_quickest` is False, since it was told."""
    texts = []
    if name in bitrates:
        text = f"{shown_name(name)} takes {size_text(bitrates[name])}"
        if name != ORIGINAL and ORIGINAL in bitrates:
            times = number_text(bitrates[name] / bitrates[ORIGINAL])
            text += f"; that is {times} times the original's size"
        texts.append(f"{text}.")
    if name in encode:
        cell, estimate = encode[name]
        text = (
            f"Encoding to it ran at {estimate_text(estimate)} "
            f"with {count_text(cell.thread_count, 'thread')}"
        )
        if hour := encode_time_text(estimate.point, manifest):
            text += f": {hour}"
        quickest = next(iter(encode))
        if with_quickest and quickest != name:
            text += (
                f"; {shown_name(quickest)} encoded fastest ({estimate_text(encode[quickest][1])})"
            )
        texts.append(f"{text}.")
    return texts


def encode_time_text(speed_fps: float, manifest: Manifest) -> str:
    """`9 h of encoding for an hour of footage`, at the mean frame rate of the clips; empty where
    no rate is known."""
    rates = [float(c.original.frame_rate) for c in manifest.clips if c.original.frame_rate]
    if not rates or speed_fps <= 0:
        return ""
    hours = statistics.fmean(rates) / speed_fps
    minutes = hours * MINUTES
    if hours >= 1:
        time = f"{hours:.1f}".removesuffix(".0") if hours < 10 else f"{hours:.0f}"
        time = f"{time} h"
    else:
        time = f"{minutes:.0f} min" if minutes >= 1 else "less than a minute"
    return f"{time} of encoding for an hour of footage"


def encode_only_sentence(encode: BestCells, manifest: Manifest) -> str:
    """The fastest encoding's speed, where nothing was said of time to picture."""
    name, (cell, estimate) = next(iter(encode.items()))
    hour = encode_time_text(estimate.point, manifest)
    return (
        f"{shown_name(name)} encoded at {estimate_text(estimate)} with "
        f"{count_text(cell.thread_count, 'thread')}{f': {hour}' if hour else ''}. Time to picture "
        "was not measured."
    )

"""What the answer says of an encoding's price: its size, and the time that encoding takes."""

import statistics
from collections.abc import Mapping, Sequence
from typing import Final

from mezzmark.decide.estimate.observations import Observation
from mezzmark.decide.estimate.pooling import (
    BestCells,
    best_cells,
    compare_groups,
    fastest_cells,
    group_over_clips,
)
from mezzmark.model.cell import AXES, Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.run import Manifest
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_text,
    joined_text,
    list_text,
    number_text,
    shown_name,
    size_text,
)
from mezzmark.report.prose.terms import plain_name
from mezzmark.statistics.scaling import MINIMUM_ROUNDS, ScalingFit
from mezzmark.statistics.scaling_inference import Peak


def peak_text(fit: ScalingFit, peak: Peak) -> str:
    """`40 [31, 52] cores`, or why no peak is given."""
    if peak.interval is not None:
        found = peak.interval
        return f"{found.point:.0f} [{found.low:.0f}, {found.high:.0f}] cores"
    if peak.withheld == "few_rounds":
        missing = count_text(MINIMUM_ROUNDS - fit.round_count, "more round")
        return f"no interval from {count_text(fit.round_count, 'round')}: measure {missing}"
    if peak.withheld == "no_peak":
        return "Amdahl's law has no peak"
    return (
        f"up to {max(fit.core_counts)} cores the data do not bound a peak: κ may be 0. Measure "
        "more core counts or more rounds"
    )


def price_sentences(
    name: str,
    encode: BestCells,
    bitrates_bps: dict[str, float],
    manifest: Manifest,
    *,
    with_quickest: bool = True,
) -> list[str]:
    """What `name` costs in space and encode time, and which one encodes fastest unless
    `with_quickest` is False, since it was said."""
    texts = []
    if name in bitrates_bps:
        text = f"{shown_name(name)} takes {size_text(bitrates_bps[name])}"
        if name != ORIGINAL and ORIGINAL in bitrates_bps:
            times = number_text(bitrates_bps[name] / bitrates_bps[ORIGINAL])
            text += f"; that is {times} times the original's size"
        texts.append(f"{text}.")
    if name in encode:
        text = f"Encoding to it ran at {_speed_text(encode[name], manifest)}"
        quickest = next(iter(encode))
        if with_quickest and quickest != name:
            speed = estimate_text(encode[quickest][1])
            text += f"; {shown_name(quickest)} encoded fastest ({speed})"
        texts.append(f"{text}.")
    return texts


def _speed_text(found: tuple[Cell, Estimate], manifest: Manifest) -> str:
    """`26 fps [25, 27] with 2 threads: 1 h of encoding for an hour of footage`."""
    cell, speed = found
    hour = encode_time_text(speed.point, manifest)
    threads = count_text(cell.setting["threads"], "thread")
    return f"{estimate_text(speed)} with {threads}{hour and f': {hour}'}"


def encode_time_text(speed_fps: float, manifest: Manifest) -> str:
    """`9 h of encoding for an hour of footage`, at the mean frame rate of the clips; empty where
    no rate is known."""
    rates = [float(c.original.frame_rate) for c in manifest.clips if c.original.frame_rate]
    if not rates or speed_fps <= 0:
        return ""
    hours = statistics.fmean(rates) / speed_fps
    minutes = 60 * hours
    time = f"{minutes:.0f} min" if minutes >= 1 else "less than a minute"
    if hours >= 1:
        time = f"{hours:.{1 if hours < 10 else 0}f}".removesuffix(".0") + " h"
    return f"{time} of encoding for an hour of footage"


def encode_only_sentence(encode: BestCells, manifest: Manifest) -> str:
    """The fastest encoding's speed, where nothing was said of scrub latency."""
    name, found = next(iter(encode.items()))
    speed = _speed_text(found, manifest)
    return f"{shown_name(name)} encoded at {speed}. Scrub latency was not measured."


MOST_NAMED: Final = 4
"""Encodings named with their figures; the tables have all of them."""


def throughput_sentences(
    observations: Sequence[Observation], *, confidence_level: float
) -> tuple[str, ...]:
    """Of grid, ingest and delivery, as far as measured, what each one found."""
    grid = [o for o in observations if o.cell.task == "grid"]
    splits = fastest_cells(grid, "grid", confidence_level=confidence_level)
    ingests = best_cells(
        observations, "ingest", "makespan_s", lambda e: e.point, confidence_level=confidence_level
    )
    deliveries = fastest_cells(observations, "delivery", confidence_level=confidence_level)
    texts = []
    if splits:
        groups = group_over_clips(grid)
        texts += [
            _split_words(splits),
            *_gain_words(groups, splits, confidence_level),
            *_doubtful_splits(groups, splits, confidence_level),
        ]
    if ingests:
        texts.append(_ingest_words(ingests, _varied(observations, "ingest")))
    if deliveries:
        texts.append(_delivery_words(deliveries, _varied(observations, "delivery")))
    return tuple(texts)


def _varied(observations: Sequence[Observation], task: str) -> set[str]:
    """The axes of which a task was measured with several values."""
    settings = {o.cell.setting for o in observations if o.cell.task == task}
    return {axis for axis in AXES if len({setting[axis] for setting in settings}) > 1}


_ORDERS: Final = {"fifo": "in the folder's order", "longest-first": "longest clips first"}


def _ingest_words(ingests: BestCells, varied: set[str]) -> str:
    """The time of the whole folder; the order of clips is named where it was varied."""
    parts = []
    for name, (cell, estimate) in _first(ingests):
        order = cell.setting["clip_order"]
        note = f" ({_ORDERS.get(order, plain_name(order))})" if "clip_order" in varied else ""
        parts.append(f"{estimate_text(estimate)} to {shown_name(name)}{note}")
    settings = f"{'order, ' if 'clip_order' in varied else ''}number of jobs and threads"
    return (
        f"All clips as a folder took {joined_text(parts)}{_more(ingests)}, each with its fastest "
        f"{settings}."
    )


def _delivery_words(deliveries: BestCells, varied: set[str]) -> str:
    """The speed of the export; passes and threads are named where they were varied."""
    parts = []
    for name, (cell, estimate) in _first(deliveries):
        passes, threads = cell.setting["passes"], count_text(cell.setting["threads"], "thread")
        notes = {
            "passes": "in one pass" if passes == 1 else "in two passes",
            "threads": f"with {threads}",
        }
        note = " ".join(text for axis, text in notes.items() if axis in varied)
        parts.append(f"{estimate_text(estimate)} from {shown_name(name)}{note and f' ({note})'}")
    return f"The export for delivery ran at {joined_text(parts)}{_more(deliveries)}."


def _first(best: BestCells) -> list[tuple[str, tuple[Cell, Estimate]]]:
    return list(best.items())[:MOST_NAMED]


def _more(best: BestCells) -> str:
    left = len(best) - MOST_NAMED
    return f" ({count_text(left, 'more encoding')} in the table)" if left > 0 else ""


def _split_words(splits: BestCells) -> str:
    """`Encoding ran fastest with 2 jobs of 1 thread: vc3-sq at 80.4 fps [78.9, 82.0].`"""
    by_split: dict[tuple[int, int], list[str]] = {}
    for name, (cell, estimate) in _first(splits):
        speed = f"{shown_name(name)} at {estimate_text(estimate)}"
        by_split.setdefault(cell.setting.split, []).append(speed)
    parts = [
        f"with {count_text(jobs, 'job')} of {count_text(threads, 'thread')}"
        f"{'' if jobs == 1 else ' each'}: {joined_text(speeds)}"
        for (jobs, threads), speeds in by_split.items()
    ]
    return f"Encoding ran fastest {'; '.join(parts)}{_more(splits)}."


Groups = Mapping[Cell, Sequence[Observation]]


def _gain_words(groups: Groups, splits: BestCells, confidence_level: float) -> list[str]:
    """What the best split does against one job of one thread, paired by round."""
    parts = []
    for name, (best, _) in _first(splits):
        singles = [c for c in groups if c.encoding == name and c.setting.split == (1, 1)]
        if not singles or singles[0] == best:
            continue
        if gain := _compare(groups, best, singles[0], confidence_level):
            parts.append(f"{estimate_text(gain)} for {shown_name(name)}")
    return [f"Against one job of one thread that is {joined_text(parts)}."] if parts else []


def _doubtful_splits(groups: Groups, splits: BestCells, confidence_level: float) -> list[str]:
    """Encodings whose best split has no measurable lead over another one."""
    doubtful = []
    for name, (best, _) in splits.items():
        others = [cell for cell in groups if cell.encoding == name and cell != best]
        leads = [_compare(groups, best, other, confidence_level) for other in others]
        if any(lead is not None and (lead.low is None or lead.low <= 1) for lead in leads):
            doubtful.append(name)
    if not doubtful:
        return []
    return [f"Another split may be as fast for {list_text(doubtful)}."]


def _compare(groups: Groups, one: Cell, other: Cell, confidence_level: float) -> Estimate | None:
    return compare_groups(
        groups[one], groups[other], "throughput_fps", confidence_level=confidence_level
    )

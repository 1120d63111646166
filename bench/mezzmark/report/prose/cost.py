"""What the answer says of an encoding's price: its size, and the time that encoding takes."""

import statistics
from collections.abc import Mapping, Sequence
from typing import Final

from mezzmark.decide.estimate.observed_run import Observation
from mezzmark.decide.estimate.pooling import (
    BestCells,
    best_cells,
    compare_groups,
    fastest_cells,
    group_over_clips,
)
from mezzmark.model.cell import Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.ingest import ClipOrder
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_text,
    joined_text,
    list_text,
    number_text,
    shown_name,
    size_text,
)
from mezzmark.statistics.scaling import MINIMUM_ROUNDS, ScalingFit
from mezzmark.statistics.scaling_inference import Peak

MINUTES = 60


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
            f"with {count_text(cell.setting['threads'], 'thread')}"
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
        f"{count_text(cell.setting['threads'], 'thread')}{f': {hour}' if hour else ''}. Time to "
        "picture was not measured."
    )


MOST_NAMED: Final = 4
"""Encodings told with their figures; the tables have all of them."""


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
        texts.append(_split_words(splits))
        groups = group_over_clips(grid)
        texts += _gain_words(groups, splits, confidence_level)
        texts += _doubtful_splits(groups, splits, confidence_level)
    if ingests:
        texts.append(_ingest_words(ingests, _cells_of(observations, "ingest")))
    if deliveries:
        texts.append(_delivery_words(deliveries, _cells_of(observations, "delivery")))
    return tuple(texts)


def _cells_of(observations: Sequence[Observation], task: str) -> set[Cell]:
    return {o.cell for o in observations if o.cell.task == task}


_ORDER_WORDS: Final[dict[ClipOrder | None, str]] = {
    "fifo": " (in the folder's order)",
    "longest-first": " (longest clips first)",
    None: "",
}


def _ingest_words(ingests: BestCells, measured: set[Cell]) -> str:
    """The time of the whole folder; the order of clips is named where it was varied."""
    is_order_varied = len({cell.setting["clip_order"] for cell in measured}) > 1
    parts = [
        f"{estimate_text(estimate)} to {shown_name(name)}"
        f"{_ORDER_WORDS[cell.setting['clip_order']] if is_order_varied else ''}"
        for name, (cell, estimate) in _first(ingests)
    ]
    settings = f"{'order, ' if is_order_varied else ''}number of jobs and threads"
    return (
        f"All clips as a folder took {joined_text(parts)}{_more(ingests)}, each with its fastest "
        f"{settings}."
    )


def _delivery_words(deliveries: BestCells, measured: set[Cell]) -> str:
    """The speed of the export; passes and threads are named where they were varied."""
    is_passes_varied = len({cell.setting["passes"] for cell in measured}) > 1
    is_threads_varied = len({cell.setting["threads"] for cell in measured}) > 1
    parts = []
    for name, (cell, estimate) in _first(deliveries):
        told = [
            *(
                ["in one pass" if cell.setting["passes"] == 1 else "in two passes"]
                if is_passes_varied
                else []
            ),
            *(
                [f"with {count_text(cell.setting['threads'], 'thread')}"]
                if is_threads_varied
                else []
            ),
        ]
        setting = f" ({' '.join(told)})" if told else ""
        parts.append(f"{estimate_text(estimate)} from {shown_name(name)}{setting}")
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
        by_split.setdefault(cell.setting.split, []).append(
            f"{shown_name(name)} at {estimate_text(estimate)}"
        )
    parts = [
        f"with {count_text(jobs, 'job')} of {count_text(threads, 'thread')}"
        f"{'' if jobs == 1 else ' each'}: {joined_text(told)}"
        for (jobs, threads), told in by_split.items()
    ]
    return f"Encoding ran fastest {'; '.join(parts)}{_more(splits)}."


def _gain_words(
    groups: Mapping[Cell, Sequence[Observation]], splits: BestCells, confidence_level: float
) -> list[str]:
    """What the best split does against one job of one thread, paired by round."""
    parts = []
    for name, (best, _) in _first(splits):
        single = next(
            (
                cell
                for cell in groups
                if (cell.encoding, cell.setting["jobs"], cell.setting["threads"]) == (name, 1, 1)
            ),
            None,
        )
        if single is None or single == best:
            continue
        gain = compare_groups(
            groups[best], groups[single], "throughput_fps", confidence_level=confidence_level
        )
        if gain is not None:
            parts.append(f"{estimate_text(gain)} for {shown_name(name)}")
    return [f"Against one job of one thread that is {joined_text(parts)}."] if parts else []


def _doubtful_splits(
    groups: Mapping[Cell, Sequence[Observation]], splits: BestCells, confidence_level: float
) -> list[str]:
    """Encodings whose best split cannot be told from another one."""
    doubtful = []
    for name, (best, _) in splits.items():
        leads = [
            compare_groups(
                groups[best], groups[other], "throughput_fps", confidence_level=confidence_level
            )
            for other in groups
            if other.encoding == name and other != best
        ]
        if any(lead is not None and (lead.low is None or lead.low <= 1) for lead in leads):
            doubtful.append(name)
    if not doubtful:
        return []
    return [f"Whether another split does as much cannot be told for {list_text(doubtful)}."]

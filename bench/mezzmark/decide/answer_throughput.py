"""What the answer says of the whole machine at work: the best split, ingest and delivery."""

from collections.abc import Callable, Sequence
from typing import Final

from mezzmark.decide.estimates import compare_groups, group_by, pool_clips
from mezzmark.decide.observations import Observation
from mezzmark.decide.wording import count_text, estimate_text, list_text, shown_name
from mezzmark.facts.cells import Cell, Task
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.throughput import ClipOrder

MOST_NAMED: Final = 4
"""Encodings told with their figures; the tables have all of them."""

Best = dict[str, tuple[Cell, Estimate]]
"""Each encoding's best cell with its figure, the best encoding first."""


def throughput_sentences(
    observations: Sequence[Observation], *, confidence_level: float
) -> tuple[str, ...]:
    """Of grid, ingest and delivery, as far as measured, what each one found; none begins with a
    capital, so that the first may follow the headline's opening."""
    grid = [o for o in observations if o.cell.task == "grid" and not o.cell.arm]
    splits = _best(grid, "grid", "throughput_fps", lambda e: -e.point, confidence_level)
    ingests = _best(observations, "ingest", "makespan_s", lambda e: e.point, confidence_level)
    deliveries = _best(
        observations, "delivery", "throughput_fps", lambda e: -e.point, confidence_level
    )
    texts = []
    if splits:
        texts.append(_split_words(splits))
        texts += _gain_words(grid, splits, confidence_level)
        texts += _doubtful_splits(grid, splits, confidence_level)
    if ingests:
        texts.append(_ingest_words(ingests, _cells_of(observations, "ingest")))
    if deliveries:
        texts.append(_delivery_words(deliveries, _cells_of(observations, "delivery")))
    return tuple(texts)


def _cells_of(observations: Sequence[Observation], task: Task) -> set[Cell]:
    return {o.cell for o in observations if o.cell.task == task and not o.cell.arm}


_ORDER_WORDS: Final[dict[ClipOrder | None, str]] = {
    "fifo": " (in the folder's order)",
    "longest-first": " (longest clips first)",
    None: "",
}


def _ingest_words(ingests: Best, measured: set[Cell]) -> str:
    """The time of the whole folder; the order of clips is named where it was varied."""
    is_order_varied = len({cell.order for cell in measured}) > 1
    parts = [
        f"{estimate_text(estimate)} to {shown_name(name)}"
        f"{_ORDER_WORDS[cell.order] if is_order_varied else ''}"
        for name, (cell, estimate) in _first(ingests)
    ]
    settings = f"{'order, ' if is_order_varied else ''}number of jobs and threads"
    return (
        f"all clips as a folder took {_listed(parts)}{_more(ingests)}, each with its fastest "
        f"{settings}"
    )


def _delivery_words(deliveries: Best, measured: set[Cell]) -> str:
    """The speed of the export; passes and threads are named where they were varied."""
    is_passes_varied = len({cell.passes for cell in measured}) > 1
    is_threads_varied = len({cell.thread_count for cell in measured}) > 1
    parts = []
    for name, (cell, estimate) in _first(deliveries):
        told = [
            *(["in one pass" if cell.passes == 1 else "in two passes"] if is_passes_varied else []),
            *([f"with {count_text(cell.thread_count, 'thread')}"] if is_threads_varied else []),
        ]
        setting = f" ({' '.join(told)})" if told else ""
        parts.append(f"{estimate_text(estimate)} from {shown_name(name)}{setting}")
    return f"the export for delivery ran at {_listed(parts)}{_more(deliveries)}"


def _best(
    observations: Sequence[Observation],
    task: Task,
    figure: str,
    order: Callable[[Estimate], float],
    confidence_level: float,
) -> Best:
    mine = [o for o in observations if o.cell.task == task and not o.cell.arm]
    best: Best = {}
    for cell, estimates in pool_clips(mine, confidence_level=confidence_level).items():
        estimate = estimates.get(figure)
        if estimate is None:
            continue
        known = best.get(cell.encoding)
        if known is None or order(estimate) < order(known[1]):
            best[cell.encoding] = cell, estimate
    return dict(sorted(best.items(), key=lambda item: (order(item[1][1]), item[0])))


def _first(best: Best) -> list[tuple[str, tuple[Cell, Estimate]]]:
    return list(best.items())[:MOST_NAMED]


def _more(best: Best) -> str:
    left = len(best) - MOST_NAMED
    return f" ({count_text(left, 'more encoding')} in the table)" if left > 0 else ""


def _listed(parts: Sequence[str]) -> str:
    *most, last = parts
    return f"{', '.join(most)} and {last}" if most else last


def _split_words(splits: Best) -> str:
    """`encoding ran fastest with 2 jobs of 1 thread: vc3-sq at 80.4 fps [78.9, 82.0]`."""
    by_split: dict[tuple[int, int], list[str]] = {}
    for name, (cell, estimate) in _first(splits):
        by_split.setdefault((cell.job_count, cell.thread_count), []).append(
            f"{shown_name(name)} at {estimate_text(estimate)}"
        )
    parts = [
        f"with {count_text(jobs, 'job')} of {count_text(threads, 'thread')}"
        f"{'' if jobs == 1 else ' each'}: {_listed(told)}"
        for (jobs, threads), told in by_split.items()
    ]
    return f"encoding ran fastest {'; '.join(parts)}{_more(splits)}"


def _gain_words(grid: Sequence[Observation], splits: Best, confidence_level: float) -> list[str]:
    """What the best split does against one job of one thread, paired by round."""
    groups = group_by(grid, lambda cell: cell.model_copy(update={"clip": ""}))
    parts = []
    for name, (best, _) in _first(splits):
        single = next(
            (
                cell
                for cell in groups
                if (cell.encoding, cell.job_count, cell.thread_count) == (name, 1, 1)
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
    return [f"against one job of one thread that is {_listed(parts)}"] if parts else []


def _doubtful_splits(
    grid: Sequence[Observation], splits: Best, confidence_level: float
) -> list[str]:
    """Encodings whose best split cannot be told from another one."""
    groups = group_by(grid, lambda cell: cell.model_copy(update={"clip": ""}))
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
    return [f"whether another split does as much cannot be told for {list_text(doubtful)}"]

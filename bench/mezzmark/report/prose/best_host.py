"""Hosts at their best settings, and what a unit costs, in sentences; reads verdicts, makes none."""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.compare.host_comparison import BestThroughput, HardwareComparison
from mezzmark.model.estimate import Estimate
from mezzmark.report.prose.numbers import (
    estimate_text,
    joined_text,
    list_text,
    number_text,
    shown_name,
)
from mezzmark.report.prose.terms import TASK_NAMES

MOST_RATIOS_TOLD: Final = 3
"""Pieces of work whose ratios stand in a sentence; of more, the range."""

_VERBS: Final[dict[str, str]] = {
    "encode": "encodes",
    "grid": "encodes",
    "ingest": "ingests",
    "delivery": "exports",
}


def bare_ratio(estimate: Estimate) -> str:
    """`3.1 [2.8, 3.4]`."""
    return estimate_text(estimate, with_unit=False)


def best_phrase(found: HardwareComparison, label: str) -> str:
    """What a host does at its own best setting against the reference at its own, as a clause;
    empty where neither has several settings for it."""
    rows = _rows(found, label)
    counts = {row.cell.setting.split for row in found.best}
    ratios = [row.speedup_ratio for row in rows if row.speedup_ratio is not None]
    if not ratios or len(counts) < 2:
        return ""
    host, reference = shown_name(label), shown_name(found.reference.label)
    when = _when(found, label)
    verbs = {_VERBS[row.cell.task] for row in rows}
    if all(_side(ratio) == 0 for ratio in ratios):
        return (
            f"{host} shows no measurable difference from {reference} {when}: it came out at "
            f"{_range_text(ratios)} times"
        )
    verb = verbs.pop() if len(verbs) == 1 else "does"
    return f"{host} {verb} {_range_text(ratios)} times as much as {reference} {when}"


def best_sentence(found: HardwareComparison, label: str) -> str:
    """`best_phrase` with every ratio and its interval; empty where there is none."""
    phrase = best_phrase(found, label)
    if not phrase:
        return ""
    told = _told([(row, row.speedup_ratio) for row in _rows(found, label)])
    return f"{phrase}{f': {told}' if told else ''}."


def price_sentences(found: HardwareComparison) -> list[str]:
    """Per host which is the better buy for each unit of work, or that it cannot be told."""
    texts = []
    for comparison in found.others:
        label = comparison.other.label
        rows = [row for row in _rows(found, label) if row.against_reference is not None]
        if rows:
            texts.append(_price_sentence(found, label, rows))
    return texts


def _price_sentence(found: HardwareComparison, label: str, rows: Sequence[BestThroughput]) -> str:
    host, reference = shown_name(label), shown_name(found.reference.label)
    work = list_text(list(dict.fromkeys(TASK_NAMES[row.cell.task] for row in rows)))
    costs = [(row, row.against_reference) for row in rows]
    told = _told(costs) or f"{_range_text([cost for _, cost in costs if cost])} (table below)"
    sides = {_side(cost) for _, cost in costs if cost is not None}
    if sides == {-1}:
        start = f"{host} is the better buy for {work}"
    elif sides == {1}:
        start = f"{reference} is the better buy for {work}"
    elif sides == {0}:
        start = f"Which of {host} and {reference} is the better buy for {work} cannot be told"
    else:
        start = f"Which of {host} and {reference} is the better buy for {work} depends on the work"
    return (
        f"{start}: for each hour of footage an hour, {host} costs this many times what {reference} "
        f"costs: {told}."
    )


def unused_price_sentence(found: HardwareComparison) -> str:
    """That prices were given and lead to nothing; empty where they lead somewhere or none was."""
    priced = [run for run in found.runs if run.price is not None]
    if not priced or any(row.against_reference is not None for row in found.best):
        return ""
    if len(priced) < 2 or found.reference.price is None:
        lacking = [run.label for run in found.runs if run.price is None]
        return f"To say which is the better buy, give a price for {list_text(lacking)} too."
    return (
        "The prices have no use here: no encoding, ingest or delivery was measured alike on both "
        "hosts, and a wait has no price."
    )


def _rows(found: HardwareComparison, label: str) -> list[BestThroughput]:
    return [row for row in found.best if row.label == label and row.speedup_ratio is not None]


def _when(found: HardwareComparison, label: str) -> str:
    """`when each uses all its cores` where their best settings do."""
    cores = {run.label: run.core_count for run in found.runs}
    works = {_work(row) for row in _rows(found, label)}
    mine = [
        row
        for row in found.best
        if row.label in (label, found.reference.label) and _work(row) in works
    ]
    if all(
        row.cell.setting["jobs"] * row.cell.setting["threads"] >= cores[row.label] for row in mine
    ):
        return "when each uses all its cores"
    return "when each has its best number of jobs and threads"


def _work(row: BestThroughput) -> tuple[str, str, str]:
    return row.cell.task, row.cell.clip, row.cell.encoding


def _side(estimate: Estimate) -> int:
    """1 where the ratio is surely above 1, -1 surely below, 0 where it cannot be told."""
    if estimate.low is None or estimate.high is None:
        return 0
    return (estimate.low > 1) - (estimate.high < 1)


def _range_text(ratios: Sequence[Estimate]) -> str:
    """`4.1 to 4.3`, with the digits that the intervals leave."""
    widths = [ratio.half_width for ratio in ratios if ratio.half_width is not None]
    half = min(widths, default=None) if widths else None
    points = sorted(ratio.point for ratio in ratios)
    low, high = (number_text(value, half_width=half) for value in (points[0], points[-1]))
    return low if low == high else f"{low} to {high}"


def _told(ratios: Sequence[tuple[BestThroughput, Estimate | None]]) -> str:
    """`4.3 [3.7, 5.0] (vc3-sq) and 4.1 [3.5, 4.7] (rdd36-lt)`; empty for more than a few."""
    known = [(row, ratio) for row, ratio in ratios if ratio is not None]
    if len(known) > MOST_RATIOS_TOLD:
        return ""
    names = [shown_name(row.cell.encoding) for row, _ in known]
    if len(set(names)) < len(names):
        names = [
            f"{name}, {TASK_NAMES[row.cell.task]}, {shown_name(row.cell.clip)}"
            for name, (row, _) in zip(names, known, strict=True)
        ]
    texts = [f"{bare_ratio(ratio)} ({name})" for name, (_, ratio) in zip(names, known, strict=True)]
    return joined_text(texts)

"""Settings of compared cells as short labels, the same in table and figure."""

from collections.abc import Sequence

from mezzmark.decide.wording import count_text, shown_name
from mezzmark.facts.hardware import CellRatio


def setting_label(ratio: CellRatio, *, with_clip: bool) -> str:
    """`jump, 2 and 16 threads`: what tells a cell from others of its encoding."""
    cell, other = ratio.cell, ratio.other_cell
    parts = []
    if with_clip:
        parts.append(shown_name(cell.clip, limit=24))
    if cell.pattern:
        parts.append(cell.pattern)
    if cell.policy and cell.policy != "roll":
        parts.append(cell.policy)
    if cell.passes:
        parts.append("one pass" if cell.passes == 1 else "two passes")
    if cell.order:
        parts.append(cell.order)
    if cell.task in ("grid", "ingest"):
        parts.append(_counts(cell.job_count, other.job_count, "job"))
    parts.append(_counts(cell.thread_count, other.thread_count, "thread"))
    if cell.decoder != "software":
        parts.append(cell.decoder)
    if cell.is_pinned:
        parts.append("pinned")
    return ", ".join(parts)


def _counts(first: int, second: int, noun: str) -> str:
    return count_text(first, noun) if first == second else f"{first} and {second} {noun}s"


def has_many_clips(ratios: Sequence[CellRatio]) -> bool:
    """Whether labels must name the clip."""
    return len({ratio.cell.clip for ratio in ratios}) > 1

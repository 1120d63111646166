"""The table of every cell of a task on its own, clip by clip."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from mezzmark.model.estimate import CellSummary
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.table_notes import cells_note
from mezzmark.report.tables.run import named
from mezzmark.report.tables.table import DASH, Column, Content, Entry, Table, tabulate
from mezzmark.report.view import RunView


@dataclass(frozen=True, slots=True)
class _Look:
    """Which axes and figures are shown, and what the figures are called."""

    axes: tuple[str, ...]
    heads: Mapping[str, str]
    title: str


_LOOKS: Final = {
    "scrub": _Look(
        ("pattern", "policy", "threads"),
        {
            "p50_ms": "median",
            "p95_ms": "p95",
            "locate_p50_ms": "locate",
            "decode_p50_ms": "decode",
            "present_p50_ms": "present",
            "open_ms": "open",
            "read_bytes_per_move": "read per move",
        },
        "Every scrub cell",
    ),
    "encode": _Look(
        ("threads",),
        {
            "throughput_fps": "speed",
            "cores_busy": "cores busy",
            "bitrate_bps": "bit rate",
            "file_bytes": "file",
            "peak_rss_bytes": "peak memory",
        },
        "Every encode cell",
    ),
}


def cells_table(view: RunView, task: str) -> Table:
    """Every cell of a task: its axes and its figures, all of them where the task has no look of its
    own. Rows are found by their cell over all clips; those of self-comparisons are not."""
    spec = TASKS[task]
    figures = {figure.name: figure.name for figure in spec.figures}
    look = _LOOKS.get(task, _Look(spec.axes, figures, spec.label))
    mine = [summary for summary in view.summaries if summary.cell.task == task]
    return tabulate(
        mine,
        [
            Column("encoding", lambda s: named(view, s.cell.encoding), "left"),
            Column("clip", lambda s: s.cell.clip, "left"),
            *map(_axis_column, look.axes),
            *(_figure_column(name, head) for name, head in look.heads.items()),
            Column("trials", lambda s: s.trial_count),
            Column("failed", lambda s: s.failed_trial_count),
        ],
        table_id=f"{view.prefix}{task}-cells",
        title=look.title,
        note=cells_note(task, [s.estimates["p95_ms"] for s in mine if "p95_ms" in s.estimates]),
        key=lambda s: None if s.arm else s.cell.but(clip=""),
    )


def _figure_column(name: str, head: str) -> Column[CellSummary]:
    return Column(head, lambda summary: summary.estimates.get(name))


def _axis_column(axis: str) -> Column[CellSummary]:
    """What a cell has on an axis; the arm of a self-comparison stands beside the policy."""

    def cell(summary: CellSummary) -> Content:
        value = summary.cell.setting[axis]
        if axis == "policy" and summary.arm:
            return f"{value or DASH}, {summary.arm} arm"
        return Entry("yes" if value else "no") if isinstance(value, bool) else value

    return Column(axis.replace("_", " "), cell, "right" if axis == "threads" else "left")

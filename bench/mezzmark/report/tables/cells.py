"""The table of every cell of a task on its own, clip by clip."""

from collections.abc import Mapping
from typing import Final

from mezzmark.model.cell import CONDITIONS
from mezzmark.model.estimate import CellSummary
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.table_notes import cells_note
from mezzmark.report.tables.run import named
from mezzmark.report.tables.table import DASH, Column, Content, Entry, Table, tabulate
from mezzmark.report.view import RunView

_AXES: Final = {"scrub": ("pattern", "policy", "threads"), "encode": ("threads",)}
_HEADS: Final[Mapping[str, Mapping[str, str]]] = {
    "scrub": {
        "p50_ms": "median",
        "p95_ms": "p95",
        "wait_p50_ms": "storage",
        "locate_p50_ms": "locate",
        "decode_p50_ms": "decode",
        "present_p50_ms": "present",
        "open_ms": "open",
        "read_bytes_per_move": "read per move",
    },
    "encode": {
        "throughput_fps": "speed",
        "cores_busy": "cores busy",
        "bitrate_bps": "bit rate",
        "file_bytes": "file",
        "peak_rss_bytes": "peak memory",
    },
    "drag": {
        "pictures_per_s": "pictures seen",
        "age_p95_ms": "age, p95",
        "distance_mean_frames": "distance, mean",
        "freeze_ms": "longest freeze",
        "to_exact_ms": "exact after a stop",
        "wait_p50_ms": "storage",
    },
    "play": {
        "start_ms": "start",
        "on_time_fraction": "on time",
        "dropped_fraction": "dropped",
        "least_fill": "least queue",
        "busy_fraction": "at work",
        "wait_p50_ms": "storage",
        "double_on_time_fraction": "on time at 2×",
        "reverse_on_time_fraction": "on time backwards",
    },
    "storage": {"mb_per_s": "rate", "read_p50_ms": "one read, median"},
    "streams": {"count": "streams", "wait_fraction": "storage", "peak_rss_bytes": "peak memory"},
    "editors": {"count": "editors", "wait_fraction": "storage", "peak_rss_bytes": "peak memory"},
}
"""The axes and figures that are shown of a task, and what the figures are called; of any other task
all, by their names."""


def cells_table(view: RunView, task: str) -> Table:
    """Every cell of a task: its axes and its figures. Rows are found by their cell over all clips;
    those of self-comparisons are not."""
    spec = TASKS[task]
    heads = _HEADS.get(task, {figure.name: figure.name for figure in spec.figures})
    mine = [summary for summary in view.summaries if summary.cell.task == task]
    known = {name for summary in mine for name in summary.estimates}
    heads = {name: head for name, head in heads.items() if head != "storage" or name in known}
    axes = [
        axis
        for axis in _AXES.get(task, spec.axes)
        if axis not in CONDITIONS or any(summary.cell.setting[axis] for summary in mine)
    ]
    return tabulate(
        mine,
        [
            Column("encoding", lambda s: named(view, s.cell.encoding), "left"),
            Column("clip", lambda s: s.cell.clip, "left"),
            *map(_axis_column, axes),
            *(_figure_column(name, head) for name, head in heads.items()),
            Column("trials", lambda s: s.trial_count),
            Column("failed", lambda s: s.failed_trial_count),
        ],
        table_id=f"{view.prefix}{task}-cells",
        title=f"Every {task} cell",
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

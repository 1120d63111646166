"""The tables at the report's end: every cell on its own, clip by clip."""

from collections.abc import Sequence

from mezzmark.model.cell import Setting
from mezzmark.model.estimate import CellSummary
from mezzmark.report.prose.numbers import visible_text
from mezzmark.report.tables.table import DASH, Entry, Table, bare_tails, counted, measured, named
from mezzmark.report.view import RunView

SCRUB_CELLS, ENCODE_CELLS = "scrub-cells", "encode-cells"
"""What the tables' ids end with."""

_SCRUB_FIGURES = ("p50_ms", "p95_ms", "locate_p50_ms", "decode_p50_ms", "present_p50_ms", "open_ms")
_ENCODE_FIGURES = ("throughput_fps", "cores_busy", "bitrate_bps", "file_bytes", "peak_rss_bytes")


def cell_anchors(view: RunView, task: str, setting: Setting, *, table_id: str) -> dict[str, str]:
    """Each encoding's first row, over clips, in the table of all cells of the task."""
    mine = [summary for summary in view.summaries if summary.cell.task == task]
    anchors: dict[str, str] = {}
    for index, summary in enumerate(mine):
        if summary.cell.setting == setting and not summary.arm:
            anchors.setdefault(summary.cell.encoding, f"{table_id}-{index}")
    return anchors


def _anchors(table_id: str, count: int) -> tuple[str, ...]:
    return tuple(f"{table_id}-{index}" for index in range(count))


def scrub_cells_table(view: RunView, *, table_id: str) -> Table:
    """Every scrub cell on its own, clip by clip."""
    mine = [s for s in view.summaries if s.cell.task == "scrub"]
    return Table(
        table_id=table_id,
        title="Every scrub cell",
        note=(
            "All rounds, also one that was stopped. Medians of a span do not add up to the median "
            "of the whole."
            f"{bare_tails([s.estimates['p95_ms'] for s in mine if 'p95_ms' in s.estimates])}"
        ),
        columns=(
            "encoding",
            "clip",
            "pattern",
            "policy",
            "threads",
            "median",
            "p95",
            "locate",
            "decode",
            "present",
            "open",
            "read per move",
            "trials",
            "failed",
        ),
        rows=tuple(
            (
                *_cell_head(view, s),
                Entry(text=s.cell.setting["pattern"] or DASH),
                Entry(
                    text=(s.cell.setting["policy"] or DASH) + (f", {s.arm} arm" if s.arm else "")
                ),
                counted(s.cell.setting["threads"]),
                *(measured(s.estimates.get(figure)) for figure in _SCRUB_FIGURES),
                measured(s.estimates.get("read_bytes_per_move")),
                counted(s.trial_count),
                counted(s.failed_trial_count),
            )
            for s in mine
        ),
        anchors=_anchors(table_id, len(mine)),
        texts=(0, 1, 2, 3),
    )


def encode_cells_table(view: RunView, *, table_id: str) -> Table:
    """Every encode cell on its own, clip by clip."""
    mine = [s for s in view.summaries if s.cell.task == "encode"]
    return Table(
        table_id=table_id,
        title="Every encode cell",
        note="Speed is total frames / total seconds.",
        columns=(
            "encoding",
            "clip",
            "threads",
            "speed",
            "cores busy",
            "bit rate",
            "file",
            "peak memory",
            "trials",
            "failed",
        ),
        rows=tuple(
            (
                *_cell_head(view, s),
                counted(s.cell.setting["threads"]),
                *(measured(s.estimates.get(figure)) for figure in _ENCODE_FIGURES),
                counted(s.trial_count),
                counted(s.failed_trial_count),
            )
            for s in mine
        ),
        anchors=_anchors(table_id, len(mine)),
        texts=(0, 1),
    )


def _cell_head(view: RunView, summary: CellSummary) -> Sequence[Entry]:
    return (
        named(view, summary.cell.encoding),
        Entry(text=visible_text(summary.cell.clip), sort=summary.cell.clip.lower()),
    )

"""The tables at the report's end: every cell on its own, clip by clip."""

from mezzmark.model.cell import Setting
from mezzmark.model.estimate import CellSummary
from mezzmark.report.tables.run import bare_tails, named
from mezzmark.report.tables.table import DASH, Column, Table, tabulate
from mezzmark.report.view import RunView

SCRUB_CELLS, ENCODE_CELLS = "scrub-cells", "encode-cells"
"""What the tables' ids end with."""


def cell_anchors(view: RunView, task: str, setting: Setting, *, table_id: str) -> dict[str, str]:
    """Each encoding's first row, over clips, in the table of all cells of the task."""
    anchors: dict[str, str] = {}
    for index, summary in enumerate(_cells_of(view, task)):
        if summary.cell.setting == setting and not summary.arm:
            anchors.setdefault(summary.cell.encoding, f"{table_id}-{index}")
    return anchors


def _cells_of(view: RunView, task: str) -> list[CellSummary]:
    return [summary for summary in view.summaries if summary.cell.task == task]


def _figure(head: str, figure: str) -> Column[CellSummary]:
    return Column(head, lambda summary: summary.estimates.get(figure))


def _columns(view: RunView, *own: Column[CellSummary]) -> list[Column[CellSummary]]:
    """A task's own columns between those of all tasks."""
    return [
        Column("encoding", lambda s: named(view, s.cell.encoding), "left"),
        Column("clip", lambda s: s.cell.clip, "left"),
        *own,
        Column("trials", lambda s: s.trial_count),
        Column("failed", lambda s: s.failed_trial_count),
    ]


def scrub_cells_table(view: RunView, *, table_id: str) -> Table:
    """Every scrub cell on its own, clip by clip."""
    mine = _cells_of(view, "scrub")
    tails = [s.estimates["p95_ms"] for s in mine if "p95_ms" in s.estimates]
    return tabulate(
        mine,
        _columns(
            view,
            Column("pattern", lambda s: s.cell.setting["pattern"], "left"),
            Column("policy", _policy, "left"),
            Column("threads", lambda s: s.cell.setting["threads"]),
            _figure("median", "p50_ms"),
            _figure("p95", "p95_ms"),
            _figure("locate", "locate_p50_ms"),
            _figure("decode", "decode_p50_ms"),
            _figure("present", "present_p50_ms"),
            _figure("open", "open_ms"),
            _figure("read per move", "read_bytes_per_move"),
        ),
        table_id=table_id,
        title="Every scrub cell",
        note=(
            "All rounds, also one that was stopped. Medians of a span do not add up to the median "
            f"of the whole.{bare_tails(tails)}"
        ),
    )


def _policy(summary: CellSummary) -> str:
    policy: str = summary.cell.setting["policy"] or DASH
    return f"{policy}, {summary.arm} arm" if summary.arm else policy


def encode_cells_table(view: RunView, *, table_id: str) -> Table:
    """Every encode cell on its own, clip by clip."""
    return tabulate(
        _cells_of(view, "encode"),
        _columns(
            view,
            Column("threads", lambda s: s.cell.setting["threads"]),
            _figure("speed", "throughput_fps"),
            _figure("cores busy", "cores_busy"),
            _figure("bit rate", "bitrate_bps"),
            _figure("file", "file_bytes"),
            _figure("peak memory", "peak_rss_bytes"),
        ),
        table_id=table_id,
        title="Every encode cell",
        note="Speed is total frames / total seconds.",
    )

"""An ingest as a picture: which worker had which clip, and when."""

from matplotlib.figure import Figure

from mezzmark.decide.wording import count_text, shown_name
from mezzmark.facts.cells import Cell
from mezzmark.facts.throughput import IngestMeasurement
from mezzmark.report.look import Margins, Shape, colour, new_axes

NS_PER_S = 1e9

_LABEL_FRACTION = 0.08
"""A bar shorter than this share of the whole has no room for a name."""


def draw_gantt(cell: Cell, measured: IngestMeasurement, shape: Shape) -> Figure:
    """One row per worker, one bar per clip: encoding full, proving the file lighter."""
    end_s = max(measured.end_ns) / NS_PER_S
    figure, axes = new_axes(
        shape,
        title=f"A folder to {shown_name(cell.encoding)}",
        subtitle=(
            f"One row per worker ({count_text(cell.thread_count, 'thread')} each), "
            f"{cell.order or 'fifo'}; the last round. Full: decoding, converting and encoding. "
            "Light: reading the finished file back."
        ),
        body_in=max(0.6, 0.34 * measured.worker_count),
        margins=Margins(left=0.9, right=0.2, top=0.1, bottom=0.5),
    )
    for index, clip in enumerate(measured.clips):
        start_s, encoded_s, done_s = (
            getattr(measured, name)[index] / NS_PER_S
            for name in ("start_ns", "encoded_ns", "end_ns")
        )
        row = measured.worker_index[index]
        shade = colour("lead")
        axes.barh(row, encoded_s - start_s, left=start_s, height=0.7, color=shade, alpha=0.55)
        axes.barh(row, done_s - encoded_s, left=encoded_s, height=0.7, color=shade, alpha=0.22)
        axes.plot([start_s, start_s], [row - 0.35, row + 0.35], color=colour("paper"), linewidth=1)
        if done_s - start_s > _LABEL_FRACTION * end_s:
            room = int((done_s - start_s) / end_s * (90 if shape == "wide" else 36))
            axes.text(
                start_s + 0.006 * end_s,
                row,
                shown_name(clip)[: max(1, room)],
                va="center",
                color=colour("ink"),
                fontsize=7.5,
                clip_on=True,
            )
    axes.set_xlim(0, end_s * 1.01)
    axes.set_ylim(measured.worker_count - 0.5, -0.5)
    axes.set_yticks(
        range(measured.worker_count),
        [f"worker {number + 1}" for number in range(measured.worker_count)],
    )
    axes.set_xlabel("seconds", color=colour("ink"))
    axes.grid(True, axis="x", color=colour("grid"), linewidth=0.7)
    axes.set_axisbelow(True)
    return figure

"""An ingest as a picture: which worker had which clip, and when."""

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from mezzmark.decide.throughput.prediction import IngestPrediction
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.tasks.ingest import IngestMeasurement
from mezzmark.report.figures.marks import add_area_mark, mark_url
from mezzmark.report.figures.theme import (
    CHARACTER_IN,
    FONT_PT,
    WIDTH_IN,
    Margins,
    Shape,
    colour,
    new_axes,
)
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_text,
    number_text,
    shown_name,
    withheld_text,
)
from mezzmark.report.tables.throughput import split_words

BAR_HEIGHT = 0.7
"""Of a worker's row."""

NAME_PT = 7.5
"""Size of the clips' names."""

_LEAST_NAME = 4
"""A bar without room for so many characters carries no name; its mark has it."""

_MARGINS = Margins(left=0.9, right=0.2, top=0.1, bottom=0.5)


def draw_gantt(
    found: IngestPrediction, measured: IngestMeasurement, shape: Shape, *, anchor: str
) -> Figure:
    """One row per worker, one bar per clip: encoding full, proving the file lighter.

    `measured` is the last round of the ingest `found`; bars link to `anchor`, its row in the
    ingest table.
    """
    cell = found.cell
    figure, axes = new_axes(
        shape,
        title=f"A folder to {shown_name(cell.encoding)}",
        subtitle=(
            f"One row per worker ({count_text(cell.setting['threads'], 'thread')} each), "
            f"{cell.setting['clip_order'] or 'fifo'}; the last round. Full: decoding, converting "
            "and encoding. Light: reading the finished file back."
        ),
        body_in=max(0.6, 0.34 * measured.worker_count),
        margins=_MARGINS,
    )
    for index in range(len(measured.clips)):
        _draw_clip(axes, measured, index, shape)
        start_s, _, done_s = _clip_times_s(measured, index)
        corner = (start_s, measured.worker_index[index] - BAR_HEIGHT / 2)
        words = _clip_words(found, measured, index)
        add_area_mark(axes, corner, done_s - start_s, BAR_HEIGHT, mark_url(anchor, words))
    _set_axes(axes, measured)
    return figure


def _clip_times_s(measured: IngestMeasurement, index: int) -> tuple[float, float, float]:
    """When a clip was begun, encoded and read back, in seconds since the ingest began."""
    times_ns = (measured.start_ns[index], measured.encoded_ns[index], measured.end_ns[index])
    start_s, encoded_s, done_s = (time_ns / NS_PER_S for time_ns in times_ns)
    return start_s, encoded_s, done_s


def _whole_s(measured: IngestMeasurement) -> float:
    return max(measured.end_ns) / NS_PER_S


def _clip_words(found: IngestPrediction, measured: IngestMeasurement, index: int) -> str:
    """When one clip was worked on in this round, by whom, and how long the folder takes."""
    cell, whole = found.cell, found.measured
    start_s, encoded_s, done_s = _clip_times_s(measured, index)
    interval = withheld_text(whole.withheld) or f"{whole.confidence_level * 100:g} % interval"
    return (
        f"{shown_name(cell.encoding)}, {shown_name(measured.clips[index])}: "
        f"{number_text(encoded_s - start_s)} s to encode it, "
        f"{number_text(done_s - encoded_s)} s to read it back; "
        f"from {start_s:.2f} s to {done_s:.2f} s of the last round, one round has no interval; "
        f"worker {measured.worker_index[index] + 1} of {measured.worker_count}, "
        f"{split_words(cell.setting.split)}, "
        f"{cell.setting['clip_order'] or 'fifo'}; the whole folder: {estimate_text(whole)}, "
        f"{interval}, {count_text(whole.round_count, 'round')}"
    )


def _draw_clip(axes: Axes, measured: IngestMeasurement, index: int, shape: Shape) -> None:
    """One clip's bar in its worker's row, with its name where there is room."""
    start_s, encoded_s, done_s = _clip_times_s(measured, index)
    row, end_s, shade = measured.worker_index[index], _whole_s(measured), colour("lead")
    spans = ((start_s, encoded_s, 0.55), (encoded_s, done_s, 0.22))
    for begin_s, stop_s, alpha in spans:
        axes.barh(row, stop_s - begin_s, left=begin_s, height=BAR_HEIGHT, color=shade, alpha=alpha)
    edge = [row - BAR_HEIGHT / 2, row + BAR_HEIGHT / 2]
    axes.plot([start_s, start_s], edge, color=colour("paper"), linewidth=1)
    room = _character_room((done_s - start_s) / end_s, shape)
    if room >= _LEAST_NAME:
        axes.text(
            start_s + 0.006 * end_s,
            row,
            shown_name(measured.clips[index], limit=room),
            va="center",
            color=colour("ink"),
            fontsize=NAME_PT,
            clip_on=True,
        )


def _character_room(share: float, shape: Shape) -> int:
    """Characters of a name that a bar of this share of the whole has room for."""
    width_in = WIDTH_IN[shape] - _MARGINS.left - _MARGINS.right
    return int(share * width_in / (CHARACTER_IN * NAME_PT / FONT_PT) - 1)


def _set_axes(axes: Axes, measured: IngestMeasurement) -> None:
    axes.set_xlim(0, _whole_s(measured) * 1.01)
    axes.set_ylim(measured.worker_count - 0.5, -0.5)
    axes.set_yticks(
        range(measured.worker_count),
        [f"worker {number + 1}" for number in range(measured.worker_count)],
    )
    axes.set_xlabel("seconds", color=colour("ink"))
    axes.grid(True, axis="x", color=colour("grid"), linewidth=0.7)
    axes.set_axisbelow(True)

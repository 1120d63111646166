"""What encoding costs: frames per second for every thread count."""

from collections.abc import Mapping, Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from mezzmark.model.estimate import Estimate
from mezzmark.report.figures.marks import mark_url, mark_words
from mezzmark.report.figures.rows import (
    ReferenceLine,
    Row,
    draw_lines,
    legend_below,
    row_axes,
    stripe,
)
from mezzmark.report.figures.theme import Shape, colour, padded, set_log_axis
from mezzmark.report.prose.numbers import count_text, estimate_text
from mezzmark.report.prose.terms import bar_words, clip_rates, rate_text
from mezzmark.report.view import Role, RunView, encode_speeds

THREAD_MARKS = ("o", "s", "D", "^", "v", "P", "X", "h")
"""One mark per thread count, fewest first; repeated after the eighth."""


def draw_encode(
    view: RunView,
    shape: Shape,
    *,
    anchors: Mapping[str, str],
    cells: Mapping[tuple[str, int], str],
) -> Figure:
    """One row per encoding, its best speed on top; one mark per thread count, joined by a line.

    Names link to `anchors`; marks to `cells`, by encoding and thread count.
    """
    speeds = encode_speeds(view)
    names = sorted(speeds, key=lambda name: (-_best(speeds[name])[1].point, name))
    threads = sorted({count for by_threads in speeds.values() for count in by_threads})
    rows = [
        Row(
            encoding=name,
            text=_row_text(*_best(speeds[name]), shape, len(threads)),
            role=view.role(name),
            anchor=anchors[name],
        )
        for name in names
    ]
    lines = _lines(view)
    everything = [e for by_threads in speeds.values() for e in by_threads.values()]
    figure, axes = row_axes(
        shape,
        title="Encode speed",
        subtitle=_subtitle(view, everything),
        rows=rows,
        lines=lines,
    )
    ends = [v for e in everything for v in (e.point, e.low, e.high) if v]
    low, high = padded([*ends, *(line.value for line in lines)], factor=1.2)
    set_log_axis(
        axes,
        "x",
        low=low,
        high=high,
        label="frames per second (log scale)",
        most=12 if shape == "wide" else 6,
    )
    stripe(axes, len(rows))
    for index, name in enumerate(names):
        _draw_row(axes, index, name, speeds[name], threads, view.role(name), cells)
    draw_lines(axes, lines, shape)
    _legend(axes, threads, shape)
    return figure


def _lines(view: RunView) -> list[ReferenceLine]:
    return [
        ReferenceLine(
            value=rate,
            label=f"as fast as it plays: {rate_text(rate)}",
            short=f"plays at {rate_text(rate)}",
        )
        for rate in clip_rates(view.manifest)[:2]
    ]


def _subtitle(view: RunView, everything: Sequence[Estimate]) -> str:
    rounds = max(estimate.round_count for estimate in everything)
    encodes = max(estimate.sample_count for estimate in everything)
    clips = len({o.cell.clip for o in view.observations if o.cell.task == "encode"})
    return (
        f"Total frames / total seconds, frames taken from memory. "
        f"{count_text(rounds, 'round')}, {count_text(clips, 'clip')}, up to "
        f"{count_text(encodes, 'encoded clip')} a mark. {bar_words(everything)}"
    )


def _best(by_threads: dict[int, Estimate]) -> tuple[int, Estimate]:
    return max(by_threads.items(), key=lambda item: (item[1].point, -item[0]))


def _row_text(threads: int, estimate: Estimate, shape: Shape, choices: int) -> str:
    if choices == 1:
        return estimate_text(estimate)
    short = count_text(threads, "thread") if shape == "wide" else f"{threads}t"
    return f"{estimate_text(estimate)}, {short}"


def _draw_row(
    axes: Axes,
    y: float,
    name: str,
    by_threads: dict[int, Estimate],
    threads: list[int],
    role: Role,
    cells: Mapping[tuple[str, int], str],
) -> None:
    shade = colour(role)
    points = [by_threads[count].point for count in sorted(by_threads)]
    axes.plot(points, [y] * len(points), color=shade, linewidth=1, alpha=0.5, zorder=2)
    for count, estimate in sorted(by_threads.items()):
        order = threads.index(count)
        if estimate.low is not None and estimate.high is not None:
            axes.plot([estimate.low, estimate.high], [y, y], color=shade, linewidth=3.2, zorder=3)
        axes.plot(
            [estimate.point],
            [y],
            marker=THREAD_MARKS[order % len(THREAD_MARKS)],
            markersize=6,
            markerfacecolor=shade if order == len(threads) - 1 else colour("paper"),
            markeredgecolor=shade,
            markeredgewidth=1.4,
            linestyle="none",
            zorder=4,
            url=mark_url(
                cells[name, count],
                mark_words(
                    name,
                    f"encode speed, {count_text(count, 'thread')}",
                    estimate,
                    samples="encoded clip",
                ),
            ),
        )


def _legend(axes: Axes, threads: list[int], shape: Shape) -> None:
    shade = colour("muted")
    handles = [
        Line2D(
            [],
            [],
            marker=THREAD_MARKS[order % len(THREAD_MARKS)],
            color=shade,
            markerfacecolor=shade if order == len(threads) - 1 else colour("paper"),
            linestyle="none",
            label=count_text(count, "thread"),
        )
        for order, count in enumerate(threads)
    ]
    legend_below(axes, handles, shape=shape, columns=8 if shape == "wide" else 4)

"""The encode grid as a picture: how well each split of jobs × threads fills the machine."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from mezzmark.decide.throughput.grid import GridFindings, SplitFigures
from mezzmark.model.estimate import Estimate
from mezzmark.report.figures.marks import add_area_mark, mark_url, mark_words
from mezzmark.report.figures.theme import Margins, Shape, colour, new_axes
from mezzmark.report.prose.numbers import count_text, estimate_text, shown_name
from mezzmark.report.tables.throughput import split_words

_STRONGEST = 0.5
"""Opacity of a cell at full efficiency; above this dark text on it would be hard to read."""


_CELL_WIDTH, _CELL_HEIGHT = 0.94, 0.92
"""In steps from one cell to the next."""


def draw_grid(findings: GridFindings, shape: Shape, *, levels: str, anchor: str) -> Figure:
    """A cell per split: efficiency as shade and number, throughput below it; the best is framed.

    Cells link to `anchor`, the encoding's row in the grid table.
    """
    jobs = sorted({split.job_count for split in findings.splits})
    threads = sorted({split.thread_count for split in findings.splits})
    figure, axes = new_axes(
        shape,
        title=f"Jobs × threads: {shown_name(findings.encoding)}",
        subtitle=(
            "Throughput per thread against one job of one thread (100 %: every thread adds as "
            f"much as the first), and frames per second of all jobs. {levels}. Framed: the best."
            f"{'' if len(findings.splits) == len(jobs) * len(threads) else ' Blank: not measured.'}"
        ),
        body_in=0.62 * len(jobs),
        margins=Margins(left=0.9, right=0.2, top=0.1, bottom=0.5),
    )
    for split in findings.splits:
        x, y = threads.index(split.thread_count), jobs.index(split.job_count)
        is_best = (split.job_count, split.thread_count) == findings.best
        _draw_cell(axes, x, y, split, is_best=is_best)
        words = _cell_words(findings.encoding, split, is_best=is_best)
        add_area_mark(axes, _corner(x, y), _CELL_WIDTH, _CELL_HEIGHT, mark_url(anchor, words))
    axes.set_xlim(-0.5, len(threads) - 0.5)
    axes.set_ylim(-0.5, len(jobs) - 0.5)
    axes.set_xticks(range(len(threads)), [count_text(count, "thread") for count in threads])
    axes.set_yticks(range(len(jobs)), [count_text(count, "job") for count in jobs])
    axes.tick_params(length=0)
    axes.spines["bottom"].set_visible(False)
    return figure


def _corner(x: int, y: int) -> tuple[float, float]:
    """The lower left corner of the cell whose middle is (x, y)."""
    return x - _CELL_WIDTH / 2, y - _CELL_HEIGHT / 2


def _cell_words(encoding: str, split: SplitFigures, *, is_best: bool) -> str:
    """Speed of the split over all clips, what each of its threads is worth, and if it is the
    best."""
    name = split_words((split.job_count, split.thread_count))
    words = mark_words(encoding, f"encode speed of {name}", split.figures["throughput_fps"])
    if (split.job_count, split.thread_count) == (1, 1):
        words += "; this speed counts as 100 %"
    elif split.efficiency is not None:
        words += f"; per thread {_percent_text(split.efficiency)} of 1 job × 1 thread"
    return f"{words}; the best split" if is_best else words


def _percent_text(share: Estimate) -> str:
    """`87 % [83, 91]`."""
    ends = {
        end: None if value is None else value * 100
        for end, value in (("point", share.point), ("low", share.low), ("high", share.high))
    }
    return estimate_text(share.model_copy(update={**ends, "unit": "%"}))


def _draw_cell(axes: Axes, x: int, y: int, split: SplitFigures, *, is_best: bool) -> None:
    efficiency = split.efficiency.point if split.efficiency else None
    shade = 0.0 if efficiency is None else float(np.clip(efficiency, 0, 1)) * _STRONGEST
    axes.add_patch(
        Rectangle(_corner(x, y), _CELL_WIDTH, _CELL_HEIGHT, facecolor=colour("lead"), alpha=shade)
    )
    axes.add_patch(
        Rectangle(
            _corner(x, y),
            _CELL_WIDTH,
            _CELL_HEIGHT,
            fill=False,
            edgecolor=colour("ink") if is_best else colour("grid"),
            linewidth=2.0 if is_best else 0.8,
        )
    )
    share = "–" if efficiency is None else f"{efficiency * 100:.0f} %"
    axes.text(x, y + 0.17, share, ha="center", va="center", weight="bold", color=colour("ink"))
    axes.text(
        x,
        y - 0.2,
        estimate_text(split.figures["throughput_fps"]),
        ha="center",
        va="center",
        fontsize=7.5,
        color=colour("ink"),
    )

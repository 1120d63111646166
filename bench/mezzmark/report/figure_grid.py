"""The encode grid as pictures: how well threads and jobs fill the machine, and how it scales."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator

from mezzmark.decide.wording import count_text, estimate_text, shown_name
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.grid import GridFindings, SplitFigures
from mezzmark.report.look import Margins, Shape, colour, new_axes
from mezzmark.statistics.scaling import ScalingFit
from mezzmark.statistics.scaling_inference import LOUD_RANGE_RATIO, predict_throughput

_STRONGEST = 0.5
"""Opacity of a cell at full efficiency; above this dark text on it would be hard to read."""


def draw_grid(findings: GridFindings, shape: Shape, *, levels: str) -> Figure:
    """A cell per split: efficiency as shade and number, throughput below it; the best is framed."""
    jobs = sorted({split.job_count for split in findings.splits})
    threads = sorted({split.thread_count for split in findings.splits})
    figure, axes = new_axes(
        shape,
        title=f"Jobs × threads: {shown_name(findings.encoding)}",
        subtitle=(
            "Throughput per thread against one job of one thread (100 %: every thread adds as "
            f"much as the first), and frames per second of all jobs. {levels}. Framed: the best."
        ),
        body_in=0.62 * len(jobs),
        margins=Margins(left=0.9, right=0.2, top=0.1, bottom=0.5),
    )
    for split in findings.splits:
        x, y = threads.index(split.thread_count), jobs.index(split.job_count)
        _draw_cell(
            axes, x, y, split, is_best=(split.job_count, split.thread_count) == findings.best
        )
    axes.set_xlim(-0.5, len(threads) - 0.5)
    axes.set_ylim(-0.5, len(jobs) - 0.5)
    axes.set_xticks(range(len(threads)), [count_text(count, "thread") for count in threads])
    axes.set_yticks(range(len(jobs)), [count_text(count, "job") for count in jobs])
    axes.tick_params(length=0)
    axes.spines["bottom"].set_visible(False)
    return figure


def _draw_cell(axes: Axes, x: int, y: int, split: SplitFigures, *, is_best: bool) -> None:
    efficiency = split.efficiency.point if split.efficiency else None
    shade = 0.0 if efficiency is None else float(np.clip(efficiency, 0, 1)) * _STRONGEST
    axes.add_patch(
        Rectangle((x - 0.47, y - 0.46), 0.94, 0.92, facecolor=colour("lead"), alpha=shade)
    )
    axes.add_patch(
        Rectangle(
            (x - 0.47, y - 0.46),
            0.94,
            0.92,
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


def best_by_core_count(findings: GridFindings) -> dict[int, Estimate]:
    """Throughput of the best split of each number of threads in all."""
    best: dict[int, Estimate] = {}
    for split in findings.splits:
        count, estimate = split.job_count * split.thread_count, split.figures["throughput_fps"]
        if count not in best or estimate.point > best[count].point:
            best[count] = estimate
    return dict(sorted(best.items()))


def draw_scaling(
    findings: GridFindings,
    fit: ScalingFit,
    shape: Shape,
    *,
    confidence_level: float,
    levels: str,
    fps_per_unit: float,
) -> Figure:
    """Measured throughput by cores, the fitted law with its band, and perfect scaling.

    `fps_per_unit` turns the fit's unit (pixels a second) into frames per second. The band ends
    where a prediction would carry a warning.
    """
    measured = best_by_core_count(findings)
    last = max(measured)
    reach = max(int(LOUD_RANGE_RATIO * last), last + 1)
    figure, axes = new_axes(
        shape,
        title=f"Throughput by cores: {shown_name(findings.encoding)}",
        subtitle=(
            f"Dots: the best split of each count, {levels}. Line and band: the fitted scaling law "
            "with its interval, to twice the measured range. Dashed: every core as good as the "
            "first."
        ),
        body_in=2.6,
        margins=Margins(left=0.75, right=0.2, top=0.1, bottom=0.55),
    )
    counts = list(range(1, reach + 1))
    predictions = [predict_throughput(fit, n, confidence_level=confidence_level) for n in counts]
    points = [prediction.point * fps_per_unit for prediction in predictions]
    axes.plot(counts, points, color=colour("lead"), linewidth=1.6, zorder=3)
    axes.plot(
        counts,
        [count * points[0] for count in counts],
        color=colour("muted"),
        linestyle=(0, (4, 3)),
        linewidth=1,
        zorder=2,
    )
    intervals = [p.interval for p in predictions if p.interval is not None]
    if len(intervals) == len(counts):
        axes.fill_between(
            counts,
            [interval.low * fps_per_unit for interval in intervals],
            [interval.high * fps_per_unit for interval in intervals],
            color=colour("lead"),
            alpha=0.18,
            linewidth=0,
            zorder=1,
        )
    for count, estimate in measured.items():
        if estimate.low is not None and estimate.high is not None:
            axes.plot(
                [count, count], [estimate.low, estimate.high], color=colour("ink"), linewidth=2.6
            )
        axes.plot(
            [count], [estimate.point], marker="o", color=colour("ink"), markersize=5, zorder=4
        )
    axes.set_xlim(0.5, reach + 0.5)
    axes.set_ylim(0, max(points[0] * last, *(e.point for e in measured.values())) * 1.25)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set_xlabel("threads of all jobs together", color=colour("ink"))
    axes.set_ylabel("frames per second", color=colour("ink"))
    axes.grid(True, axis="y", color=colour("grid"), linewidth=0.7)
    axes.set_axisbelow(True)
    return figure

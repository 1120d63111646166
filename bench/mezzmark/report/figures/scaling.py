"""How an encoding's throughput grows with the cores: what was measured, and the fitted law."""

from collections.abc import Mapping
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from mezzmark.decide.throughput.grid import GridFindings, SplitFigures
from mezzmark.report.figures.marks import mark_url, mark_words
from mezzmark.report.figures.theme import Margins, Shape, colour, new_axes
from mezzmark.report.prose.numbers import count_text, shown_name
from mezzmark.report.tables.throughput import split_words
from mezzmark.statistics.scaling import ScalingFit
from mezzmark.statistics.scaling_inference import LOUD_RANGE_RATIO, predict_throughput

_ROOM_ABOVE = 1.05
"""Height of the picture over the highest thing that it has to hold."""

_BAND_ROOM = 1.5
"""The picture makes room for the band up to so many times the highest of all else. A band almost
without end would press what was measured to the ground."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LawCurve:
    """The fitted law in frames per second, one value per core count from 1 on. `low_fps` and
    `high_fps` are empty where the fit has no interval."""

    points_fps: tuple[float, ...]
    low_fps: tuple[float, ...]
    high_fps: tuple[float, ...]

    @property
    def core_counts(self) -> range:
        """1, 2, 3 … as far as the law is drawn."""
        return range(1, len(self.points_fps) + 1)

    @property
    def perfect_fps(self) -> tuple[float, ...]:
        """What it would be if every core were as good as the first."""
        return tuple(count * self.points_fps[0] for count in self.core_counts)


def draw_scaling(
    findings: GridFindings,
    fit: ScalingFit,
    shape: Shape,
    *,
    confidence_level: float,
    levels: str,
    fps_per_unit: float,
    anchor: str,
) -> Figure:
    """Measured throughput by cores, the fitted law with its band, and perfect scaling.

    `fps_per_unit` turns the fit's unit (pixels a second) into frames per second. The band ends
    where a prediction would carry a warning. Dots link to `anchor`, the row of the fit.
    """
    measured = best_split_by_core_count(findings)
    curve = _law_curve(fit, max(measured), confidence_level, fps_per_unit)
    figure, axes = new_axes(
        shape,
        title=f"Throughput by cores: {shown_name(findings.encoding)}",
        subtitle=(
            f"Dots: the best split of each count, {levels}. {_law_words(curve)}, to twice the "
            "measured range. Dashed: every core as good as the first."
        ),
        body_in=2.6,
        margins=Margins(left=0.75, right=0.2, top=0.1, bottom=0.55),
    )
    _draw_law(axes, curve)
    for count, split in measured.items():
        _draw_measured(axes, findings.encoding, count, split, anchor)
    _set_axes(axes, curve, measured)
    return figure


def best_split_by_core_count(findings: GridFindings) -> dict[int, SplitFigures]:
    """The split with the most throughput of each number of threads in all, fewest first."""
    best: dict[int, SplitFigures] = {}
    for split in findings.splits:
        count = split.job_count * split.thread_count
        if count not in best or _speed_fps(split) > _speed_fps(best[count]):
            best[count] = split
    return dict(sorted(best.items()))


def _speed_fps(split: SplitFigures) -> float:
    return split.figures["throughput_fps"].point


def _law_curve(
    fit: ScalingFit, last_measured: int, confidence_level: float, fps_per_unit: float
) -> LawCurve:
    """The law up to where a prediction would carry a warning, and at least one core further."""
    reach = max(int(LOUD_RANGE_RATIO * last_measured), last_measured + 1)
    predictions = [
        predict_throughput(fit, count, confidence_level=confidence_level)
        for count in range(1, reach + 1)
    ]
    intervals = [p.interval for p in predictions if p.interval is not None]
    has_band = len(intervals) == len(predictions)
    return LawCurve(
        points_fps=tuple(prediction.point * fps_per_unit for prediction in predictions),
        low_fps=tuple(i.low * fps_per_unit for i in intervals if has_band),
        high_fps=tuple(i.high * fps_per_unit for i in intervals if has_band),
    )


def _law_words(curve: LawCurve) -> str:
    if curve.low_fps:
        return "Line and band: the fitted scaling law with its interval"
    return "Line: the fitted scaling law, which too few rounds give no interval"


def _draw_law(axes: Axes, curve: LawCurve) -> None:
    """The fitted line, its band where it has one, and the dashed line of perfect scaling."""
    counts = list(curve.core_counts)
    axes.plot(counts, curve.points_fps, color=colour("lead"), linewidth=1.6, zorder=3)
    axes.plot(
        counts,
        curve.perfect_fps,
        color=colour("muted"),
        linestyle=(0, (4, 3)),
        linewidth=1,
        zorder=2,
    )
    if curve.low_fps:
        axes.fill_between(
            counts,
            curve.low_fps,
            curve.high_fps,
            color=colour("lead"),
            alpha=0.18,
            linewidth=0,
            zorder=1,
        )


def _draw_measured(
    axes: Axes, encoding: str, core_count: int, split: SplitFigures, anchor: str
) -> None:
    """The best split of one core count as a dot with its interval."""
    estimate = split.figures["throughput_fps"]
    name = split_words((split.job_count, split.thread_count))
    words = mark_words(
        encoding, f"encode speed on {count_text(core_count, 'thread')} in all", estimate
    )
    if estimate.low is not None and estimate.high is not None:
        ends = [estimate.low, estimate.high]
        axes.plot([core_count, core_count], ends, color=colour("ink"), linewidth=2.6)
    axes.plot(
        [core_count],
        [estimate.point],
        marker="o",
        linestyle="none",
        color=colour("ink"),
        markersize=5,
        zorder=4,
        url=mark_url(anchor, f"{words}; split: {name}"),
    )


def _set_axes(axes: Axes, curve: LawCurve, measured: Mapping[int, SplitFigures]) -> None:
    """Axes that hold the fitted line and every bar to their ends. The dashed line is held as far
    as it was measured, the band as far as it is of use."""
    estimates = [split.figures["throughput_fps"] for split in measured.values()]
    highest = max(
        *curve.points_fps,
        curve.perfect_fps[max(measured) - 1],
        *(estimate.high or estimate.point for estimate in estimates),
    )
    top = max(highest, min(max(curve.high_fps, default=0.0), _BAND_ROOM * highest))
    axes.set_xlim(0.5, len(curve.points_fps) + 0.5)
    axes.set_ylim(0, top * _ROOM_ABOVE)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set_xlabel("threads of all jobs together", color=colour("ink"))
    axes.set_ylabel("frames per second", color=colour("ink"))
    axes.grid(True, axis="y", color=colour("grid"), linewidth=0.7)
    axes.set_axisbelow(True)

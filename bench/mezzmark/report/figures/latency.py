"""Time to picture: per encoding the distribution, every trial, median and p95 with intervals."""

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from mezzmark.decide.estimate.ranking import Ranked, Ranking
from mezzmark.report.figures.marks import mark_url, mark_words
from mezzmark.report.figures.rows import (
    ReferenceLine,
    Row,
    draw_lines,
    legend_below,
    row_axes,
    stripe,
)
from mezzmark.report.figures.theme import MARKS, Shape, colour, padded, role_handles, set_log_axis
from mezzmark.report.prose.latency import INSTANT_MS
from mezzmark.report.prose.numbers import estimate_text
from mezzmark.report.prose.terms import bar_words, frame_budgets, setting_words, trial_words
from mezzmark.report.view import Role, RunView, pooled_latencies_ms, scrub_trials, trial_medians_ms

DENSITY_BINS = 128
"""Steps of the density on the log axis; finer than a screen can show at this width."""

DENSITY_HEIGHT = 0.34
"""Height of the tallest density, in rows."""

LEGEND_COLUMNS: dict[Shape, int] = {"wide": 3, "narrow": 2}
LEGEND_LINES: dict[Shape, int] = {"wide": 2, "narrow": 3}


def draw_latency(
    view: RunView, ranking: Ranking, shape: Shape, *, anchor: str, cells: Mapping[str, str]
) -> Figure:
    """The figure of one scrub setting, fastest encoding on top.

    Names link to the rows of the ranking table, whose anchors begin with `anchor`; marks to
    `cells`, the anchor of each encoding in the table of all cells.
    """
    entries = ranking.entries
    samples = {
        name: pooled_latencies_ms(trials)
        for name, trials in scrub_trials(view, ranking.setting).items()
    }
    roles = {entry.encoding: view.role(entry.encoding, ranking) for entry in entries}
    lines = _lines(view)
    figure, axes = row_axes(
        shape,
        title=f"Time to picture {setting_words(ranking.setting, with_threads=False)}",
        subtitle=_subtitle(view, ranking, sum(len(values) for values in samples.values())),
        rows=_rows(view, ranking, anchor),
        lines=lines,
        legend_lines=LEGEND_LINES[shape],
    )
    everything = [float(v) for entry in entries for v in _extent(samples[entry.encoding])]
    low, high = padded([*everything, *_interval_ends(entries)])
    set_log_axis(
        axes,
        "x",
        low=low,
        high=high,
        label="time to picture, ms (log scale)",
        most=12 if shape == "wide" else 6,
    )
    stripe(axes, len(entries))
    _draw_rows(axes, entries, samples, trial_medians_ms(view, ranking.setting), roles)
    for index, entry in enumerate(entries):
        for kind in ("p95", "p50"):
            _draw_estimate(axes, entry, index, kind, roles[entry.encoding], cells)
    draw_lines(axes, lines, shape)
    _legend(axes, shape, role_handles(set(roles.values()), view))
    return figure


def _rows(view: RunView, ranking: Ranking, anchor: str) -> list[Row]:
    return [
        Row(
            encoding=entry.encoding,
            text=estimate_text(entry.estimates["p50_ms"]),
            role=view.role(entry.encoding, ranking),
            anchor=f"{anchor}-{index}",
            warning=f"✕ {entry.wrong_count:,} wrong" if entry.wrong_count else "",
        )
        for index, entry in enumerate(ranking.entries)
    ]


def _lines(view: RunView) -> list[ReferenceLine]:
    instant = ReferenceLine(
        value=INSTANT_MS, label="0.1 s: up to here it feels immediate", short="0.1 s: immediate"
    )
    return [*frame_budgets(view.manifest), instant]


def _subtitle(view: RunView, ranking: Ranking, sample_count: int) -> str:
    return (
        f"{setting_words(ranking.setting, with_pattern=False)}. "
        f"{trial_words(view, ranking)}; {sample_count:,} proved moves. "
        f"{_bars(ranking)}"
    )


def _bars(ranking: Ranking) -> str:
    """What the bars are; that p95 has none where only medians have them."""
    tails, middles = (
        [entry.estimates[name] for entry in ranking.entries] for name in ("p95_ms", "p50_ms")
    )
    is_bare = all(tail.low is None for tail in tails)
    return bar_words(
        [*middles, *tails], also="; p95 has none, for want of moves" if is_bare else ""
    )


def _extent(values: NDArray[np.float64]) -> tuple[float, float]:
    return (float(values.min()), float(values.max())) if values.size else (1.0, 1.0)


def _interval_ends(entries: tuple[Ranked, ...]) -> list[float]:
    ends = [
        end
        for entry in entries
        for name in ("p50_ms", "p95_ms")
        for end in (entry.estimates[name].low, entry.estimates[name].high)
    ]
    return [end for end in ends if end]


def _draw_rows(
    axes: Axes,
    entries: tuple[Ranked, ...],
    samples: dict[str, NDArray[np.float64]],
    medians: dict[str, list[float]],
    roles: Mapping[str, Role],
) -> None:
    low, high = axes.get_xlim()
    grid = np.geomspace(low, high, DENSITY_BINS + 1)
    densities = {entry.encoding: log_density(samples[entry.encoding], grid) for entry in entries}
    tallest = max(float(density.max()) for density in densities.values()) or 1.0
    middles = np.sqrt(grid[1:] * grid[:-1])
    for index, entry in enumerate(entries):
        shade = colour(roles[entry.encoding])
        height = densities[entry.encoding] / tallest * DENSITY_HEIGHT
        shown = height > DENSITY_HEIGHT * 0.004
        axes.fill_between(
            middles, index - height, index, where=shown, color=shade, alpha=0.22, linewidth=0
        )
        axes.plot(
            medians[entry.encoding],
            index + 0.2 + _jitter(len(medians[entry.encoding])),
            linestyle="none",
            marker="|" if len(medians[entry.encoding]) > 60 else ".",
            markersize=4,
            color=shade,
            alpha=0.75,
            markeredgewidth=0.6,
        )


def _draw_estimate(
    axes: Axes, entry: Ranked, y: float, kind: str, role: Role, cells: Mapping[str, str]
) -> None:
    """The median as the role's mark with a thick bar, p95 as a hollow triangle with a thin one."""
    shade, estimate = colour(role), entry.estimates[f"{kind}_ms"]
    what = "median time to picture" if kind == "p50" else "time to picture in 95 of 100 moves"
    is_median = kind == "p50"
    if estimate.low is not None and estimate.high is not None:
        axes.plot(
            [estimate.low, estimate.high],
            [y, y],
            color=shade,
            linewidth=3.2 if is_median else 1.3,
            solid_capstyle="butt",
            zorder=4,
        )
    axes.plot(
        [estimate.point],
        [y],
        marker=MARKS[role] if is_median else ">",
        markersize=6.5 if is_median else 5,
        markerfacecolor=shade if is_median and role != "rest" else colour("paper"),
        markeredgecolor=shade,
        markeredgewidth=1.4,
        linestyle="none",
        zorder=5,
        url=mark_url(
            cells[entry.encoding], mark_words(entry.encoding, what, estimate, samples="move")
        ),
    )


def log_density(values: NDArray[np.float64], grid: NDArray[np.float64]) -> NDArray[np.float64]:
    """Density per log unit over the bins of a geometric `grid`: a histogram smoothed by a normal
    kernel of Silverman's width (Silverman, Density Estimation, 1986, eq. 3.31)."""
    counts, _ = np.histogram(values, bins=grid)
    step = float(np.log(grid[1] / grid[0]))
    if values.size < 2:
        return np.asarray(counts / max(values.size, 1) / step, dtype=np.float64)
    logs = np.log(values)
    quartiles = np.quantile(logs, [0.25, 0.75])
    spread = min(float(np.std(logs, ddof=1)), float(quartiles[1] - quartiles[0]) / 1.34)
    width = max(0.9 * spread * values.size**-0.2, step)
    reach = int(np.ceil(4 * width / step))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * step / width) ** 2)
    smooth = np.convolve(counts, kernel / kernel.sum(), mode="full")[reach : reach + counts.size]
    return np.asarray(smooth / values.size / step, dtype=np.float64)


def _jitter(count: int) -> NDArray[np.float64]:
    """Offsets that keep neighbouring trials apart: equal steps in a fixed, mixed-up order."""
    golden = 0.6180339887498949
    return np.asarray((np.arange(count) * golden % 1.0 - 0.5) * 0.16, dtype=np.float64)


def _legend(axes: Axes, shape: Shape, roles: Sequence[Line2D]) -> None:
    shade = colour("muted")
    handles = [
        Line2D([], [], color=shade, marker="o", linewidth=3.2, markersize=6.5, label="median"),
        Line2D(
            [],
            [],
            color=shade,
            marker=">",
            linewidth=1.3,
            markersize=5,
            markerfacecolor=colour("paper"),
            label="95 of 100 moves (p95)",
        ),
        Line2D([], [], color=shade, marker=".", linestyle="none", label="one trial's median"),
        *roles,
    ]
    legend_below(axes, handles, shape=shape, columns=LEGEND_COLUMNS[shape])

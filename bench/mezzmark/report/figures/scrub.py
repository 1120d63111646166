"""Scrub latency: per encoding the distribution, every trial, median and p95 with intervals; and
where the waiting goes."""

from collections.abc import Mapping
from itertools import accumulate

import numpy as np
import pandas as pd
import seaborn.objects as so
from numpy.typing import NDArray
from scipy.stats import gaussian_kde, iqr

from mezzmark.decide.estimate.ranking import Ranking
from mezzmark.report.figures.rows import (
    Row,
    RowGrid,
    RowMark,
    draw_lines,
    draw_marks,
    label_rows,
    new_rows,
    row_grid,
    shown_lines,
)
from mezzmark.report.figures.theme import (
    LIGHT,
    Drawing,
    add_area_mark,
    ends,
    key_entry,
    padded,
    plot,
    role_key,
    set_log_axis,
)
from mezzmark.report.prose.figures import (
    INSTANT_LABEL,
    LATENCY_LABEL,
    MEDIAN_KEY,
    ORIGINAL_LABEL,
    SHARE_LABEL,
    SPAN_KEYS,
    TAIL_KEY,
    TRIAL_KEY,
)
from mezzmark.report.prose.latency import INSTANT_MS
from mezzmark.report.prose.numbers import estimate_text
from mezzmark.report.prose.run_figures import (
    latency_text,
    median_words,
    spans_text,
    spans_words,
    tail_words,
    wrong_words,
)
from mezzmark.report.prose.terms import frame_budgets
from mezzmark.report.view import (
    RunView,
    pooled_latencies_ms,
    scrub_trials,
    span_shares,
    trial_medians_ms,
)


def draw_latency(
    view: RunView, ranking: Ranking, *, anchor: str, cells: Mapping[str, str]
) -> Drawing:
    """The figure of one scrub setting, fastest encoding on top.

    Names link to the rows of the ranking table, whose anchors begin with `anchor`; marks to
    `cells`, the anchor of each encoding in the table of all cells.
    """
    entries = ranking.entries
    trials = scrub_trials(view, ranking.setting)
    samples = [pooled_latencies_ms(trials.get(entry.encoding, [])) for entry in entries]
    rows = _rows(view, ranking, anchor)
    marks = _marks(view, ranking, cells)
    values = [value for mark in marks for value in ends(mark.estimate)]
    values += [value for sample in samples if sample.size for value in (sample.min(), sample.max())]
    limits = padded(values, room=1.15)
    lines = shown_lines({**frame_budgets(view.manifest), INSTANT_MS: INSTANT_LABEL}, limits)
    grid = row_grid(rows)
    drawing = new_rows(
        latency_text(view, ranking, move_count=sum(map(len, samples))),
        grid,
        key=[
            key_entry(MEDIAN_KEY, "o", line_pt=3),
            key_entry(TAIL_KEY, ">", fill="none", line_pt=1.3, size_pt=5),
            key_entry(TRIAL_KEY, ".", size_pt=4),
            *role_key([row.role for row in rows], view.leader_words, ORIGINAL_LABEL),
        ],
        line_count=len(lines),
    )
    medians = trial_medians_ms(view, ranking.setting)
    dots = [medians.get(entry.encoding, []) for entry in entries]
    _draw_spread(drawing, grid, rows, samples, dots)
    draw_marks(drawing, grid, marks)
    set_log_axis(drawing.axes, "x", limits, label=LATENCY_LABEL)
    label_rows(drawing, grid, rows)
    draw_lines(drawing.axes, lines)
    return drawing


def _rows(view: RunView, ranking: Ranking, anchor: str) -> list[Row]:
    return [
        Row(
            name=entry.encoding,
            text=estimate_text(entry.estimates["p50_ms"]),
            role=view.role(entry.encoding, ranking),
            anchor=f"{anchor}-{index}",
            warning=wrong_words(entry.wrong_count),
        )
        for index, entry in enumerate(ranking.entries)
    ]


def _marks(view: RunView, ranking: Ranking, cells: Mapping[str, str]) -> list[RowMark]:
    """Of each encoding p95 as a hollow triangle, then the median as the role's mark."""
    return [
        mark
        for row, entry in enumerate(ranking.entries)
        for role in (view.role(entry.encoding, ranking),)
        for name, cell in ((entry.encoding, cells[entry.encoding]),)
        for tail, middle in ((entry.estimates["p95_ms"], entry.estimates["p50_ms"]),)
        for mark in (
            RowMark(
                row=row,
                estimate=tail,
                role=role,
                link=(cell, tail_words(name, tail)),
                marker=">",
                is_filled=False,
                is_lesser=True,
            ),
            RowMark(
                row=row,
                estimate=middle,
                role=role,
                link=(cell, median_words(name, middle)),
                is_filled=role != "other",
            ),
        )
    ]


def _draw_spread(
    drawing: Drawing,
    grid: RowGrid,
    rows: list[Row],
    samples: list[NDArray[np.float64]],
    medians: list[list[float]],
) -> None:
    """Above each baseline the density of single moves, below it one dot per trial."""
    tallest = 0.55 * grid.lane_in
    baselines = [grid.baseline_in(row) for row in range(len(rows))]
    shapes = [log_density(values) for values in samples]
    spread = pd.DataFrame(
        {"x": x, "top": y - height * tallest, "floor": y, "role": row.role, "row": y}
        for (steps, density), y, row in zip(shapes, baselines, rows, strict=True)
        for x, height in zip(steps, density, strict=True)
    )
    dots = pd.DataFrame(
        {"x": value, "y": y + 0.34 * grid.lane_in, "role": row.role}
        for values, y, row in zip(medians, baselines, rows, strict=True)
        for value in values
    )
    jitter = so.Jitter(y=0.2 * grid.lane_in, seed=1)
    drawn = plot(dots, x="x", color="role").add(
        so.Dots(pointsize=2.4, fillalpha=0.75, stroke=0, alpha=0.75), jitter, y="y", legend=False
    )
    if len(spread):
        drawn = drawn.add(
            so.Band(alpha=0.22, edgewidth=0),
            data=spread,
            x="x",
            ymin="top",
            ymax="floor",
            color="role",
            group="row",
            orient="x",
            legend=False,
        )
    drawn.on(drawing.axes).plot()


DENSITY_STEPS = 96
"""Finer than a screen can show at this width."""


def log_density(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Steps between the ends of positive `values`, and their density per log unit there as a share
    of its peak; both empty without a spread.

    The kernel has Silverman's width (Density Estimation, 1986, eq. 3.31), since few slow moves
    would widen the usual one.
    """
    logs = np.log(values)
    if values.size < 2 or iqr(logs) == 0:
        return np.empty(0), np.empty(0)
    deviation = np.std(logs, ddof=1)
    spread = min(deviation, iqr(logs) / 1.34)
    kde = gaussian_kde(logs, 0.9 * spread * values.size**-0.2 / deviation)
    steps = np.linspace(logs.min(), logs.max(), DENSITY_STEPS)
    density = kde(steps)
    return np.exp(steps), density / density.max()


def draw_spans(
    view: RunView, ranking: Ranking, *, anchor: str, cells: Mapping[str, str]
) -> Drawing:
    """One bar per encoding from 0 to 100 %, in the order of the latency figure. Links are those of
    `draw_latency`."""
    trials = scrub_trials(view, ranking.setting)
    rows = [
        Row(
            name=entry.encoding,
            text=estimate_text(entry.estimates["p50_ms"]),
            role=view.role(entry.encoding, ranking),
            anchor=f"{anchor}-{index}",
        )
        for index, entry in enumerate(ranking.entries)
    ]
    grid = row_grid(rows)
    key = [
        key_entry(label, "s", colour=span, size_pt=8, alpha=SPAN_ALPHA)
        for span, label in SPAN_KEYS.items()
    ]
    drawing = new_rows(spans_text(view, ranking), grid, key=key)
    axes = drawing.axes
    shares = [span_shares(trials.get(entry.encoding, [])) for entry in ranking.entries]
    frame = pd.DataFrame(
        {"y": grid.baseline_in(row), "span": span, "start": 100 * (end - share), "end": 100 * end}
        for row, mine in enumerate(shares)
        for (span, share), end in zip(mine.items(), accumulate(mine.values()), strict=True)
    )
    bar = so.Range(linewidth=72 * SPAN_IN, alpha=SPAN_ALPHA, artist_kws={"capstyle": "butt"})
    drawn = plot(frame, y="y", xmin="start", xmax="end", color="span", group="start")
    drawn.add(bar, orient="y", legend=False).on(axes).plot()
    for row, (entry, mine) in enumerate(zip(ranking.entries, shares, strict=True)):
        corner = (0, grid.baseline_in(row) - SPAN_IN / 2)
        url = drawing.url(cells[entry.encoding], spans_words(entry, mine))
        add_area_mark(axes, corner, 100, SPAN_IN, url)
    inner = frame[frame["start"] > 0]
    half = SPAN_IN / 2
    axes.vlines(inner["start"], inner["y"] - half, inner["y"] + half, color=LIGHT["paper"])
    axes.set(xlim=(0, 100), xlabel=SHARE_LABEL)
    label_rows(drawing, grid, rows)
    return drawing


SPAN_IN, SPAN_ALPHA = 0.17, 0.6
"""Height and opacity of a bar. Bars are large: at full strength they would outshine the names."""

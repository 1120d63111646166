"""Scrub latency and where the waiting goes; the hand and what was seen; streams and editors."""

from collections.abc import Mapping, Sequence
from functools import partial
from itertools import accumulate
from typing import Any, Final, cast

import numpy as np
import pandas as pd
import seaborn.objects as so
from matplotlib.ticker import MaxNLocator
from scipy.ndimage import gaussian_filter1d

from mezzmark.decide.estimate.observed_run import Observation
from mezzmark.decide.estimate.over_clips import AtBest
from mezzmark.decide.estimate.ranking import INSTANT_MS, Ranking
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.records import Trial
from mezzmark.model.tasks.hand import Screen, distances
from mezzmark.model.tasks.streams import StreamsMeasurement
from mezzmark.report.figures import theme
from mezzmark.report.figures.drawing import Drawing, Mark, add_area_mark, at, ends, new_drawing
from mezzmark.report.figures.rows import (
    Row,
    RowGrid,
    finish_rows,
    label_rows,
    new_rows,
    row_grid,
    shown_lines,
)
from mezzmark.report.prose import figures as prose
from mezzmark.report.prose.numbers import row_text, shown_name, wrong_text
from mezzmark.report.prose.terms import encodings_about, frame_budgets
from mezzmark.report.view import RunView
from mezzmark.statistics.intervals import Floats

Anchors = Mapping[str, str]  # by encoding

MOST_DOTS: Final = 200  # trials of an encoding that are shown as dots: more would be a solid bar
MOST_DOTS_IN_ALL: Final = 2_000  # of a figure: more would make pages of many megabytes


def draw_latency(view: RunView, ranking: Ranking, *, names: Anchors, cells: Anchors) -> Drawing:
    """The figure of one scrub setting, fastest on top; what is shorter than a frame is shaded.
    Names link to `names`, marks to `cells`. The leading setting's carries the key."""
    trials = [view.scrub_trials[ranking.setting][entry.encoding] for entry in ranking.entries]
    samples = [_latencies_ms(mine) for mine in trials]
    most = min(MOST_DOTS, MOST_DOTS_IN_ALL // len(trials))
    medians = [_thinned([trial.figures["p50_ms"] for trial in mine], most) for mine in trials]
    rows = _rows(view, ranking, names)
    grid = row_grid(rows)
    marks = _marks(view, ranking, grid, cells)
    extremes = [end(found) for found in samples if found.size for end in (np.min, np.max)]
    values = [*(end for mark in marks for end in mark.x), *extremes]
    limits = theme.padded(values, room=1.15)
    budgets, is_lead = frame_budgets(view.manifest), ranking is view.rankings[0]
    floor_ms = min(budgets, default=0.0)
    is_shaded = limits[0] < floor_ms < limits[1]
    lines = shown_lines({**budgets, INSTANT_MS: prose.INSTANT_LABEL}, limits)
    key = [
        theme.key_entry(prose.MEDIAN_KEY, "o", linewidth=3),
        theme.key_entry(prose.TAIL_KEY, ">", markerfacecolor=theme.LIGHT["paper"], linewidth=1.3),
        theme.key_entry(prose.TRIAL_KEY, ".", markersize=4),
        *theme.role_key([row.role for row in rows], prose.leader_label(view.choice)),
    ]
    note = prose.role_words({row.role for row in rows}, view.choice)
    moves = sum(map(len, samples))
    if floor_ms:
        note = f"{prose.floor_words(is_shaded=is_shaded, is_all=floor_ms >= limits[1])}{note}"
    text = prose.latency_text(view, ranking, move_count=moves, note=note)
    drawing = new_rows(text, grid, key=key if is_lead else (), line_count=len(lines))
    if is_shaded:
        drawing.axes.axvspan(limits[0], floor_ms, **theme.SHADED)
    _draw_spread(drawing, grid, rows, samples, medians)
    finish_rows(drawing, grid, rows, marks, limits, label=prose.LATENCY_LABEL, lines=lines)
    return drawing


def _latencies_ms(trials: Sequence[Observation]) -> Floats:
    """Every proved latency of these trials, one after the other."""
    parts = [t.work.latencies_ms for t in trials if t.work.latencies_ms is not None]
    return np.concatenate(parts) if parts else np.empty(0)


def _thinned(values: list[float], most: int) -> list[float]:
    """At most so many, spread evenly over their order, smallest and largest among them."""
    if len(values) <= most:
        return values
    places = np.linspace(0, len(values) - 1, most).round().astype(int)
    return list(np.sort(values)[places])


def _rows(view: RunView, ranking: Ranking, anchors: Anchors) -> list[Row]:
    about = encodings_about(view.manifest) if ranking is view.rankings[0] else {}
    return [
        Row(
            name=entry.encoding,
            text=row_text(entry.estimates["p50_ms"]),
            about=about.get(entry.encoding, ""),
            role=view.role(entry.encoding, ranking),
            anchor=anchors[entry.encoding],
            warning=wrong_text(entry.wrong_count),
        )
        for entry in ranking.entries
    ]


def _marks(view: RunView, ranking: Ranking, grid: RowGrid, cells: Anchors) -> list[Mark]:
    """Of each encoding p95 as a hollow triangle, and the median as the role's mark above it."""
    marks = []
    for row, entry in enumerate(ranking.entries):
        name, role = entry.encoding, view.role(entry.encoding, ranking)
        looks = {"p95_ms": {"colour": role, **TAIL_LOOK}, "p50_ms": theme.role_look(role)}
        for figure, look in looks.items():
            estimate, y = entry.estimates[figure], at(grid.baseline_in(row))
            link = (cells[name], prose.latency_words(name, figure, estimate))
            marks.append(Mark(x=ends(estimate), y=y, link=link, **look))
    return marks


TAIL_LOOK: Final[dict[str, Any]] = {"marker": ">", "fill": 0, "size_pt": 5, "bar_pt": 1.3}


def _draw_spread(
    drawing: Drawing,
    grid: RowGrid,
    rows: Sequence[Row],
    samples: Sequence[Floats],
    medians: Sequence[Sequence[float]],
) -> None:
    """Above each baseline the density of single moves, below it one dot per trial."""
    lane_in, rng = grid.lane_in, np.random.default_rng(1)
    for place, (row, values, dots) in enumerate(zip(rows, samples, medians, strict=True)):
        y, colour = grid.baseline_in(place), theme.LIGHT[row.role]
        x, height = log_density(values)
        tops = y - 0.55 * lane_in * height
        drawing.axes.fill_between(x, tops, y, color=colour, alpha=0.22, linewidth=0)
        beside = y + lane_in * (0.34 + rng.uniform(-0.1, 0.1, len(dots)))
        drawing.axes.scatter(dots, beside, s=2.4**2, color=colour, alpha=0.75, linewidth=0)


DENSITY_STEPS: Final = 96  # finer than a screen can show at this width

DENSITY_BINS: Final = 10 * DENSITY_STEPS
"""Moves are counted in bins far narrower than the kernel: a million cost no more than a few."""


def log_density(values: Floats) -> tuple[Floats, Floats]:
    """Steps between the ends of `values` above 0, and their density per log unit there as a share
    of its peak; both empty without a spread. The kernel has Silverman's width (Density Estimation,
    1986, eq. 3.31), since few slow moves would widen the usual one."""
    logs = np.log(values[values > 0])
    between_quartiles = float(np.subtract(*np.quantile(logs, (0.75, 0.25)))) if logs.size else 0.0
    if between_quartiles == 0:
        return np.empty(0), np.empty(0)
    spread = min(float(np.std(logs, ddof=1)), between_quartiles / 1.34)
    width = 0.9 * spread * logs.size**-0.2
    counts, edges = np.histogram(logs, DENSITY_BINS)
    density = gaussian_filter1d(
        counts.astype(float), width / (edges[1] - edges[0]), mode="constant"
    )
    steps = np.linspace(edges[0], edges[-1], DENSITY_STEPS)
    at_steps = np.interp(steps, (edges[:-1] + edges[1:]) / 2, density)
    return np.exp(steps), at_steps / at_steps.max()


BAR_ALPHA: Final = 0.6  # bars are large: at full strength they would outshine the names


def draw_spans(view: RunView, ranking: Ranking, *, names: Anchors, cells: Anchors) -> Drawing:
    """One bar per encoding from 0 to 100 %, in the order and with the links of `draw_latency`."""
    trials = view.scrub_trials[ranking.setting]
    shares = [_span_shares(trials[entry.encoding]) for entry in ranking.entries]
    rows = _rows(view, ranking, names)
    grid = row_grid(rows)
    key = [
        theme.key_entry(label, "s", colour=span, markersize=8, alpha=BAR_ALPHA)
        for span, label in prose.SPAN_KEYS.items()
    ]
    drawing = new_rows(prose.spans_text(ranking), grid, key=key)
    axes = drawing.axes
    frame = pd.DataFrame(
        [
            (grid.baseline_in(row), span, 100 * (end - share), 100 * end)
            for row, mine in enumerate(shares)
            for (span, share), end in zip(mine.items(), accumulate(mine.values()), strict=True)
        ],
        columns=["y", "span", "start", "end"],
    )
    bar_in = 0.65 * grid.lane_in
    bar = so.Range(linewidth=72 * bar_in, alpha=BAR_ALPHA, artist_kws={"capstyle": "butt"})
    drawn = theme.plot(frame, y="y", xmin="start", xmax="end", color="span")
    drawn.add(bar, orient="y", legend=False).on(axes).plot()
    inner = frame[frame["start"] > 0]
    sides = inner["y"] - bar_in / 2, inner["y"] + bar_in / 2
    axes.vlines(inner["start"], *sides, color=theme.LIGHT["paper"])
    for row, (entry, mine) in enumerate(zip(ranking.entries, shares, strict=True)):
        url = drawing.url(cells[entry.encoding], prose.spans_words(entry, mine))
        add_area_mark(axes, (0, grid.baseline_in(row) - bar_in / 2), 100, bar_in, url)
    axes.set(xlim=(0, 100), xlabel=prose.SHARE_LABEL)
    label_rows(drawing, grid, rows)
    return drawing


def _span_shares(trials: Sequence[Observation]) -> dict[str, float]:
    """The share of all proved waiting spent in each span; the three sum to 1."""
    totals_ns = np.sum([trial.work.span_ns for trial in trials], axis=0)
    whole_ns = totals_ns.sum()
    shares = totals_ns / whole_ns if whole_ns else totals_ns * 0.0
    return dict(zip(prose.SPAN_KEYS, shares.tolist(), strict=True))


HAND_LEFT_IN, HAND_BODY_IN = 0.75, 2.8


def draw_strokes(clip: str, screens: Mapping[str, Screen]) -> Drawing:
    """Frames over time: the hand's as a thin line, of each encoding those on screen."""
    off = [float(distances(screen).mean()) for screen in screens.values()]
    colours = {name: "original" if name == ORIGINAL else "leader" for name in screens}
    key = [theme.key_entry(prose.HAND_KEY, "", colour="ink", linewidth=0.8)]
    key += [theme.key_entry(shown_name(n), "", colour=c, linewidth=1.8) for n, c in colours.items()]
    text = prose.strokes_text(clip, list(screens), off)
    drawing = new_drawing(text, body_in=HAND_BODY_IN, left_in=HAND_LEFT_IN, key=key)
    axes = drawing.figure.add_subplot()
    first = next(iter(screens.values()))
    seconds = np.arange(first.wanted.size) / first.refresh_hz
    for name, screen in screens.items():
        axes.plot(seconds, screen.shown, color=theme.LIGHT[colours[name]], linewidth=1.8)
    axes.plot(seconds, first.wanted, color=theme.LIGHT["ink"], linewidth=0.8)
    axes.set(xlabel=prose.SECONDS_LABEL, ylabel=prose.FRAME_LABEL)
    axes.grid(True)
    return drawing


def draw_counts(task: str, at_best: AtBest, trials: Sequence[Trial]) -> Drawing:
    """A line an encoding, at its best setting: late pictures, and age, by streams or editors."""
    best = {cell for cell, _ in at_best.values()}  # who lacks a clip has none
    found = [trial for trial in trials if trial.cell.but(clip="") in best]
    rows = [
        (trial.cell.encoding, n, 100 * late / (pictures or np.nan), age_ms)
        for trial in found
        for n, pictures, late, _, age_ms, *_ in cast(StreamsMeasurement, trial.measurement).levels
    ]
    columns = ["encoding", "players", prose.LATE_LABEL, prose.AGE_LABEL]
    groups = pd.DataFrame(rows, columns=columns).groupby(["encoding", "players"], as_index=False)
    data = groups.mean().assign(rounds=groups.size()["size"])
    every = data.groupby("encoding")["rounds"].transform("max")
    data = data[2 * data["rounds"] > every]  # what few rounds tried is what only good ones reach
    shapes = {name: theme.SHAPES[n % len(theme.SHAPES)] for n, name in enumerate(at_best)}
    colours = {name: "original" if name == ORIGINAL else "other" for name in at_best}
    entry = partial(theme.key_entry, linewidth=1)
    key = [entry(shown_name(n), s, colour=colours[n]) for n, s in shapes.items()]
    shown = [label for label in columns[2:] if data[label].notna().any()]
    text, body_in = prose.counts_text(task, at_best), HAND_BODY_IN * len(shown)
    drawing = new_drawing(text, body_in=body_in, left_in=HAND_LEFT_IN, key=key)
    panels = drawing.figure.subplots(len(shown), sharex=True, squeeze=False)[:, 0]
    for label, axes in zip(shown, panels, strict=True):
        for name, shape in shapes.items():
            mine, colour = data[data["encoding"] == name], theme.LIGHT[colours[name]]
            axes.plot(mine["players"], mine[label], color=colour, marker=shape, linewidth=1)
        axes.set(xlabel=prose.COUNT_LABEL.format(task) if axes is panels[-1] else "", ylabel=label)
        axes.set_ylim(*((-2, 102) if label == prose.LATE_LABEL else (0, None)))
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.grid(True)
    return drawing

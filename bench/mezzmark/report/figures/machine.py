"""The whole machine at work: jobs × threads, throughput by cores with the fitted law, an ingest."""

from typing import Any, Final

import numpy as np
import pandas as pd
import seaborn as sns
import seaborn.objects as so
from matplotlib.colors import ListedColormap, to_rgba
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator

from mezzmark.decide.throughput.grid import GridFindings, SplitFigures, best_split_by_core_count
from mezzmark.decide.throughput.ingest import IngestPrediction
from mezzmark.model.estimate import CONFIDENCE_LEVEL
from mezzmark.model.tasks.ingest import IngestMeasurement
from mezzmark.report.figures import theme
from mezzmark.report.figures.drawing import (
    Drawing,
    Mark,
    add_area_mark,
    at,
    draw_marks,
    ends,
    new_drawing,
)
from mezzmark.report.prose import figures as labels
from mezzmark.report.prose import throughput as prose
from mezzmark.report.prose.numbers import count_text, estimate_parts, shown_name
from mezzmark.report.tables.table import DASH
from mezzmark.statistics.scaling import LOUD_RANGE_RATIO, ScalingFit, predict_throughput

STRONGEST: Final = 0.5
"""Opacity of a cell at full efficiency; above this dark text on it would be hard to read."""

_SHADES = ListedColormap([to_rgba(theme.LIGHT["leader"], STRONGEST * k / 100) for k in range(101)])

GRID_LEFT_IN, CELL_WIDTH_IN, CELL_HEIGHT_IN = 0.85, 1.46, 0.62


def draw_grid(found: GridFindings, *, anchor: str) -> Drawing:
    """A cell per split with efficiency and throughput, the best framed; links to `anchor`."""
    splits = {(split.job_count, split.thread_count): split for split in found.splits}
    jobs = sorted({job_count for job_count, _ in splits}, reverse=True)
    threads = sorted({thread_count for _, thread_count in splits})
    has_blanks = len(splits) < len(jobs) * len(threads)
    width_in = min(theme.WIDTH_IN - GRID_LEFT_IN - theme.MARGIN_IN, CELL_WIDTH_IN * len(threads))
    drawing = new_drawing(
        prose.grid_text(found, best=splits[found.best], has_blanks=has_blanks),
        body_in=CELL_HEIGHT_IN * len(jobs),
        left_in=GRID_LEFT_IN,
        right_in=theme.WIDTH_IN - GRID_LEFT_IN - width_in,
        bottom_in=0.4,
    )
    axes = drawing.figure.add_subplot()
    shares = {key: s.efficiency.point if s.efficiency else 0.0 for key, s in splits.items()}
    sns.heatmap(
        pd.DataFrame([[shares.get((j, t), np.nan) for t in threads] for j in jobs]),
        vmin=0,
        vmax=1,
        cmap=_SHADES,
        linewidths=3,
        linecolor=theme.LIGHT["paper"],
        cbar=False,
        xticklabels=[count_text(count, "thread") for count in threads],
        yticklabels=[count_text(count, "job") for count in jobs],
        ax=axes,
    )
    axes.tick_params(length=0, labelrotation=0)
    for (job_count, thread_count), split in splits.items():
        x, y = threads.index(thread_count), jobs.index(job_count)
        is_best = (job_count, thread_count) == found.best
        _fill_cell(drawing, x, y, split, is_best=is_best)
        url = drawing.url(anchor, prose.grid_words(found.encoding, split, is_best=is_best))
        add_area_mark(axes, (x, y), 1, 1, url)
    return drawing


def _fill_cell(drawing: Drawing, x: int, y: int, split: SplitFigures, *, is_best: bool) -> None:
    """A cell's numbers line by line, and the frame of the best one."""
    axes = drawing.axes
    parts = estimate_parts(split.figures["throughput_fps"])
    share = f"{split.efficiency.point * 100:.0f} %" if split.efficiency else DASH
    lines = (share, *parts)
    look: dict[str, Any] = {"ha": "center", "va": "center", "fontsize": theme.SMALL_PT}
    for place, line in enumerate(lines, start=1):
        weight = "bold" if place == 1 else "normal"
        axes.text(x + 0.5, y + place / (len(lines) + 1), line, weight=weight, **look)
    if is_best:
        edge: dict[str, Any] = {"fill": False, "edgecolor": theme.LIGHT["ink"], "linewidth": 1.8}
        axes.add_patch(Rectangle((x + 0.02, y + 0.03), 0.96, 0.94, **edge))


_BAND_ROOM: Final = 1.5
"""There is room for the band up to so many times all else; an endless one would fill it."""


def draw_scaling(
    findings: GridFindings, fit: ScalingFit, *, fps_per_unit: float, anchor: str
) -> Drawing:
    """Measured throughput by cores, the fitted law with its band, and perfect scaling.
    `fps_per_unit` turns the fit's unit (pixels a second) into frames per second. Dots link to
    `anchor`."""
    measured = best_split_by_core_count(findings)
    law = _law(fit, max(measured), fps_per_unit)
    has_band = bool(law["high"].notna().all())
    marks = [
        Mark(
            x=at(count),
            y=ends(split.figures["throughput_fps"]),
            colour="ink",
            link=(anchor, prose.scaling_words(findings.encoding, count, split)),
            size_pt=5.5,
            bar_pt=2.6,
        )
        for count, split in measured.items()
    ]
    held = law["perfect"][law["cores"] <= max(measured)]
    highest = np.nanmax([*law["fps"], *held, *(end for mark in marks for end in mark.y)])
    top = max(highest, min(law["high"].max(), _BAND_ROOM * highest)) if has_band else highest
    law["high"] = law["high"].clip(upper=2 * top)  # what has no end cannot be drawn
    text = prose.scaling_text(findings, fit, has_band=has_band)
    drawing = new_drawing(text, body_in=2.6, left_in=0.8)
    axes = drawing.figure.add_subplot()
    dashes = so.Line(color=theme.LIGHT["muted"], linestyle=(4, 3), linewidth=1)
    line = so.Line(color=theme.LIGHT["leader"], linewidth=1.6)
    drawn = theme.plot(law, x="cores").add(dashes, y="perfect").add(line, y="fps")
    if has_band:
        band = so.Band(color=theme.LIGHT["leader"], alpha=0.18, edgewidth=0)
        drawn = drawn.add(band, ymin="low", ymax="high")
    drawn.on(axes).plot()
    draw_marks(drawing, marks)
    axes.set(xlim=(0.5, law["cores"].max() + 0.5), xlabel=labels.CORES_LABEL)
    axes.set(ylim=(0, 1.05 * top), ylabel=labels.FPS_LABEL)
    axes.xaxis.set_major_locator(MaxNLocator(8, integer=True))
    axes.yaxis.set_major_formatter(theme.PLAIN)
    axes.grid(True, axis="y")
    return drawing


_LAW_POINTS: Final = 200
"""The law at each core up to so many; of more at as many counts, as far apart as a pixel or two."""


def _law(fit: ScalingFit, last_measured: int, fps_per_unit: float) -> pd.DataFrame:
    """The law in frames per second up to where predictions warn; `perfect` is without loss."""
    reach = max(int(LOUD_RANGE_RATIO * last_measured), last_measured + 1)
    rows = []
    counts = np.linspace(1, reach, min(reach, _LAW_POINTS)).round().astype(int)
    for count in counts.tolist():
        found = predict_throughput(fit, count, confidence_level=CONFIDENCE_LEVEL)
        low, high = (found.interval.low, found.interval.high) if found.interval else (np.nan,) * 2
        rows.append((found.point * fps_per_unit, low * fps_per_unit, high * fps_per_unit))
    law = pd.DataFrame(rows, columns=["fps", "low", "high"])
    cores = counts.astype(float)
    return law.assign(cores=cores, perfect=cores * law["fps"].iloc[0])


NS_PER_S: Final = 1e9
GANTT_LEFT_IN, WORKER_IN, BAR_IN = 0.95, 0.34, 0.24
"""Room for the workers' names, height of a worker's row and of the bars in it."""

_LEAST_NAME: Final = 8  # a bar without room for so many characters carries no name; its mark has it


def draw_gantt(found: IngestPrediction, measured: IngestMeasurement, *, anchor: str) -> Drawing:
    """A row per worker, a bar per clip: encoding, then lighter proving; `measured` is the last
    round of the ingest `found`. Bars link to `anchor`."""
    body_in = WORKER_IN * measured.worker_count
    drawing = new_drawing(prose.gantt_text(found), body_in=body_in, left_in=GANTT_LEFT_IN)
    axes = drawing.figure.add_subplot()
    times_ns = (measured.start_ns, measured.encoded_ns, measured.end_ns)
    clips = pd.DataFrame(np.transpose(times_ns) / NS_PER_S, columns=["start", "encoded", "done"])
    clips = clips.assign(worker=measured.worker_index, clip=clips.index)
    look: dict[str, Any] = {"color": theme.LIGHT["leader"], "linewidth": 72 * BAR_IN}
    full = so.Range(alpha=0.55, artist_kws={"capstyle": "butt"}, **look)
    light = so.Range(alpha=0.22, artist_kws={"capstyle": "butt"}, **look)
    (
        theme.plot(clips, y="worker", group="clip")
        .add(full, xmin="start", xmax="encoded", orient="y")
        .add(light, xmin="encoded", xmax="done", orient="y")
        .on(axes)
        .plot()
    )
    times_s = clips[["start", "encoded", "done"]].to_numpy(dtype=float)
    whole_s = float(times_s.max())
    workers = range(measured.worker_count)
    axes.set(xlim=(0, whole_s * 1.01), xlabel=labels.SECONDS_LABEL)
    axes.set(ylim=(measured.worker_count - 0.5, -0.5), ylabel="")
    axes.set_yticks(workers, [labels.WORKER_LABEL.format(index + 1) for index in workers])
    axes.grid(True, axis="x")
    height, width_in = BAR_IN / WORKER_IN, theme.WIDTH_IN - GANTT_LEFT_IN - theme.MARGIN_IN
    for index, (start_s, encoded_s, done_s) in enumerate(times_s):
        low = measured.worker_index[index] - height / 2
        axes.vlines(start_s, low, low + height, color=theme.LIGHT["paper"], linewidth=1)
        share = (done_s - start_s) / whole_s
        room = theme.characters(share * width_in, theme.SMALL_PT) - 1
        if room >= _LEAST_NAME:
            name = shown_name(measured.clips[index], limit=room)
            x, y = start_s + 0.006 * whole_s, measured.worker_index[index]
            axes.text(x, y, name, va="center", fontsize=theme.SMALL_PT, clip_on=True)
        words = prose.clip_words(found, measured, index, (start_s, encoded_s, done_s))
        url = drawing.url(anchor, words)
        add_area_mark(axes, (start_s, low), done_s - start_s, height, url)
    return drawing

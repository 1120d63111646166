"""The whole machine at work: jobs × threads, throughput by cores with the fitted law, an ingest."""

from typing import Final

import numpy as np
import pandas as pd
import seaborn as sns
import seaborn.objects as so
from matplotlib.colors import ListedColormap, to_rgba
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator

from mezzmark.decide.throughput.grid import GridFindings, SplitFigures
from mezzmark.decide.throughput.prediction import IngestPrediction
from mezzmark.model.throughput import IngestMeasurement
from mezzmark.report.figures.theme import (
    LIGHT,
    MARGIN_IN,
    SMALL_PT,
    WIDTH_IN,
    Drawing,
    add_area_mark,
    characters,
    ends,
    new_drawing,
    plot,
)
from mezzmark.report.prose.figures import CORES_LABEL, FPS_LABEL, SECONDS_LABEL
from mezzmark.report.prose.numbers import count_text, estimate_parts, shown_name
from mezzmark.report.prose.throughput import (
    clip_words,
    gantt_text,
    grid_text,
    grid_words,
    scaling_text,
    scaling_words,
    share_text,
    worker_label,
)
from mezzmark.statistics.scaling import ScalingFit
from mezzmark.statistics.scaling_inference import LOUD_RANGE_RATIO, predict_throughput

STRONGEST: Final = 0.5
"""Opacity of a cell at full efficiency; above this dark text on it would be hard to read."""

_SHADES = ListedColormap([to_rgba(LIGHT["leader"], STRONGEST * k / 100) for k in range(101)])

GRID_LEFT_IN, CELL_WIDTH_IN, CELL_HEIGHT_IN = 0.85, 1.46, 0.62


def draw_grid(found: GridFindings, *, anchor: str) -> Drawing:
    """A cell per split: efficiency as shade and number, throughput below it; the best is framed.

    Cells link to `anchor`, the encoding's row in the grid table.
    """
    splits = {(split.job_count, split.thread_count): split for split in found.splits}
    jobs = sorted({job_count for job_count, _ in splits}, reverse=True)
    threads = sorted({thread_count for _, thread_count in splits})
    has_blanks = len(splits) < len(jobs) * len(threads)
    width_in = min(WIDTH_IN - GRID_LEFT_IN - MARGIN_IN, CELL_WIDTH_IN * len(threads))
    drawing = new_drawing(
        grid_text(found, best=splits[found.best], has_blanks=has_blanks),
        body_in=CELL_HEIGHT_IN * len(jobs),
        left_in=GRID_LEFT_IN,
        right_in=WIDTH_IN - GRID_LEFT_IN - width_in,
        bottom_in=0.4,
    )
    axes = drawing.figure.add_subplot()
    shares = {
        key: split.efficiency.point if split.efficiency else 0 for key, split in splits.items()
    }
    sns.heatmap(
        pd.DataFrame([[shares.get((j, t), np.nan) for t in threads] for j in jobs]),
        vmin=0,
        vmax=1,
        cmap=_SHADES,
        linewidths=3,
        linecolor=LIGHT["paper"],
        cbar=False,
        xticklabels=[count_text(count, "thread") for count in threads],
        yticklabels=[count_text(count, "job") for count in jobs],
        ax=axes,
    )
    axes.tick_params(length=0, labelrotation=0)
    for (job_count, thread_count), split in splits.items():
        x, y = threads.index(thread_count), jobs.index(job_count)
        is_best = (job_count, thread_count) == found.best
        parts = estimate_parts(split.figures["throughput_fps"])
        lines = (share_text(split.efficiency), *parts)
        for place, line in enumerate(lines, start=1):
            weight = "bold" if place == 1 else "normal"
            at = (x + 0.5, y + place / (len(lines) + 1))
            axes.text(*at, line, ha="center", va="center", fontsize=SMALL_PT, weight=weight)
        if is_best:
            frame = {"fill": False, "edgecolor": LIGHT["ink"], "linewidth": 1.8}
            axes.add_patch(Rectangle((x + 0.02, y + 0.03), 0.96, 0.94, **frame))
        url = drawing.url(anchor, grid_words(found.encoding, split, is_best=is_best))
        add_area_mark(axes, (x, y), 1, 1, url)
    return drawing


_BAND_ROOM = 1.5
"""The picture makes room for the band up to so many times the highest of all else. A band almost
without end would press what was measured to the ground."""


def draw_scaling(
    findings: GridFindings,
    fit: ScalingFit,
    *,
    confidence_level: float,
    fps_per_unit: float,
    anchor: str,
) -> Drawing:
    """Measured throughput by cores, the fitted law with its band, and perfect scaling.

    `fps_per_unit` turns the fit's unit (pixels a second) into frames per second. The band ends
    where a prediction would carry a warning. Dots link to `anchor`, the row of the fit.
    """
    measured = best_split_by_core_count(findings)
    law = _law(fit, max(measured), confidence_level, fps_per_unit)
    has_band = bool(law["low"].notna().all())
    drawing = new_drawing(scaling_text(findings, fit, has_band=has_band), body_in=2.6, left_in=0.7)
    axes = drawing.figure.add_subplot()
    dots = pd.DataFrame(
        [(count, *ends(split.figures["throughput_fps"])) for count, split in measured.items()],
        columns=["cores", "fps", "low", "high"],
    )
    urls = [
        drawing.url(anchor, scaling_words(findings.encoding, count, split))
        for count, split in measured.items()
    ]
    blue, ink = LIGHT["leader"], LIGHT["ink"]
    bar = so.Range(color=ink, linewidth=2.6, artist_kws={"capstyle": "butt", "zorder": 4})
    dot = so.Dot(color=ink, pointsize=5.5, artist_kws={"zorder": 5, "urls": urls})
    dashes = so.Line(color=LIGHT["muted"], linestyle=(4, 3), linewidth=1)
    drawn = plot(law, x="cores").add(dashes, y="perfect").add(so.Line(color=blue), y="fps")
    if has_band:
        band = so.Band(color=blue, alpha=0.18, edgewidth=0)
        drawn = drawn.add(band, ymin="low", ymax="high")
    drawn = drawn.add(bar, data=dots, x="cores", ymin="low", ymax="high")
    drawn = drawn.add(dot, data=dots, x="cores", y="fps")
    drawn.on(axes).plot()
    held = law.loc[law["cores"] == max(measured), "perfect"]
    highest = np.nanmax([*law["fps"], *held, *dots["fps"], *dots["high"]])
    top = max(highest, min(law["high"].max(), _BAND_ROOM * highest)) if has_band else highest
    axes.set(xlim=(0.5, law["cores"].max() + 0.5), ylim=(0, 1.05 * top))
    axes.set(xlabel=CORES_LABEL, ylabel=FPS_LABEL)
    axes.xaxis.set_major_locator(MaxNLocator(8, integer=True))
    axes.grid(True, axis="y")
    return drawing


def best_split_by_core_count(findings: GridFindings) -> dict[int, SplitFigures]:
    """The split with the most throughput of each number of threads in all, fewest first."""
    fastest_last = sorted(findings.splits, key=lambda split: split.figures["throughput_fps"].point)
    best = {split.job_count * split.thread_count: split for split in fastest_last}
    return dict(sorted(best.items()))


def _law(
    fit: ScalingFit, last_measured: int, confidence_level: float, fps_per_unit: float
) -> pd.DataFrame:
    """The law in frames per second, up to where a prediction would carry a warning, and at least
    one core further; `perfect` is what it would be if every core were as good as the first."""
    reach = max(int(LOUD_RANGE_RATIO * last_measured), last_measured + 1)
    predictions = [
        predict_throughput(fit, count, confidence_level=confidence_level)
        for count in range(1, reach + 1)
    ]
    law = pd.DataFrame(
        {
            "cores": float(found.core_count),
            "fps": found.point * fps_per_unit,
            "low": found.interval.low * fps_per_unit if found.interval else np.nan,
            "high": found.interval.high * fps_per_unit if found.interval else np.nan,
        }
        for found in predictions
    )
    return law.assign(perfect=law["cores"] * law["fps"].iloc[0])


NS_PER_S: Final = 1e9

WORKER_IN, BAR_IN = 0.34, 0.24
"""Height of a worker's row and of the bars in it."""

_LEAST_NAME = 4
"""A bar without room for so many characters carries no name; its mark has it."""


def draw_gantt(found: IngestPrediction, measured: IngestMeasurement, *, anchor: str) -> Drawing:
    """One row per worker, one bar per clip: encoding full, proving the file lighter.

    `measured` is the last round of the ingest `found`; bars link to `anchor`, its row in the
    ingest table.
    """
    body_in, left_in = WORKER_IN * measured.worker_count, 0.85
    drawing = new_drawing(gantt_text(found), body_in=body_in, left_in=left_in)
    axes = drawing.figure.add_subplot()
    clips = pd.DataFrame(
        {
            "clip": range(len(measured.clips)),
            "worker": measured.worker_index,
            "start": np.array(measured.start_ns) / NS_PER_S,
            "encoded": np.array(measured.encoded_ns) / NS_PER_S,
            "done": np.array(measured.end_ns) / NS_PER_S,
        }
    )
    bar = {"color": LIGHT["leader"], "linewidth": 72 * BAR_IN, "artist_kws": {"capstyle": "butt"}}
    (
        plot(clips, y="worker", group="clip")
        .add(so.Range(alpha=0.55, **bar), xmin="start", xmax="encoded", orient="y")
        .add(so.Range(alpha=0.22, **bar), xmin="encoded", xmax="done", orient="y")
        .on(axes)
        .plot()
    )
    whole_s = clips["done"].max()
    axes.set(xlim=(0, whole_s * 1.01), ylim=(measured.worker_count - 0.5, -0.5))
    workers = range(measured.worker_count)
    axes.set_yticks(workers, [worker_label(index) for index in workers])
    axes.set(xlabel=SECONDS_LABEL, ylabel="")
    axes.grid(True, axis="x")
    height = BAR_IN / WORKER_IN
    for index, clip in enumerate(clips.itertuples()):
        low, share = clip.worker - height / 2, (clip.done - clip.start) / whole_s
        axes.vlines(clip.start, low, low + height, color=LIGHT["paper"], linewidth=1)
        room = characters(share * (WIDTH_IN - left_in - MARGIN_IN), SMALL_PT) - 1
        if room >= _LEAST_NAME:
            axes.text(
                clip.start + 0.006 * whole_s,
                clip.worker,
                shown_name(measured.clips[index], limit=room),
                va="center",
                fontsize=SMALL_PT,
                clip_on=True,
            )
        times_s = (clip.start, clip.encoded, clip.done)
        url = drawing.url(anchor, clip_words(found, measured, index, times_s))
        add_area_mark(axes, (clip.start, low), clip.done - clip.start, height, url)
    return drawing

"""Figures of the fidelity task: generations, the chart, the worst frame."""

import base64
import io
from collections.abc import Mapping
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.ticker import MaxNLocator

from mezzmark.decide.picture.diagnosis import Diagnosis
from mezzmark.decide.picture.fidelity import EncodingFidelity, generation_psnr
from mezzmark.model.tasks.fidelity import ChartMeasurement, WorstFrame
from mezzmark.report.figures.marks import add_area_mark, mark_url, mark_words
from mezzmark.report.figures.theme import Margins, Shape, colour, new_axes
from mezzmark.report.prose.numbers import count_text, number_text, shown_name

ONCE = "1 round, the same comes every time"
"""Fidelity is judged, not timed: one trial of each clip is enough."""


def generation_words(
    entry: EncodingFidelity, generation_index: int, *, confidence_level: float
) -> str:
    """The mean PSNR of one generation (from 0), its interval over clips, and the counts."""
    estimate = generation_psnr(entry, generation_index, confidence_level=confidence_level)
    what = f"PSNR after {count_text(generation_index + 1, 'generation')}"
    return mark_words(entry.encoding, what, estimate, samples="clip")


def rate_words(entry: EncodingFidelity, *, confidence_level: float) -> str:
    """PSNR of generation 1 as in `generation_words`, with the bit rate."""
    words = generation_words(entry, 0, confidence_level=confidence_level)
    return f"{words}; bit rate {number_text(entry.bitrate_bps / 1e6)} Mbit/s"


def chart_words(name: str, measurement: ChartMeasurement, diagnosis: Diagnosis) -> str:
    """What became of the chart, as ΔE2000 over its patches."""
    return (
        f"{shown_name(name)}, test chart: {diagnosis.words}; "
        f"ΔE {diagnosis.delta_e:.1f} at the 90th percentile, largest "
        f"{diagnosis.worst_delta_e:.1f} ({diagnosis.worst_patch}); "
        f"{len(measurement.patches)} patches; {ONCE}"
    )


def worst_frame_words(entry: EncodingFidelity) -> str:
    """The lowest PSNR of a single frame, and among how many."""
    psnr = entry.estimates["psnr"]
    frames = sum(clip.measurement.frame_count for clip in entry.clips)
    return (
        f"{shown_name(entry.encoding)}, worst frame of {shown_name(psnr.worst_clip)}: "
        f"PSNR {number_text(psnr.worst)} {psnr.unit}; one frame has no interval; the lowest of "
        f"{count_text(frames, 'frame')} of {count_text(len(entry.clips), 'clip')}; {ONCE}"
    )


AMPLIFICATION: Final = 8
"""Differences are shown so many times as large, around mid grey."""

CHART_COLUMNS: Final = 21
LINE_STYLES: Final = ("-", "--", ":", "-.")
MARKERS: Final = ("o", "s", "^", "D", "v", "P", "X")


def draw_generations(
    judged: tuple[EncodingFidelity, ...],
    shape: Shape,
    *,
    anchors: Mapping[str, str],
    confidence_level: float,
) -> Figure:
    """Mean PSNR of each encoding by generation; bit-exact ones stay where they began.

    Marks link to `anchors`, the row of each encoding in the quality table.
    """
    lines = [e for e in judged if any(v is not None for v in e.by_generation_db)]
    figure, axes = new_axes(
        shape,
        title="What is left after several generations",
        subtitle="PSNR against the clip itself, mean of frames and clips; higher is nearer to it",
        body_in=3.4 if shape == "wide" else 3.0,
        margins=Margins(left=0.7, right=1.9 if shape == "wide" else 1.2, top=0.1, bottom=0.55),
    )
    for place, entry in enumerate(lines):
        _draw_generations_of(axes, place, entry, anchors[entry.encoding], confidence_level)
    _label_ends(axes, lines, shape)
    axes.set_xlabel("generation", color=colour("ink"))
    axes.set_ylabel("PSNR, dB", color=colour("ink"))
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.grid(True, color=colour("grid"), linewidth=0.7)
    return figure


def _draw_generations_of(
    axes: Axes, place: int, entry: EncodingFidelity, anchor: str, confidence_level: float
) -> None:
    """One encoding's line, and on it a mark for each generation that differs."""
    values = entry.by_generation_db
    axes.plot(
        range(1, len(values) + 1),
        [np.nan if value is None else value for value in values],
        color=colour("rest"),
        linestyle=LINE_STYLES[place % len(LINE_STYLES)],
        linewidth=1.2,
    )
    for index, value in enumerate(values):
        if value is None:
            continue
        words = generation_words(entry, index, confidence_level=confidence_level)
        axes.plot(
            [index + 1],
            [value],
            color=colour("rest"),
            marker=MARKERS[place % len(MARKERS)],
            markersize=4,
            linestyle="none",
            url=mark_url(anchor, words),
        )


def _label_ends(axes: Axes, lines: list[EncodingFidelity], shape: Shape) -> None:
    """Names beside the last points, pushed apart where they would touch."""
    ends = sorted(
        (values[-1], len(values), entry.encoding)
        for entry in lines
        if (values := [v for v in entry.by_generation_db if v is not None])
    )
    if not ends:
        return
    low, high = axes.get_ylim()
    gap = (high - low) * 0.055
    y = -np.inf
    for value, steps, name in ends:
        y = max(value, y + gap)
        axes.annotate(
            shown_name(name, limit=26 if shape == "wide" else 14),
            xy=(steps, value),
            xytext=(steps + 0.12, y),
            va="center",
            color=colour("ink"),
            annotation_clip=False,
        )


def draw_chart_change(
    name: str, measurement: ChartMeasurement, diagnosis: Diagnosis, shape: Shape, *, anchor: str
) -> Figure:
    """The chart's patches before, after, and their difference made larger; the whole links to
    `anchor`."""
    figure, axes = new_axes(
        shape,
        title=f"{shown_name(name)}: {diagnosis.words}",
        subtitle="patches of the test chart as a viewer shows them before and after, and their "
        f"difference {AMPLIFICATION} times as large around grey",
        body_in=3.0 if shape == "wide" else 2.4,
        margins=Margins(left=0.85, right=0.1, top=0.05, bottom=0.1),
    )
    stack, rows = _stacked_patches(measurement)
    axes.imshow(stack, aspect="auto", interpolation="none")
    _mark_image(axes, stack, mark_url(anchor, chart_words(name, measurement, diagnosis)))
    axes.set_yticks(
        [rows / 2 - 0.5, rows * 1.5 + 0.5, rows * 2.5 + 1.5], ["before", "after", "difference"]
    )
    axes.set_xticks([])
    axes.tick_params(length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)
    return figure


def _stacked_patches(measurement: ChartMeasurement) -> tuple[np.ndarray, int]:
    """Patches before, after, and their difference, one above the other with clear gaps (red,
    green, blue, opacity from 0 to 1), and how many rows of patches each of the three has."""
    before, after = (
        _patch_rows([getattr(patch, key) for patch in measurement.patches])
        for key in ("entered_rgb", "shown_rgb")
    )
    difference = np.clip(127.5 + AMPLIFICATION * (after - before), 0, 255)
    gap = np.full((1, CHART_COLUMNS, 3), np.nan)
    stack = np.concatenate([before, gap, after, gap, difference]) / 255
    alpha = (~np.isnan(stack[..., :1])).astype(float)
    return np.concatenate([np.nan_to_num(stack), alpha], axis=2), before.shape[0]


def _mark_image(axes: Axes, image: np.ndarray, url: str) -> None:
    """One mark over a whole image."""
    height, width = image.shape[:2]
    add_area_mark(axes, (-0.5, -0.5), width, height, url)


def _patch_rows(values: list[tuple[float, float, float]]) -> np.ndarray:
    """Patches in rows of the chart's width; the last row is filled with its own last patch."""
    missing = -len(values) % CHART_COLUMNS
    filled = np.array(values + values[-1:] * missing, dtype=np.float64)
    return filled.reshape(-1, CHART_COLUMNS, 3)


def draw_worst_frame(
    entry: EncodingFidelity, worst: WorstFrame, shape: Shape, *, anchor: str
) -> Figure:
    """The worst part of the worst frame, before and after, and the difference made larger; the
    whole links to `anchor`."""
    before, after = (_decoded(text) for text in (worst.before_png, worst.after_png))
    difference = np.clip(0.5 + AMPLIFICATION * (after - before), 0, 1)
    across = shape == "wide"
    clip = shown_name(entry.estimates["psnr"].worst_clip)
    figure, axes = new_axes(
        shape,
        title=f"{shown_name(entry.encoding)}: the worst part of the worst frame",
        subtitle=f"frame {worst.frame_index} of {clip} at {worst.left_px}, "
        f"{worst.top_px}; before, after, and the difference {AMPLIFICATION} times as large",
        body_in=1.7 if across else 6.4,
        margins=Margins(left=0.1, right=0.1, top=0.05, bottom=0.1),
    )
    axis = 1 if across else 0
    edge = np.ones((before.shape[0], 4, 3)) if across else np.ones((4, before.shape[1], 3))
    image = np.concatenate([before, edge, after, edge, difference], axis=axis)
    axes.imshow(image, interpolation="nearest", aspect="equal")
    _mark_image(axes, image, mark_url(anchor, worst_frame_words(entry)))
    axes.set_axis_off()
    return figure


def _decoded(text: str) -> np.ndarray:
    return np.asarray(imread(io.BytesIO(base64.b64decode(text)), format="png"))[..., :3]

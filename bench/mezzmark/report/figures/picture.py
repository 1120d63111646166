"""What encoding does to the picture: generations, the test chart, the worst frame."""

import base64
import io
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd
import seaborn.objects as so
from matplotlib.axes import Axes
from matplotlib.image import imread
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from mezzmark.decide.picture.diagnosis import Diagnosis
from mezzmark.decide.picture.fidelity import EncodingFidelity
from mezzmark.model.tasks.fidelity import ChartMeasurement, WorstFrame
from mezzmark.report.figures.drawing import (
    Drawing,
    Mark,
    add_area_mark,
    at,
    draw_marks,
    new_drawing,
)
from mezzmark.report.figures.theme import INNER_IN, LIGHT, SMALL_PT, characters, plot
from mezzmark.report.prose import figures as labels
from mezzmark.report.prose import picture as prose
from mezzmark.report.prose.numbers import shown_name

CHART_COLUMNS: Final = 21
NAMES_IN: Final = 1.6  # room for names to the right of lines
NAME_IN: Final = 0.2  # height of a name


def draw_generations(judged: Sequence[EncodingFidelity], *, anchors: Mapping[str, str]) -> Drawing:
    """Mean PSNR of each encoding by generation. Marks link to `anchors`, by encoding."""
    text = prose.generations_text(judged)
    body_in = max(3.6, NAME_IN * len(judged))
    drawing = new_drawing(text, body_in=body_in, left_in=0.65, right_in=NAMES_IN)
    axes = drawing.figure.add_subplot()
    found = [
        (entry, index, value)
        for entry in judged
        for index, value in enumerate(entry.by_generation_db)
        if value is not None
    ]
    frame = pd.DataFrame(
        [(entry.encoding, index + 1, value) for entry, index, value in found],
        columns=["encoding", "generation", "psnr_db"],
    )
    line = so.Line(color=LIGHT["other"], linewidth=1.2)
    drawn = plot(frame, x="generation", y="psnr_db", linestyle="encoding")
    drawn.add(line, legend=False).on(axes).plot()
    marks = []
    for entry, index, value in found:
        link = (anchors[entry.encoding], prose.generation_words(entry, index))
        marks.append(Mark(x=at(index + 1), y=at(value), colour="other", link=link, size_pt=4.5))
    draw_marks(drawing, marks)
    axes.set(xlabel=labels.GENERATION_LABEL, ylabel=labels.PSNR_LABEL)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.grid(True)
    _label_ends(axes, frame, gap=NAME_IN / body_in)
    return drawing


def _label_ends(axes: Axes, frame: pd.DataFrame, *, gap: float) -> None:
    """Names beside the last points, `gap` of the axis apart at least."""
    low, high = axes.get_ylim()
    y = -np.inf
    last = frame.groupby("encoding", sort=False).last().sort_values("psnr_db")
    for name, generation, value in last.itertuples():
        y = max(value, y + gap * (high - low))
        axes.annotate(
            shown_name(name, limit=characters(NAMES_IN, SMALL_PT) - 3),
            xy=(generation, value),
            xytext=(generation + 0.12, y),
            va="center",
            fontsize=SMALL_PT,
            annotation_clip=False,
        )


def draw_chart(
    name: str, measurement: ChartMeasurement, diagnosis: Diagnosis, *, anchor: str
) -> Drawing:
    """The chart's patches before, after, and their difference made larger, linked to `anchor`."""
    drawing = new_drawing(
        prose.chart_text(name, diagnosis), body_in=2.6, left_in=0.9, bottom_in=0.1
    )
    before, after = (
        _patch_rows([getattr(patch, key) for patch in measurement.patches])
        for key in ("entered_rgb", "shown_rgb")
    )
    difference = np.clip(127.5 + prose.AMPLIFICATION * (after - before), 0, 255)
    image = _side_by_side([part / 255 for part in (before, after, difference)], axis=0, gap_px=1)
    axes = _show(drawing, image, anchor, prose.chart_words(name, measurement, diagnosis))
    middles = [(len(before) + 1) * part + len(before) / 2 - 0.5 for part in range(3)]
    axes.set_yticks(middles, labels.CHANGE_LABELS)
    return drawing


def _patch_rows(values: list[tuple[float, float, float]]) -> NDArray[np.float64]:
    """Patches in rows of the chart's width; the last row is filled with its own last patch."""
    missing = -len(values) % CHART_COLUMNS
    filled = np.array(values + values[-1:] * missing, dtype=np.float64)
    return filled.reshape(-1, CHART_COLUMNS, 3)


def _side_by_side(
    parts: Sequence[NDArray[np.float64]], *, axis: int, gap_px: int
) -> NDArray[np.float64]:
    """Pictures of one size (red, green, blue, each from 0 to 1) with clear gaps between them."""
    height, width, _ = parts[0].shape
    opaque = [np.concatenate([part, np.ones((height, width, 1))], axis=2) for part in parts]
    gap = np.zeros((gap_px, width, 4) if axis == 0 else (height, gap_px, 4))
    return np.concatenate([opaque[0], gap, opaque[1], gap, opaque[2]], axis=axis)


def _show(drawing: Drawing, image: NDArray[np.float64], anchor: str, words: str) -> Axes:
    """An image that fills the drawing's axes, with one mark over the whole of it."""
    axes = drawing.figure.add_subplot()
    axes.imshow(image, interpolation="none", aspect="auto")
    axes.set(xticks=[], yticks=[])
    axes.tick_params(length=0)
    axes.spines["bottom"].set_visible(False)
    height, width = image.shape[:2]
    add_area_mark(axes, (-0.5, -0.5), width, height, drawing.url(anchor, words))
    return axes


Crops = tuple[NDArray[np.float64], NDArray[np.float64]]
"""Before and after: of one size, red, green and blue, each from 0 to 1."""


def read_crops(worst: WorstFrame) -> Crops | None:
    """Both crops; None where they are no two pictures of one size that a crop can have."""
    before, after = (_decoded(text) for text in (worst.before_png, worst.after_png))
    if before is None or after is None or before.shape != after.shape:
        return None
    return before, after


def draw_worst_frame(
    entry: EncodingFidelity, worst: WorstFrame, crops: Crops, *, anchor: str
) -> Drawing:
    """The worst part of the worst frame, before, after, and their difference; one link."""
    before, after = crops
    difference = np.clip(0.5 + prose.AMPLIFICATION * (after - before), 0, 1)
    image = _side_by_side([before, after, difference], axis=1, gap_px=4)
    body_in = INNER_IN * image.shape[0] / image.shape[1]
    drawing = new_drawing(prose.worst_frame_text(entry, worst), body_in=body_in, bottom_in=0.3)
    axes = _show(drawing, image, anchor, prose.worst_frame_words(entry))
    width = before.shape[1]
    axes.set_xticks([(width + 4) * part + width / 2 for part in range(3)], labels.CHANGE_LABELS)
    return drawing


_MOST_CROP_PX: Final = 1024
"""A side of a crop at most, six times what is cut; a small file can claim one beyond memory."""

_SIDES_AT: Final = (slice(16, 20), slice(20, 24))
"""Width and height in the first chunk of a PNG file (ISO/IEC 15948, 11.2.2)."""


def _decoded(text: str) -> NDArray[np.float64] | None:
    """The picture, or None where the text is none of three colours and a crop's size."""
    try:
        png = base64.b64decode(text)
        if max(int.from_bytes(png[side]) for side in _SIDES_AT) > _MOST_CROP_PX:
            return None
        image = np.asarray(imread(io.BytesIO(png), format="png"))
    except Exception:  # a decoder raises what it likes
        return None
    return image[..., :3] if image.ndim == 3 and image.shape[2] >= 3 else None

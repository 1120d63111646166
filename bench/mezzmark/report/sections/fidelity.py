"""The fidelity section: what each encoding does to the picture, its colours and its tags."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

from mezzmark.decide.picture.diagnosis import INVISIBLE_DELTA_E, Diagnosis
from mezzmark.decide.picture.fidelity import EncodingFidelity
from mezzmark.decide.picture.ladders import compare_ladders
from mezzmark.model.tasks.fidelity import ChartMeasurement
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.marks import Drawing
from mezzmark.report.figures.picture import draw_chart, draw_generations, draw_worst_frame
from mezzmark.report.figures.scatter import draw_quality
from mezzmark.report.prose.picture import encoding_sentence
from mezzmark.report.tables.picture import ladder_table, quality_table, tag_table
from mezzmark.report.tables.table import Table, filled
from mezzmark.report.view import RunView

CHARTS_SHOWN: Final = 3
"""Charts with a visible change that get a figure; the table has all."""


def fidelity_pictures(
    judged: tuple[EncodingFidelity, ...],
    *,
    prefix: str,
    anchors: Mapping[str, str],
    confidence_level: float,
) -> tuple[Picture, ...]:
    """All figures of the section. Marks link to `anchors`, by encoding."""
    links: dict[str, Any] = {"anchors": anchors, "confidence_level": confidence_level}
    plans: list[tuple[str, Callable[[], Drawing]]] = []
    if any(len(e.by_generation_db) > 1 and any(e.by_generation_db) for e in judged):
        plans.append(("generations", partial(draw_generations, judged, **links)))
    lossy = [e for e in judged if "psnr" in e.estimates and not e.is_bit_exact]
    if lossy:
        plans.append(("quality-against-rate", partial(draw_quality, judged, **links)))
    for place, (name, chart, diagnosis) in enumerate(_charts(judged)):
        draw = partial(draw_chart, name, chart, diagnosis, anchor=anchors[name])
        plans.append((f"chart-{place + 1}", draw))
    if lossy:
        entry = min(lossy, key=lambda e: e.estimates["psnr"].worst)
        clip = next(c for c in entry.clips if c.clip == entry.estimates["psnr"].worst_clip)
        worst = clip.measurement.worst_frame
        if worst is not None:
            draw = partial(draw_worst_frame, entry, worst, anchor=anchors[entry.encoding])
            plans.append(("worst-frame", draw))
    return tuple(make_picture("fidelity", f"{prefix}{stem}", draw) for stem, draw in plans)


def _charts(
    judged: tuple[EncodingFidelity, ...],
) -> list[tuple[str, ChartMeasurement, Diagnosis]]:
    """The charts that changed most, at least one, so that a reader sees what "none" looks like."""
    found = [
        (entry.encoding, clip.measurement.chart, clip.diagnosis)
        for entry in judged
        for clip in entry.clips
        if clip.diagnosis is not None
        and clip.diagnosis is entry.worst_chart
        and clip.measurement.chart is not None
    ]
    found.sort(key=lambda item: -item[2].delta_e)
    visible = [item for item in found if item[2].delta_e >= INVISIBLE_DELTA_E]
    return (visible or found)[:CHARTS_SHOWN]


@dataclass(frozen=True, slots=True, kw_only=True)
class FidelitySection:
    """One sentence per encoding, tables, and figures of the kind `fidelity`."""

    sentences: tuple[str, ...]
    tables: tuple[Table, ...]
    pictures: tuple[Picture, ...]


def build_fidelity_section(view: RunView, *, prefix: str) -> FidelitySection | None:
    """The section of a run, or None where nothing was judged."""
    judged = view.fidelity
    if not judged:
        return None
    ladders = compare_ladders(judged, view.manifest.encodings)
    quality = quality_table(judged, table_id=f"{prefix}quality")
    tables = (
        quality,
        tag_table(judged, table_id=f"{prefix}tags"),
        ladder_table(ladders, table_id=f"{prefix}ladders"),
    )
    return FidelitySection(
        sentences=tuple(encoding_sentence(entry) for entry in judged),
        tables=filled(*tables),
        pictures=fidelity_pictures(
            judged,
            prefix=prefix,
            anchors=dict(zip((e.encoding for e in judged), quality.anchors, strict=True)),
            confidence_level=view.confidence_level,
        ),
    )

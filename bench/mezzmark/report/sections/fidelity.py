"""The fidelity section: what each encoding does to the picture, its colours and its tags."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Final

from mezzmark.decide.picture.diagnosis import INVISIBLE_DELTA_E, Diagnosis
from mezzmark.decide.picture.fidelity import EncodingFidelity
from mezzmark.model.tasks.fidelity import ChartMeasurement
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.marks import Drawing
from mezzmark.report.figures.picture import draw_chart, draw_generations, draw_worst_frame
from mezzmark.report.figures.scatter import draw_quality
from mezzmark.report.sections.parts import Section
from mezzmark.report.tables.picture import ladder_table, quality_table, tag_table
from mezzmark.report.tables.table import filled
from mezzmark.report.view import RunView

CHARTS_SHOWN: Final = 3
"""Charts with a visible change that get a figure; the table has all."""


def fidelity_pictures(
    judged: tuple[EncodingFidelity, ...], *, prefix: str, anchors: Mapping[str, str]
) -> tuple[Picture, ...]:
    """All figures of the section. Marks link to `anchors`, by encoding."""
    plans: dict[str, Callable[[], Drawing]] = {}
    if any(len(e.by_generation_db) > 1 and any(e.by_generation_db) for e in judged):
        plans["generations"] = partial(draw_generations, judged, anchors=anchors)
    lossy = [e for e in judged if "psnr" in e.estimates and not e.is_bit_exact]
    if lossy:
        plans["quality-against-rate"] = partial(draw_quality, judged, anchors=anchors)
    for number, (name, chart, diagnosis) in enumerate(_charts(judged), start=1):
        draw = partial(draw_chart, name, chart, diagnosis, anchor=anchors[name])
        plans[f"chart-{number}"] = draw
    if lossy:
        entry = min(lossy, key=lambda e: e.estimates["psnr"].worst)
        clip = next(c for c in entry.clips if c.clip == entry.estimates["psnr"].worst_clip)
        if worst := clip.measurement.worst_frame:
            anchor = anchors[entry.encoding]
            plans["worst-frame"] = partial(draw_worst_frame, entry, worst, anchor=anchor)
    return tuple(make_picture(f"{prefix}{stem}", draw) for stem, draw in plans.items())


def _charts(
    judged: tuple[EncodingFidelity, ...],
) -> list[tuple[str, ChartMeasurement, Diagnosis]]:
    """The charts that changed most, or else one, so that a reader sees what "none" looks like."""
    found = [
        (entry.encoding, clip.chart, clip.diagnosis)
        for entry in judged
        for clip in entry.clips
        if clip.diagnosis is not None
        and clip.diagnosis is entry.worst_chart
        and clip.chart is not None
    ]
    found.sort(key=lambda item: -item[2].severity)
    visible = [item for item in found if item[2].severity >= INVISIBLE_DELTA_E]
    return visible[:CHARTS_SHOWN] or found[:1]


def fidelity_section(view: RunView) -> Section:
    """What each encoding kept, and a tab for each further view; empty where nothing was judged."""
    start = Section(anchor="fidelity", title="What happens to the picture?", nav="Picture")
    if not view.fidelity:
        return start
    quality = quality_table(view)
    pictures = fidelity_pictures(view.fidelity, prefix=view.prefix, anchors=quality.links)
    tables = filled(tag_table(view), ladder_table(view))
    return replace(
        start,
        tables=(quality,),
        tabs=(
            *(Section(anchor=p.file_stem, title=p.title, pictures=(p,)) for p in pictures),
            *(Section(anchor=t.table_id, title=t.title, tables=(t,)) for t in tables),
        ),
    )

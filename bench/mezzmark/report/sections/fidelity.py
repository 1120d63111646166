"""The fidelity section: what each encoding does to the picture, its colours and its tags."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Final

from matplotlib.figure import Figure

from mezzmark.decide.picture.diagnosis import INVISIBLE_DELTA_E
from mezzmark.decide.picture.fidelity import (
    CLIPS_FOR_INTERVAL,
    EncodingFidelity,
    compare_ladders,
)
from mezzmark.report.figures.fidelity import (
    draw_chart_change,
    draw_generations,
    draw_worst_frame,
)
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.quality import draw_quality_and_rate
from mezzmark.report.figures.theme import Shape, own_look
from mezzmark.report.prose.numbers import count_text, shown_name
from mezzmark.report.tables.picture import colour_words, ladder_table, quality_table, tag_table
from mezzmark.report.tables.table import Table, filled
from mezzmark.report.view import RunView

CHARTS_SHOWN: Final = 3
"""Charts with a visible change that get a figure; the table has all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigurePlan:
    """A figure still to be drawn."""

    file_stem: str
    title: str
    caption: str
    alt: str
    draw: Callable[[Shape], Figure]


def fidelity_pictures(
    judged: tuple[EncodingFidelity, ...],
    *,
    prefix: str,
    anchors: Mapping[str, str],
    confidence_level: float,
) -> tuple[Picture, ...]:
    """All figures of the section, drawn. Marks link to `anchors`, by encoding."""
    with own_look():
        return tuple(
            make_picture("fidelity", plan.file_stem, plan.title, plan.caption, plan.alt, plan.draw)
            for plan in _figures(judged, prefix, anchors, confidence_level)
        )


def _figures(
    judged: tuple[EncodingFidelity, ...],
    prefix: str,
    anchors: Mapping[str, str],
    confidence_level: float,
) -> Iterator[FigurePlan]:
    """The section's figures in order."""
    if any(len(e.by_generation_db) > 1 and any(e.by_generation_db) for e in judged):
        yield FigurePlan(
            file_stem=f"{prefix}generations",
            title="Generations",
            caption="Each generation is decoded and encoded again by the same encoding. "
            f"{_counts(judged)}{_without_bars(judged)}",
            alt="; ".join(_generation_alt(entry) for entry in judged) + ".",
            draw=partial(
                draw_generations, judged, anchors=anchors, confidence_level=confidence_level
            ),
        )
    if any("psnr" in e.estimates and not e.is_bit_exact for e in judged):
        yield FigurePlan(
            file_stem=f"{prefix}quality-against-rate",
            title="Quality against bit rate",
            caption="PSNR says how large the error is, not how it looks; see the worst frames. "
            f"{_counts(judged)}{_bars(judged)}",
            alt="The quality table holds both numbers of every encoding.",
            draw=partial(
                draw_quality_and_rate, judged, anchors=anchors, confidence_level=confidence_level
            ),
        )
    yield from _chart_figures(judged, prefix, anchors)
    yield from _worst_figures(judged, prefix, anchors)


def _counts(judged: tuple[EncodingFidelity, ...]) -> str:
    """What a point is the mean of."""
    clips = max(len(entry.clips) for entry in judged)
    frames = max(c.measurement.frame_count for entry in judged for c in entry.clips)
    text = f"{count_text(clips, 'clip')} of up to {count_text(frames, 'frame')}, judged once: the "
    return f"{text}same comes every time. "


def _bars(judged: tuple[EncodingFidelity, ...]) -> str:
    """What the bars are, or why there are none."""
    level = _interval_level(judged)
    if level is None:
        return f"No intervals: they take {CLIPS_FOR_INTERVAL} clips."
    return f"Bars: {level * 100:g} % intervals over clips."


def _without_bars(judged: tuple[EncodingFidelity, ...]) -> str:
    """Where to find the intervals of lines whose bars would hide each other."""
    level = _interval_level(judged)
    if level is None:
        return _bars(judged)
    return (
        f"Without bars, which would hide each other: the marks tell the {level * 100:g} % "
        "intervals over clips, the table those of generation 1."
    )


def _interval_level(judged: tuple[EncodingFidelity, ...]) -> float | None:
    """The level of the intervals over clips; None where no figure has one."""
    known = [q for entry in judged for q in entry.estimates.values() if q.low is not None]
    return known[0].confidence_level if known else None


def _generation_alt(entry: EncodingFidelity) -> str:
    values = ", ".join("no loss" if v is None else f"{v:.1f} dB" for v in entry.by_generation_db)
    return f"{shown_name(entry.encoding)}: {values}"


def _chart_figures(
    judged: tuple[EncodingFidelity, ...], prefix: str, anchors: Mapping[str, str]
) -> Iterator[FigurePlan]:
    """The charts that changed most, at least one, so that a reader sees what "none" looks like."""
    found = [
        (clip.diagnosis, clip.measurement.chart, entry.encoding)
        for entry in judged
        for clip in entry.clips
        if clip.diagnosis is entry.worst_chart and clip.measurement.chart is not None
    ]
    found.sort(key=lambda item: -item[0].delta_e if item[0] else 0.0)
    visible = [item for item in found if item[0] and item[0].delta_e >= INVISIBLE_DELTA_E]
    for place, (diagnosis, chart, name) in enumerate((visible or found)[:CHARTS_SHOWN]):
        if diagnosis is None or chart is None:
            continue
        yield FigurePlan(
            file_stem=f"{prefix}chart-{place + 1}",
            title=f"The chart through {shown_name(name)}",
            caption="A difference of plain grey means no change.",
            alt=diagnosis.words,
            draw=partial(draw_chart_change, name, chart, diagnosis, anchor=anchors[name]),
        )


def _worst_figures(
    judged: tuple[EncodingFidelity, ...], prefix: str, anchors: Mapping[str, str]
) -> Iterator[FigurePlan]:
    """The worst frame of the encoding with the lowest one."""
    lossy = [e for e in judged if not e.is_bit_exact and "psnr" in e.estimates]
    if not lossy:
        return
    entry = min(lossy, key=lambda e: e.estimates["psnr"].worst)
    clip = next(c for c in entry.clips if c.clip == entry.estimates["psnr"].worst_clip)
    worst = clip.measurement.worst_frame
    if worst is None:
        return
    yield FigurePlan(
        file_stem=f"{prefix}worst-frame",
        title="The worst frame",
        caption="Of all encodings this one has the frame with the largest error.",
        alt=f"Frame {worst.frame_index} of {shown_name(clip.clip)} through "
        f"{shown_name(entry.encoding)}: before, after, difference.",
        draw=partial(draw_worst_frame, entry, worst, anchor=anchors[entry.encoding]),
    )


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


def encoding_sentence(entry: EncodingFidelity) -> str:
    """One encoding in one sentence for a reader who is no engineer."""
    name = shown_name(entry.encoding)
    if entry.is_bit_exact:
        quality = "comes back bit-exact"
    else:
        psnr = entry.estimates.get("psnr")
        quality = "changes the picture" + (
            f" (PSNR {psnr.point:.1f} dB, worst frame {psnr.worst:.1f} dB)" if psnr else ""
        )
    return f"{name} {quality}; colours: {colour_words(entry)}"

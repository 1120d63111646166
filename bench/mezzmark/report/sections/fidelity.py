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
    QualityEstimate,
    RateComparison,
    compare_ladders,
)
from mezzmark.model.tasks.fidelity import METRICS, QualityMetric
from mezzmark.report.figures.fidelity import (
    draw_chart_change,
    draw_generations,
    draw_worst_frame,
)
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.quality import draw_quality_and_rate
from mezzmark.report.figures.theme import Shape, own_look
from mezzmark.report.prose.numbers import count_text, sentence, shown_name
from mezzmark.report.prose.picture import consequence_words, tag_verdicts
from mezzmark.report.tables.table import DASH, Entry, Table
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


QUALITY_NOTE: Final = (
    "Of generation 1, against the clip's own frames in its own bit depth and chroma. PSNR counts "
    "all samples of all planes alike; mean of frames, then of clips. ΔE is CIEDE2000 on a "
    "BT.1886 display, at the 90th percentile of the chart's patches; below 1 it is not seen."
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
    tables = (
        _quality_table(judged, table_id=f"{prefix}quality"),
        _tag_table(judged, table_id=f"{prefix}tags"),
        _ladder_table(ladders, table_id=f"{prefix}ladders") if ladders else None,
    )
    return FidelitySection(
        sentences=tuple(encoding_sentence(entry) for entry in judged),
        tables=tuple(table for table in tables if table is not None),
        pictures=fidelity_pictures(
            judged,
            prefix=prefix,
            anchors={e.encoding: f"{prefix}quality-{place}" for place, e in enumerate(judged)},
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
    chart = entry.worst_chart
    colours = chart.words if chart else _not_sent(entry)
    return sentence(f"{name} {quality}; colours: {colours}")


def _quality_table(judged: tuple[EncodingFidelity, ...], *, table_id: str) -> Table:
    rows = tuple(_quality_row(entry) for entry in judged)
    clip_count = max(len(entry.clips) for entry in judged)
    note = QUALITY_NOTE
    if clip_count < CLIPS_FOR_INTERVAL:
        missing = CLIPS_FOR_INTERVAL - clip_count
        note += f" No intervals: they take {count_text(missing, 'clip')} more."
    return Table(
        table_id=table_id,
        title="Picture quality and colour",
        note=note,
        columns=(
            "encoding",
            "came back",
            *(heading for metric in METRICS.values() for heading in _headings(metric)),
            "last generation, dB",
            "bit rate, Mbit/s",
            "colours",
            "largest ΔE",
        ),
        rows=rows,
        anchors=tuple(f"{table_id}-{place}" for place in range(len(rows))),
        texts=(0, 1, 4 + sum(len(metric.figures) for metric in METRICS.values())),
    )


def _headings(metric: QualityMetric) -> list[str]:
    """The mean, and the worst frame where it can be asked for."""
    names = [metric.label, "worst frame"][: len(metric.figures)]
    return [f"{name}, {metric.unit}" if metric.unit else name for name in names]


def _metric_entries(name: str, entry: EncodingFidelity) -> list[Entry]:
    """What stands under `_headings`."""
    metric, estimate = METRICS[name], entry.estimates.get(name)
    style = f"{{:.{metric.decimals}f}}"
    worst = Entry(text=DASH)
    if estimate is not None and not entry.is_bit_exact:
        worst = Entry(text=style.format(estimate.worst), sort=estimate.worst)
    return [_figure(estimate, entry, style), worst][: len(metric.figures)]


def _quality_row(entry: EncodingFidelity) -> tuple[Entry, ...]:
    last = entry.by_generation_db[-1] if len(entry.by_generation_db) > 1 else None
    chart, patch = entry.worst_chart, entry.worst_patch
    exact = "bit-exact"
    return (
        Entry(text=shown_name(entry.encoding), sort=entry.encoding),
        Entry(text=exact if entry.is_bit_exact else "changed", sort=int(not entry.is_bit_exact)),
        *(text for name in METRICS for text in _metric_entries(name, entry)),
        Entry(text=_last_words(entry, last), sort=last),
        Entry(text=f"{entry.bitrate_bps / 1e6:.1f}", sort=entry.bitrate_bps),
        Entry(
            text=chart.words if chart else _not_sent(entry),
            sort=chart.delta_e if chart else None,
            sign="wrong" if chart and chart.delta_e >= INVISIBLE_DELTA_E else "",
        ),
        Entry(
            text=f"{patch.worst_delta_e:.1f} ({patch.worst_patch})" if patch else DASH,
            sort=patch.worst_delta_e if patch else None,
        ),
    )


def _not_sent(entry: EncodingFidelity) -> str:
    """Why nothing is known about colours."""
    reason = f" ({entry.chart_refusal})" if entry.chart_refusal else ""
    return f"not judged: the chart could not be sent through{reason}"


def _last_words(entry: EncodingFidelity, last: float | None) -> str:
    finals = [clip.generations[-1] for clip in entry.clips]
    if len(entry.by_generation_db) > 1 and all(final.is_bit_exact for final in finals):
        return "bit-exact"
    return DASH if last is None else f"{last:.1f}"


def _figure(estimate: QualityEstimate | None, entry: EncodingFidelity, style: str) -> Entry:
    """A figure with its interval. For a bit-exact encoding a finite one is what converting to its
    pixel format and back costs, and says so."""
    if estimate is None:
        return Entry(text="identical" if entry.is_bit_exact else DASH)
    text = style.format(estimate.point)
    if estimate.low is not None and estimate.high is not None:
        text += f" [{style.format(estimate.low)}, {style.format(estimate.high)}]"
    if entry.is_bit_exact:
        text += " (conversion alone)"
    return Entry(text=text, sort=estimate.point)


def _tag_table(judged: tuple[EncodingFidelity, ...], *, table_id: str) -> Table | None:
    survivals = [entry.tags for entry in judged if entry.tags is not None]
    if not survivals:
        return None
    names = tuple(verdict.tag for verdict in tag_verdicts(survivals[0]))
    rows = []
    for survival in survivals:
        verdicts = tag_verdicts(survival)
        rows.append(
            (
                Entry(
                    text=f"{shown_name(survival.encoding)} in {survival.container}",
                    sort=survival.encoding,
                ),
                *(
                    Entry(
                        text=" ".join(filter(None, (v.state, v.detail))),
                        sort=v.state,
                        sign="wrong" if v.state in ("lost", "changed") else "",
                    )
                    for v in verdicts
                ),
                Entry(text=consequence_words(survival), sort=survival.delta_e_shown),
            )
        )
    return Table(
        table_id=table_id,
        title="Tags that survive",
        note="Written with a small file of the chart and read back from it. Lost colour tags are "
        "guessed by every player in its own way; the last column says what that shows.",
        columns=("encoding", *names, "what it does to the picture"),
        rows=tuple(rows),
        texts=tuple(range(len(names) + 2)),
    )


def _ladder_table(ladders: tuple[RateComparison, ...], *, table_id: str) -> Table:
    return Table(
        table_id=table_id,
        title="Codecs at equal quality",
        note="Bjøntegaard deltas between codecs with four or more encodings each, from PSNR of "
        "all planes; negative bit rate means smaller files for the same PSNR.",
        columns=("compared", "bit rate at equal PSNR", "PSNR at equal bit rate", "clips"),
        rows=tuple(
            (
                Entry(text=f"{c.test} against {c.anchor}", sort=c.test),
                Entry(text=f"{100 * c.rate_fraction:+.0f} %", sort=c.rate_fraction),
                Entry(text=f"{c.quality_db:+.1f} dB", sort=c.quality_db),
                Entry(text=str(c.clip_count), sort=c.clip_count),
            )
            for c in ladders
        ),
    )

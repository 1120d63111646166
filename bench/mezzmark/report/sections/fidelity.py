"""The fidelity section: what each encoding does to the picture, its colours and its tags."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

from mezzmark.decide.picture.diagnosis import INVISIBLE_DELTA_E, Diagnosis
from mezzmark.decide.picture.fidelity import (
    CLIPS_FOR_INTERVAL,
    EncodingFidelity,
    QualityEstimate,
    RateComparison,
    compare_ladders,
    judge_encodings,
)
from mezzmark.model.fidelity import ChartMeasurement
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.marks import Drawing
from mezzmark.report.figures.picture import draw_chart, draw_generations, draw_worst_frame
from mezzmark.report.figures.scatter import draw_quality
from mezzmark.report.prose.numbers import count_text, sentence, shown_name
from mezzmark.report.prose.picture import consequence_words, tag_verdicts
from mezzmark.report.tables.table import DASH, Entry, Table
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
    lossy = [e for e in judged if "PSNR" in e.estimates and not e.is_bit_exact]
    if lossy:
        plans.append(("quality-against-rate", partial(draw_quality, judged, **links)))
    for place, (name, chart, diagnosis) in enumerate(_charts(judged)):
        draw = partial(draw_chart, name, chart, diagnosis, anchor=anchors[name])
        plans.append((f"chart-{place + 1}", draw))
    if lossy:
        entry = min(lossy, key=lambda e: e.estimates["PSNR"].worst)
        clip = next(c for c in entry.clips if c.clip == entry.estimates["PSNR"].worst_clip)
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
    judged = judge_encodings(view.trials, confidence_level=view.confidence_level)
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
        psnr = entry.estimates.get("PSNR")
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
            "PSNR, dB",
            "worst frame, dB",
            "SSIM",
            "XPSNR of luma, dB",
            "last generation, dB",
            "bit rate, Mbit/s",
            "colours",
            "largest ΔE",
        ),
        rows=rows,
        anchors=tuple(f"{table_id}-{place}" for place in range(len(rows))),
        texts=(0, 1, 8),
    )


def _quality_row(entry: EncodingFidelity) -> tuple[Entry, ...]:
    psnr = entry.estimates.get("PSNR")
    last = entry.by_generation_db[-1] if len(entry.by_generation_db) > 1 else None
    chart, patch = entry.worst_chart, entry.worst_patch
    exact = "bit-exact"
    return (
        Entry(text=shown_name(entry.encoding), sort=entry.encoding),
        Entry(text=exact if entry.is_bit_exact else "changed", sort=int(not entry.is_bit_exact)),
        _figure(psnr, entry, "{:.1f}"),
        Entry(text=DASH)
        if psnr is None or entry.is_bit_exact
        else Entry(text=f"{psnr.worst:.1f}", sort=psnr.worst),
        _figure(entry.estimates.get("SSIM"), entry, "{:.4f}"),
        _figure(_luma(entry, "XPSNR"), entry, "{:.1f}"),
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


def _luma(entry: EncodingFidelity, metric: str) -> QualityEstimate | None:
    return next((e for name, e in entry.estimates.items() if name.startswith(f"{metric} ")), None)


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

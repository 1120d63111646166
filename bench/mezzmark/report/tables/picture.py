"""The tables of picture quality: figures and colours, tags, codecs at equal quality."""

import math
from collections.abc import Callable
from functools import partial

from mezzmark.decide.picture.fidelity import EncodingFidelity, TagOutcome, compare_ladders
from mezzmark.decide.picture.tags import HDR_TAGS, TagVerdict, tag_shift, tag_verdicts
from mezzmark.model.encoding import Encoding
from mezzmark.model.fact import grouped
from mezzmark.model.survival import THINGS, WORST_LAST, state_by_command
from mezzmark.model.tasks.fidelity import METRICS
from mezzmark.report.prose import picture as words
from mezzmark.report.prose.table_notes import NOTES, quality_note
from mezzmark.report.tables.table import Column, Content, Entry, Table, tabulate, worded
from mezzmark.report.view import RunView


def quality_table(view: RunView) -> Table:
    """Picture figures of generation 1, the last generation, and colours; found by encoding."""
    judged = view.fidelity
    return tabulate(
        judged,
        Column("encoding", lambda e: e.encoding, "left"),
        Column("came back", lambda e: "bit-exact" if e.is_bit_exact else "changed", "left"),
        *(column for name in METRICS for column in _metric_columns(name)),
        *([Column("alpha", _alpha, "left")] if any(e.alpha_db for e in judged) else []),
        Column("last generation, dB", _last_generation),
        Column("bit rate, Mbit/s", lambda e: worded(e.bitrate_bps / 1e6, "{:.1f}".format)),
        Column("colours", _colours, "left"),
        Column("largest ΔE", _largest_change),
        table_id=f"{view.prefix}quality",
        title="Picture quality and colour",
        note=quality_note(max(len(entry.clips) for entry in judged)),
        key=lambda e: e.encoding,
    )


def _metric_columns(name: str) -> list[Column[EncodingFidelity]]:
    """The mean, and the worst frame where it can be asked for."""
    metric = METRICS[name]
    unit = f", {metric.unit}" if metric.unit else ""
    columns = [
        Column(f"{metric.label}{unit}", _quality(name, metric.decimals)),
        Column(f"worst frame{unit}", partial(_worst_frame, name)),
    ]
    return columns[: len(metric.figures)]


def _quality(metric: str, decimals: int) -> Callable[[EncodingFidelity], Content]:
    """A metric with its interval. For a bit-exact encoding a finite one is what converting to its
    pixel format and back costs, and says so."""

    def cell(entry: EncodingFidelity) -> Content:
        estimate = entry.estimates.get(metric)
        if estimate is None:
            return "identical" if entry.is_bit_exact else None
        point, *ends = (
            f"{value:.{decimals}f}"
            for value in (estimate.point, estimate.low, estimate.high)
            if value is not None
        )
        interval = [f"[{', '.join(ends)}]"] if ends else []
        origin = ["(conversion alone)"] if entry.is_bit_exact else []
        return Entry(point, " ".join(interval + origin), sort=estimate.point)

    return cell


def _worst_frame(metric: str, entry: EncodingFidelity) -> Content:
    estimate = entry.estimates.get(metric)
    if estimate is None or entry.is_bit_exact:
        return None
    return worded(estimate.worst, f"{{:.{METRICS[metric].decimals}f}}".format)


def _alpha(entry: EncodingFidelity) -> Entry:
    if entry.alpha_db is None:
        return Entry("lost", sign="wrong")
    if math.isinf(entry.alpha_db):
        return Entry("equal", sort=entry.alpha_db)
    origin = "(conversion alone)" if entry.is_bit_exact else ""
    return Entry(f"{entry.alpha_db:.1f} dB", origin, sort=entry.alpha_db)


def _last_generation(entry: EncodingFidelity) -> Content:
    *before, last = entry.by_generation_db
    if not before:
        return None
    if all(clip.generations[-1].is_bit_exact for clip in entry.clips):
        return Entry("bit-exact", sort=last)
    return worded(last, "{:.1f}".format)


def _colours(entry: EncodingFidelity) -> Entry:
    chart = entry.worst_chart
    return Entry(
        words.colour_words(entry),
        sort=chart.delta_e if chart else None,
        sign="wrong" if chart and chart.is_wrong else "",
    )


def _largest_change(entry: EncodingFidelity) -> Content:
    patch = entry.worst_patch
    if patch is None:
        return None
    return Entry(f"{patch.worst_delta_e:.1f} ({patch.worst_patch})", sort=patch.worst_delta_e)


def tag_table(view: RunView) -> Table:
    """Which tags come back from a file, encoding by encoding."""
    outcomes = [
        (outcome, tag_verdicts(outcome.survival), len(entry.clips))
        for entry in view.fidelity
        for outcome in entry.tags
    ]
    hdr = {v.tag for _, verdicts, _ in outcomes for v in verdicts if v.written is not None}
    places = [
        (place, verdict.tag)
        for place, verdict in enumerate(outcomes[0][1] if outcomes else ())
        if verdict.tag not in HDR_TAGS or verdict.tag in hdr
    ]
    return tabulate(
        outcomes,
        Column("encoding", lambda row: words.tag_subject(row[0], row[2]), "left"),
        *(Column(tag, partial(_tag, place), "left") for place, tag in places),
        Column(
            "what it does to the picture",
            lambda row: Entry(
                words.consequence_words(row[0].survival), sort=tag_shift(row[0].survival)
            ),
            "left",
        ),
        table_id=f"{view.prefix}tags",
        title="Tags that survive",
        note=NOTES["tags"],
    )


def _tag(place: int, row: tuple[TagOutcome, tuple[TagVerdict, ...], int]) -> Entry:
    verdict = row[1][place]
    is_wrong = verdict.state in ("lost", "changed") or verdict.in_pictures is not None
    return Entry(words.tag_text(verdict), sign="wrong" if is_wrong else "")


def survival_table(view: RunView) -> Table:
    """What clips hold beside plain pictures, and what files of the bench and of commands have."""
    found = grouped((m.encoding, m.survives) for m in view.manifest.media if m.survives)
    asked = {s.thing for of in found.values() for one in of for s in one if s.clip is not None}
    rows = [
        (encoding, by_command)
        for encoding in view.manifest.encodings
        for by_command in (False, True)
        if encoding.name in found
    ]

    def cell(thing: str, row: tuple[Encoding, bool]) -> Entry:
        encoding, by_command = row
        of_clips = [s for one in found[encoding.name] for s in one if s.thing == thing]
        states = [
            state_by_command(s, encoding.container) if by_command else s.state for s in of_clips
        ]
        worst = max(zip(states, of_clips, strict=True), key=lambda pair: WORST_LAST.index(pair[0]))
        text = words.survival_text(*worst, states, is_read=not by_command)
        return Entry(text, sign="wrong" if worst[0] in ("lost", "changed") else "")

    return tabulate(
        rows,
        Column("encoding", lambda row: f"{row[0].name} in {row[0].container}", "left"),
        Column("file", lambda row: words.MAKERS[row[1]], "left"),
        *(
            Column(thing.label, partial(cell, name), "left")
            for name, thing in THINGS.items()
            if name in asked
        ),
        table_id=f"{view.prefix}survives",
        title="What survives beside plain pictures",
        note=NOTES["survives"],
    )


def ladder_table(view: RunView) -> Table:
    """Codecs against each other at equal quality, and at equal rate."""
    return tabulate(
        compare_ladders(view.fidelity, view.manifest.encodings),
        Column("compared", lambda c: f"{c.test} against {c.anchor}", "left"),
        Column(
            "bit rate at equal PSNR",
            lambda c: Entry(f"{100 * c.rate_fraction:+.0f} %", sort=c.rate_fraction),
        ),
        Column("PSNR at equal bit rate", lambda c: worded(c.quality_db, "{:+.1f} dB".format)),
        Column("clips", lambda c: c.clip_count),
        table_id=f"{view.prefix}ladders",
        title="Codecs at equal quality",
        note=NOTES["ladders"],
    )

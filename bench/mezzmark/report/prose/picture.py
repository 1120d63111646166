"""What the answer says of the picture: colours that shifted, and what came back bit for bit."""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.picture.diagnosis import INVISIBLE_DELTA_E, Diagnosis, visibility_words
from mezzmark.decide.picture.fidelity import CLIPS_FOR_INTERVAL, EncodingFidelity, generation_psnr
from mezzmark.model.colour import HD_HEIGHT_PX, UNSPECIFIED
from mezzmark.model.fact import Fact
from mezzmark.model.tasks.fidelity import ChartMeasurement, TagSurvival, WorstFrame
from mezzmark.report.prose.figures import FigureText, mark_words
from mezzmark.report.prose.numbers import count_text, list_text, number_text, sentence, shown_name


def picture_sentences(fidelity: Sequence[EncodingFidelity]) -> list[str]:
    """What the encodings did to the picture: colours first, then what came back bit for bit."""
    texts = []
    charts = [(entry.worst_chart, entry.encoding) for entry in fidelity if entry.worst_chart]
    shifted = [pair for pair in charts if pair[0].delta_e >= INVISIBLE_DELTA_E]
    if shifted:
        worst, name = max(shifted, key=lambda pair: pair[0].delta_e)
        texts.append(
            f"Colours: {len(shifted)} of {count_text(len(charts), 'encoding')} shifted visibly; "
            f"most of all {shown_name(name)}: {worst.words}."
        )
    elif charts:
        worst, name = max(charts, key=lambda pair: pair[0].worst_delta_e)
        texts.append(
            f"Colours: no visible shift in any of {count_text(len(charts), 'encoding')}; the "
            f"largest of a patch is ΔE {number_text(worst.worst_delta_e)} ({shown_name(name)})."
        )
    exact = [entry.encoding for entry in fidelity if entry.is_bit_exact]
    if exact:
        texts.append(f"Came back bit-exact: {list_text(exact)}.")
    return texts


DURATION_TOLERANCE_S: Final = 0.002
"""Containers with a clock of 1 ms round durations."""


class TagVerdict(Fact):
    """One tag: `state` is "kept", "lost", "changed" or "not asked"; `detail` says to what."""

    tag: str
    state: str
    detail: str


def tag_verdicts(survival: TagSurvival) -> tuple[TagVerdict, ...]:
    """Every tag in the order of the report's table."""
    written, read = survival.written, survival.read
    return (
        _code("range", written.colour_range, read.colour_range, nothing=0),
        _code("primaries", written.primaries, read.primaries, nothing=UNSPECIFIED),
        _code("transfer", written.transfer, read.transfer, nothing=UNSPECIFIED),
        _code("matrix", written.matrix, read.matrix, nothing=UNSPECIFIED),
        _words("chroma location", *survival.chroma_location),
        _words("field order", *survival.field_order),
        _words("sample aspect", *survival.sample_aspect),
        _words("timecode", *survival.timecode),
        _words("rate", *survival.frame_rate),
        _duration(*survival.duration_s),
    )


def consequence_words(survival: TagSurvival) -> str:
    """What the lost colour tags do to the picture, here and in players that guess otherwise."""
    said = []
    read = survival.read
    if read.matrix == UNSPECIFIED != survival.written.matrix:
        guess = "BT.709" if survival.height_px >= HD_HEIGHT_PX else "BT.601"
        said.append(f"the matrix is lost, and at this size it is guessed as {guess}")
    if read.colour_range == 0 != survival.written.colour_range:
        said.append("the range is lost, and limited is assumed")
    if survival.delta_e_shown >= INVISIBLE_DELTA_E:
        said.append(
            f"here: {visibility_words(survival.delta_e_shown)} (ΔE {survival.delta_e_shown:.1f})"
        )
    elif said:
        said.append("here: no visible shift")
    for delta, guess in (
        (survival.delta_e_as_601, "take it for BT.601"),
        (survival.delta_e_as_full, "take it for full range"),
    ):
        if delta is not None:
            said.append(f"in players that {guess}: {visibility_words(delta)} (ΔE {delta:.1f})")
    return "; ".join(said) if said else "no colour tag is lost"


def _code(tag: str, written: int, read: int, *, nothing: int) -> TagVerdict:
    if read == written:
        return TagVerdict(tag=tag, state="kept", detail="")
    if read == nothing:
        return TagVerdict(tag=tag, state="lost", detail="")
    return TagVerdict(tag=tag, state="changed", detail=f"{written} → {read}")


def _words(tag: str, written: str | None, read: str | None) -> TagVerdict:
    if written is None:
        return TagVerdict(tag=tag, state="not asked", detail="")
    if read == written:
        return TagVerdict(tag=tag, state="kept", detail="")
    if read is None or read == "unknown":
        return TagVerdict(tag=tag, state="lost", detail="")
    return TagVerdict(tag=tag, state="changed", detail=f"{written} → {read}")


def _duration(written: float, read: float | None) -> TagVerdict:
    if read is None:
        return TagVerdict(tag="duration", state="lost", detail="")
    if abs(written - read) <= DURATION_TOLERANCE_S:
        return TagVerdict(tag="duration", state="kept", detail="")
    return TagVerdict(tag="duration", state="changed", detail=f"{written:.3f} s → {read:.3f} s")


JUDGED_ONCE: Final = "1 round, the same comes every time"
"""Fidelity is judged, not timed: one trial of each clip is enough."""

AMPLIFICATION: Final = 8
"""Differences are shown so many times as large, around mid grey."""


def generations_text(judged: Sequence[EncodingFidelity]) -> FigureText:
    """Of the loss by generation."""
    level = _interval_level(judged)
    bars = _bars(level)
    if level is not None:
        bars = (
            f"Without bars, which would hide each other: the marks hold the {level * 100:g} % "
            "intervals over clips, the table those of generation 1."
        )
    losses = [
        ", ".join("no loss" if v is None else f"{v:.1f} dB" for v in entry.by_generation_db)
        for entry in judged
    ]
    pairs = zip(judged, losses, strict=True)
    return FigureText(
        title="What is left after several generations",
        subtitle="PSNR against the clip itself, mean of frames and clips; higher is better.",
        caption="Each generation is decoded and encoded again by the same encoding. "
        f"{_counts(judged)}{bars}",
        alt="; ".join(f"{shown_name(entry.encoding)}: {loss}" for entry, loss in pairs) + ".",
    )


def quality_text(judged: Sequence[EncodingFidelity]) -> FigureText:
    """Of PSNR against bit rate."""
    return FigureText(
        title="Quality against bit rate",
        subtitle="Generation 1, mean over frames and clips; up and to the left is better and "
        "smaller. Lossless encodings are left out.",
        caption="PSNR says how large the error is, not how it looks; see the worst frames. "
        f"{_counts(judged)}{_bars(_interval_level(judged))}",
        alt="The quality table holds both numbers of every encoding.",
    )


def _counts(judged: Sequence[EncodingFidelity]) -> str:
    """What a point is the mean of."""
    clips = max(len(entry.clips) for entry in judged)
    frames = max(c.measurement.frame_count for entry in judged for c in entry.clips)
    text = f"{count_text(clips, 'clip')} of up to {count_text(frames, 'frame')}, judged once: the "
    return f"{text}same comes every time. "


def _interval_level(judged: Sequence[EncodingFidelity]) -> float | None:
    """The level of the intervals over clips; None where no figure has one."""
    known = [q for entry in judged for q in entry.estimates.values() if q.low is not None]
    return known[0].confidence_level if known else None


def _bars(level: float | None) -> str:
    if level is None:
        return f"No intervals: they take {CLIPS_FOR_INTERVAL} clips."
    return f"Bars: {level * 100:g} % intervals over clips."


def generation_words(
    entry: EncodingFidelity, generation_index: int, *, confidence_level: float
) -> str:
    """The mean PSNR of one generation (from 0), its interval over clips, and the counts."""
    estimate = generation_psnr(entry, generation_index, confidence_level=confidence_level)
    what = f"PSNR after {count_text(generation_index + 1, 'generation')}"
    return mark_words(entry.encoding, what, estimate, samples="clip")


def chart_text(name: str, diagnosis: Diagnosis) -> FigureText:
    """Of the test chart through one encoding."""
    return FigureText(
        title=f"The test chart through {shown_name(name)}",
        subtitle=f"{sentence(diagnosis.words)}. Patches as a viewer shows them before and after, "
        f"and their difference {AMPLIFICATION} times as large around grey.",
        caption="A difference of plain grey means no change.",
        alt=diagnosis.words,
    )


def chart_words(name: str, measurement: ChartMeasurement, diagnosis: Diagnosis) -> str:
    """What became of the chart, as ΔE2000 over its patches."""
    return (
        f"{shown_name(name)}, test chart: {diagnosis.words}; "
        f"ΔE {diagnosis.delta_e:.1f} at the 90th percentile, largest "
        f"{diagnosis.worst_delta_e:.1f} ({diagnosis.worst_patch}); "
        f"{len(measurement.patches)} patches; {JUDGED_ONCE}"
    )


def worst_frame_text(entry: EncodingFidelity, worst: WorstFrame) -> FigureText:
    """Of the frame with the largest error."""
    name, clip = shown_name(entry.encoding), shown_name(entry.estimates["psnr"].worst_clip)
    return FigureText(
        title=f"{name}: the worst part of the worst frame",
        subtitle=f"Frame {worst.frame_index} of {clip} at {worst.left_px}, {worst.top_px}; "
        f"before, after, and the difference {AMPLIFICATION} times as large.",
        caption="Of all encodings this one has the frame with the largest error.",
        alt=f"Frame {worst.frame_index} of {clip} through {name}: before, after, difference.",
    )


def worst_frame_words(entry: EncodingFidelity) -> str:
    """The lowest PSNR of a single frame, and among how many."""
    psnr = entry.estimates["psnr"]
    frames = sum(clip.measurement.frame_count for clip in entry.clips)
    return (
        f"{shown_name(entry.encoding)}, worst frame of {shown_name(psnr.worst_clip)}: "
        f"PSNR {number_text(psnr.worst)} {psnr.unit}; one frame has no interval; the lowest of "
        f"{count_text(frames, 'frame')} of {count_text(len(entry.clips), 'clip')}; {JUDGED_ONCE}"
    )

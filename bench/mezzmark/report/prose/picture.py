"""What encodings do to the picture: its colours, what came back bit for bit, lost tags. Long, for
every cause, tag and figure of the section has its words here, once."""

from collections.abc import Sequence
from itertools import permutations
from typing import Final

from mezzmark.decide.picture import diagnosis as known
from mezzmark.decide.picture.diagnosis import INVISIBLE_DELTA_E, Diagnosis, severity
from mezzmark.decide.picture.fidelity import (
    CLIPS_FOR_INTERVAL,
    EncodingFidelity,
    TagOutcome,
    generation_psnr,
)
from mezzmark.decide.picture.tags import TagValue, TagVerdict, guessed_matrix, is_hdr, is_range_lost
from mezzmark.model.colour import DisplayName
from mezzmark.model.footage import ColourTags
from mezzmark.model.inspection import name_tags
from mezzmark.model.survival import State, Survival
from mezzmark.model.tasks.fidelity import ChartMeasurement, TagSurvival, WorstFrame
from mezzmark.report.prose.figures import FigureText, mark_words
from mezzmark.report.prose.numbers import (
    count_text,
    joined_text,
    level_text,
    list_text,
    number_text,
    sentence,
    shown_name,
)

_SEEN: Final[dict[known.Visibility, str]] = {
    "invisible": "no visible shift",
    "side by side": "a shift seen only side by side",
    "trained eye": "a shift that a trained eye would see",
    "most viewers": "a shift most viewers would see",
}

_OF_MOST: Final = " in 9 of 10 patches"  # What a 90th percentile over the patches is of


def _curve(display: DisplayName) -> str:
    names = {"sRGB": "the sRGB curve", "2.4": "BT.1886 (gamma 2.4)"}
    return names.get(display, f"gamma {display}")


_CAUSES: Final = {
    known.LIMITED_AS_FULL: "limited range were read as full",
    known.FULL_AS_LIMITED: "full range were read as limited",
    **{
        known.primaries_cause(written, read): f"{written} primaries were shown as {read}"
        for written, read in known.PRIMARIES_PAIRS
    },
    **{
        known.transfer_cause(written, read): f"{written} levels were shown as {read}"
        for written, read in permutations(known.TRANSFERS, 2)
    },
    known.EIGHT_BIT: "processed in 8 bits",
    known.SITING: "chroma siting differed from the tag",
    **{
        known.matrix_cause(written, read): (
            f"colours written with the {written} matrix were read with the {read} matrix"
        )
        for written, read in known.MATRIX_PAIRS
    },
    **{
        known.gamma_cause(used, meant): f"{_curve(used)} were used in place of {_curve(meant)}"
        for used, meant in known.GAMMA_PAIRS
    },
}
"""How a known cause is said after "as if"."""


def picture_sentences(fidelity: Sequence[EncodingFidelity]) -> list[str]:
    """What the encodings did to the picture: colours first, then what came back bit for bit."""
    judged = [
        (chart, patch, shown_name(entry.encoding))
        for entry in fidelity
        if (chart := entry.worst_chart) is not None and (patch := entry.worst_patch) is not None
    ]
    texts = [_colours(judged)] if judged else []
    if few := [name for chart, _, name in judged if chart.lacks_bits]:
        texts.append(f"HDR footage needs 10 bits, and 8 are in {list_text(few)}.")
    if exact := [entry.encoding for entry in fidelity if entry.is_bit_exact]:
        texts.append(f"Came back bit-exact: {list_text(exact)}.")
    return texts


def _colours(judged: Sequence[tuple[Diagnosis, Diagnosis, str]]) -> str:
    """Of encodings by name, each with its worst chart and the chart of its worst patch."""
    count = count_text(len(judged), "encoding")
    _, patch, name = max(judged, key=lambda one: one[1].worst_severity)
    unit, shift = _unit(patch.is_hdr), number_text(patch.worst_delta_e)
    steps = f", or ΔE {number_text(patch.worst_severity)}" if patch.is_hdr else ""
    largest = f"the largest shift of a patch is {unit} {shift}{steps} ({name})"
    shifted = [one for one in judged if one[0].severity >= INVISIBLE_DELTA_E]
    if not shifted:
        of_most = _OF_MOST * (patch.worst_severity >= INVISIBLE_DELTA_E)
        return f"Colours: no visible shift{of_most} in any of {count}; {largest}."
    worst, _, name = max(shifted, key=lambda one: one[0].severity)
    return (
        f"Colours: {len(shifted)} of {count} shifted visibly; most of all {name}: "
        f"{diagnosis_words(worst)}. {sentence(largest)}."
    )


def colour_words(entry: EncodingFidelity) -> str:
    """What became of the colours, or why nothing is known about them."""
    if entry.worst_chart:
        return diagnosis_words(entry.worst_chart)
    reason = f" ({entry.chart_refusal})" if entry.chart_refusal else ""
    return f"not judged, since the test chart could not be encoded{reason}"


def diagnosis_words(chart: Diagnosis) -> str:
    """`a shift most viewers would see (ΔE up to 5.1 in 9 of 10 patches), as if limited range were
    read as full`."""
    seen = _seen_words(chart.delta_e, is_hdr=chart.is_hdr)
    if chart.severity < INVISIBLE_DELTA_E <= chart.worst_severity:
        seen += _OF_MOST
    viewer = " in viewers that go by the tags in the pictures" if chart.by_pictures else ""
    few = "; 8 bits are too few for HDR: a code of PQ is a step of ΔE_ITP 3.3" * chart.lacks_bits
    if chart.cause == known.NO_SHIFT:
        return f"{seen}{few}"
    if chart.cause == known.UNEXPLAINED:
        rest = f"of unknown cause (RMS change {chart.residual_codes:.1f} of 255 codes)"
        return f"{seen}{viewer}, {rest}{few}"
    causes = [_CAUSES.get(cause, cause) for cause in (chart.cause, *chart.further)]
    return f"{seen}{viewer}, {_effect(chart)}as if {joined_text(causes)}{few}"


def _unit(is_hdr: bool) -> str:
    return "ΔE_ITP" if is_hdr else "ΔE"


def _effect(chart: Diagnosis) -> str:
    """What else than flat patches shows the cause."""
    if chart.cause == known.EIGHT_BIT:
        return (
            f"but smooth ramps turned into steps ({chart.ramp_codes_returned} of "
            f"{chart.ramp_codes_entered} grey levels are left), "
        )
    if chart.cause == known.SITING:
        shifts = ((chart.chroma_shift_x_px, "across"), (chart.chroma_shift_y_px, "down"))
        moved = [
            f"{shift:+.2f} px {way}"
            for shift, way in shifts
            if shift is not None and abs(shift) > known.SITING_LIMIT_PX
        ]
        return f"but colour edges moved {joined_text(moved)}, "
    return ""


def _seen_words(delta_e: float, *, is_hdr: bool) -> str:
    is_seen = severity(delta_e, is_hdr=is_hdr) >= INVISIBLE_DELTA_E
    return _with_delta_e(delta_e, is_hdr=is_hdr) if is_seen else _SEEN["invisible"]


def _with_delta_e(delta_e: float, *, is_hdr: bool) -> str:
    """Of a 90th percentile over the patches, which the worst of them may exceed by far."""
    seen = _SEEN[known.visibility(severity(delta_e, is_hdr=is_hdr))]
    return f"{seen} ({_unit(is_hdr)} up to {delta_e:.1f}{_OF_MOST})"


_TAG_STATES: Final = {"added": "stated newly, as viewers guess", "not asked": "not asked"}


def tag_text(verdict: TagVerdict) -> str:
    """`kept`, `changed 4/3 → 1`, `kept; the pictures say BT.709`."""
    text = _TAG_STATES.get(verdict.state, verdict.state)
    if verdict.state == "changed":
        values = (_tag_value(verdict, value) for value in (verdict.written, verdict.read))
        text = f"changed {' → '.join(values)}"
    elif verdict.tag == "range" and verdict.state == "lost":
        text = "unstated: read as limited"
    if verdict.in_pictures is not None:
        text += f"; the pictures say {_tag_value(verdict, verdict.in_pictures)}"
    return text


def _tag_value(verdict: TagVerdict, value: TagValue) -> str:
    field = "colour_range" if verdict.tag == "range" else verdict.tag
    if field in ColourTags.model_fields:
        return str(getattr(name_tags(ColourTags.model_validate({field: value})), field))
    return f"{value:.3f} s" if isinstance(value, float) else f"{value}"


def tag_subject(outcome: TagOutcome, clip_count: int) -> str:
    """`vc3-sq in mov`, and of which clips where it is not so of all."""
    found = outcome.survival
    clips = f" ({list_text(outcome.clips)})" if len(outcome.clips) < clip_count else ""
    return f"{shown_name(found.encoding)} in {found.container}{clips}"


MAKERS: Final = {False: "as measured", True: "by the command"}
"""Who made a file, by whether the command did."""


def survival_text(
    state: State | None, worst: Survival, states: Sequence[State | None], *, is_read: bool
) -> str:
    """`kept`, `changed 4/3 → 1 (1 of 3 clips)`; values where they were read."""
    text: str = state or "not known"
    if is_read and state is not None:
        found = {"written": worst.clip, "read": worst.file}
        text = tag_text(TagVerdict(tag=worst.thing, state=state, **found))
    asked = [one for one in states if one != "not asked"]
    alike = sum(one == state for one in asked)
    return text if alike == len(asked) else f"{text} ({alike} of {count_text(len(asked), 'clip')})"


def consequence_words(survival: TagSurvival) -> str:
    """What the lost colour tags do to the picture, here and in players that guess otherwise."""
    parts, hdr = [], is_hdr(survival)
    if guess := guessed_matrix(survival):
        parts.append(f"the matrix is lost, and at this size it is guessed as {guess}")
    if is_range_lost(survival):
        parts.append("the range is lost, and limited is assumed")
    if parts or severity(survival.delta_e_shown, is_hdr=hdr) >= INVISIBLE_DELTA_E:
        parts.append(f"here: {_seen_words(survival.delta_e_shown, is_hdr=hdr)}")
    elsewhere = {"BT.601": survival.delta_e_as_601, "full range": survival.delta_e_as_full}
    parts += [
        f"in players that take it for {guess}: {_with_delta_e(delta_e, is_hdr=hdr)}"
        for guess, delta_e in elsewhere.items()
        if delta_e is not None
    ]
    if (other := survival.delta_e_by_pictures) is not None:
        parts.append(
            f"in viewers that go by the tags in the pictures: {_seen_words(other, is_hdr=hdr)}"
        )
    return "; ".join(parts) or "no colour tag is lost"


JUDGED_ONCE: Final = "1 round, the same comes every time"
"""Fidelity is judged, not timed: one trial of each clip is enough."""

AMPLIFICATION: Final = 8
"""Differences are shown so many times as large, around mid grey."""


def generations_text(judged: Sequence[EncodingFidelity]) -> FigureText:
    """Of the loss by generation."""
    level = _interval_level(judged)
    bars = (
        _bars(None)
        if level is None
        else "Without bars, which would hide each other: the marks hold the "
        f"{level_text(level)} intervals over clips, the table those of generation 1."
    )
    losses = [
        f"{shown_name(entry.encoding)}: "
        + ", ".join("no loss" if v is None else f"{v:.1f} dB" for v in entry.by_generation_db)
        for entry in judged
    ]
    return FigureText(
        title="What is left after several generations",
        subtitle="PSNR against the clip itself, mean of frames and clips; higher is better.",
        caption="Each generation is decoded and encoded again by the same encoding. "
        f"{_counts(judged)}{bars}",
        alt=f"{'; '.join(losses)}.",
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
    counts = f"{count_text(clips, 'clip')} of up to {count_text(frames, 'frame')}"
    return f"{counts}, judged once: the same comes every time. "


def _interval_level(judged: Sequence[EncodingFidelity]) -> float | None:
    """The level of the intervals over clips; None where no figure has one."""
    known = [q for entry in judged for q in entry.estimates.values() if q.low is not None]
    return known[0].confidence_level if known else None


def _bars(level: float | None) -> str:
    if level is None:
        return f"No intervals: they take {CLIPS_FOR_INTERVAL} clips."
    return f"Bars: {level_text(level)} intervals over clips."


def generation_words(entry: EncodingFidelity, generation_index: int) -> str:
    """The mean PSNR of one generation (from 0), its interval over clips, and the counts."""
    estimate = generation_psnr(entry, generation_index)
    what = f"PSNR after {count_text(generation_index + 1, 'generation')}"
    return mark_words(entry.encoding, what, estimate, samples="clip")


def chart_text(name: str, diagnosis: Diagnosis) -> FigureText:
    """Of the test chart through one encoding."""
    words = diagnosis_words(diagnosis)
    return FigureText(
        title=f"The test chart through {shown_name(name)}",
        subtitle=f"{sentence(words)}. Patches as a viewer shows them before and after, and their "
        f"difference {AMPLIFICATION} times as large around grey.",
        caption="A difference of plain grey means no change.",
        alt=words,
    )


def chart_words(name: str, measurement: ChartMeasurement, diagnosis: Diagnosis) -> str:
    """What became of the chart, as ΔE2000 over its patches."""
    return (
        f"{shown_name(name)}, test chart: {diagnosis_words(diagnosis)}; {_unit(diagnosis.is_hdr)} "
        f"{diagnosis.delta_e:.1f} at the 90th percentile, largest {diagnosis.worst_delta_e:.1f} "
        f"({diagnosis.worst_patch}); {len(measurement.patches)} patches; {JUDGED_ONCE}"
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

"""What the answer says of the picture: colours that shifted, and what came back bit for bit."""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.picture.diagnosis import INVISIBLE_DELTA_E, visibility_words
from mezzmark.decide.picture.fidelity import EncodingFidelity
from mezzmark.model.colour import HD_HEIGHT_PX, UNSPECIFIED
from mezzmark.model.fact import Fact
from mezzmark.model.tasks.fidelity import TagSurvival
from mezzmark.report.prose.numbers import count_text, list_text, number_text, shown_name


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

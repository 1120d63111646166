"""What became of an encoding's tags, word by word, and what a player makes of those lost."""

from typing import Final

from mezzmark.decide.diagnosis import INVISIBLE_DELTA_E, visibility_words
from mezzmark.facts.base import Fact
from mezzmark.facts.fidelity import TagSurvival

UNSPECIFIED: Final = 2
HD_HEIGHT_PX: Final = 720
"""From here on the player of this project takes an untagged picture for BT.709."""

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


def lost_tags(survival: TagSurvival) -> tuple[str, ...]:
    """Names of the tags that are lost or changed."""
    return tuple(v.tag for v in tag_verdicts(survival) if v.state in ("lost", "changed"))


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

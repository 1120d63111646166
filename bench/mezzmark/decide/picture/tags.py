"""Which tags a file kept of those it was given, and what is guessed in place of lost ones."""

from typing import Literal

from mezzmark.model.colour import HD_HEIGHT_PX, UNSPECIFIED, MatrixName
from mezzmark.model.fact import Fact
from mezzmark.model.tasks.fidelity import TagSurvival

DURATION_TOLERANCE_S = 0.002
"""Containers with a clock of 1 ms round durations."""

TagValue = str | int | float | None


class TagVerdict(Fact):
    """What became of one tag, `written` and `read` as in `TagSurvival`."""

    tag: str
    state: Literal["kept", "lost", "changed", "not asked"]
    written: TagValue
    read: TagValue


def tag_verdicts(survival: TagSurvival) -> tuple[TagVerdict, ...]:
    """Every tag in the order of the report's table."""
    written, read = survival.written, survival.read
    asked_s, found_s = survival.duration_s
    if found_s is not None and abs(asked_s - found_s) <= DURATION_TOLERANCE_S:
        found_s = asked_s
    return (
        _judge("range", written.colour_range, read.colour_range, nothing=0),
        _judge("primaries", written.primaries, read.primaries, nothing=UNSPECIFIED),
        _judge("transfer", written.transfer, read.transfer, nothing=UNSPECIFIED),
        _judge("matrix", written.matrix, read.matrix, nothing=UNSPECIFIED),
        _judge("chroma location", *survival.chroma_location),
        _judge("field order", *survival.field_order),
        _judge("sample aspect", *survival.sample_aspect),
        _judge("timecode", *survival.timecode),
        _judge("rate", *survival.frame_rate),
        _judge("duration", asked_s, found_s),
    )


def _judge(
    tag: str, written: TagValue, read: TagValue, *, nothing: TagValue = "unknown"
) -> TagVerdict:
    """`nothing` is what a reader gives where the file says nothing."""
    state: Literal["kept", "lost", "changed", "not asked"] = "changed"
    if written is None:
        state = "not asked"
    elif read == written:
        state = "kept"
    elif read in (None, nothing):
        state = "lost"
    return TagVerdict(tag=tag, state=state, written=written, read=read)


def guessed_matrix(survival: TagSurvival) -> MatrixName | None:
    """The matrix that the player of this project takes in place of a lost one; None where it is
    not lost."""
    if survival.written.matrix == UNSPECIFIED or survival.read.matrix != UNSPECIFIED:
        return None
    return "BT.709" if survival.height_px >= HD_HEIGHT_PX else "BT.601"


def is_range_lost(survival: TagSurvival) -> bool:
    """Whether the code range was written and is not read back; limited range is then assumed."""
    return survival.read.colour_range == 0 != survival.written.colour_range

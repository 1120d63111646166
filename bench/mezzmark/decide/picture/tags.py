"""Which tags an encoding's files keep, lose or change, by their meaning and not their number."""

from collections.abc import Iterator
from typing import Final, Literal

from mezzmark.decide.picture.diagnosis import severity
from mezzmark.model import colour
from mezzmark.model.fact import Fact
from mezzmark.model.footage import ColourTags, HdrMetadata
from mezzmark.model.tasks.fidelity import TagSurvival

DURATION_TOLERANCE_S = 0.002  # Containers with a clock of 1 ms round durations
TagValue = str | int | float | None
TagState = Literal["kept", "lost", "changed", "added", "not asked"]
"""`added`: the clip states nothing, and the file what viewers guess of the clip."""


class TagVerdict(Fact):
    """What became of a tag; `in_pictures` is what the coded pictures state if that means else."""

    tag: str
    state: TagState
    written: TagValue
    read: TagValue
    in_pictures: TagValue = None


def tag_verdicts(survival: TagSurvival) -> tuple[TagVerdict, ...]:
    """Every tag in the order of the report's table."""
    asked_s, found_s = survival.duration_s
    if found_s is not None and abs(asked_s - found_s) <= DURATION_TOLERANCE_S:
        found_s = asked_s
    mastering, levels = (
        [_pair(one, *names) for one in survival.hdr_metadata]
        for names in (("mastering_min_cd", "mastering_max_cd"), ("max_cll_cd", "max_fall_cd"))
    )
    return (
        *_colour_verdicts(survival),
        _judge_tag("chroma location", *survival.chroma_location),
        _judge_tag("field order", *survival.field_order),
        _judge_tag("sample aspect", *survival.sample_aspect),
        _judge_tag("timecode", *survival.timecode),
        _judge_tag("rate", *survival.frame_rate),
        _judge_tag("duration", asked_s, found_s),
        _judge_tag(HDR_TAGS[0], *mastering),
        _judge_tag(HDR_TAGS[1], *levels),
    )


HDR_TAGS: Final = ("mastering display", "light level")  # Which only HDR footage has


def _pair(found: HdrMetadata | None, first: str, second: str) -> str | None:
    values = [getattr(found, name, None) for name in (first, second)]
    return None if values == [None, None] else "/".join(f"{value}" for value in values)


def _colour_verdicts(survival: TagSurvival) -> Iterator[TagVerdict]:
    """Code points of one meaning are one; what a clip leaves unstated means what viewers guess."""
    guess = colour.meaning(ColourTags(), height_px=survival.height_px)
    usual = {
        "colour_range": colour.LIMITED_RANGE,
        "primaries": colour.PRIMARIES_CODES[guess.primaries],
        "transfer": colour.TRANSFER_CODES[guess.transfer],
        "matrix": colour.MATRIX_CODES[guess.matrix],
    }
    for field, guessed in usual.items():
        nothing = dict(ColourTags())[field]
        written, read = getattr(survival.written, field), getattr(survival.read, field)
        meant = colour.tag_class(field, guessed if written == nothing else written)
        pictures = getattr(survival.pictures, field) if survival.pictures else nothing
        state: TagState = "changed"
        if read == nothing:
            state = "not asked" if written == nothing else "lost"
        elif colour.tag_class(field, read) == meant:
            state = "added" if written == nothing else "kept"
        is_other = pictures != nothing and colour.tag_class(field, pictures) != meant
        yield TagVerdict(
            tag="range" if field == "colour_range" else field,
            state=state,
            written=written,
            read=read,
            in_pictures=pictures if is_other else None,
        )


def _judge_tag(tag: str, written: TagValue, read: TagValue) -> TagVerdict:
    state: TagState = "changed"
    if written is None:
        state = "not asked"
    elif read == written:
        state = "kept"
    elif read in (None, "unknown"):
        state = "lost"
    return TagVerdict(tag=tag, state=state, written=written, read=read)


def guessed_matrix(survival: TagSurvival) -> colour.MatrixName | None:
    """What our player takes in place of a lost matrix; None where none is lost, or it is RGB's."""
    written, read, unspecified = survival.written.matrix, survival.read.matrix, colour.UNSPECIFIED
    if written in (0, unspecified) or read != unspecified:
        return None
    return colour.meaning(survival.read, height_px=survival.height_px).matrix


def is_range_lost(survival: TagSurvival) -> bool:
    """Whether the code range was written and is not read back; limited range is then assumed."""
    return survival.read.colour_range == 0 != survival.written.colour_range


def tag_shift(survival: TagSurvival) -> float:
    """The colour shift by what is left of the tags, in the worse viewer, in steps of ΔE2000."""
    shift = max(survival.delta_e_shown, survival.delta_e_by_pictures or 0.0)
    return severity(shift, is_hdr=is_hdr(survival))


def is_hdr(survival: TagSurvival) -> bool:
    """Whether the tags are of HDR, whose shifts are in ΔE_ITP."""
    return survival.written.transfer in (colour.TRANSFER_CODES["PQ"], colour.TRANSFER_CODES["HLG"])

"""What to tell a person about a file that was inspected: each finding with what to do."""

from typing import Final

from mezzmark.model.colour import HD_HEIGHT_PX, UNSPECIFIED
from mezzmark.model.footage import ColourTags
from mezzmark.model.inspection import Advice, Inspection

BT709, BT2020 = 1, 9
BT601_MATRICES: Final = (5, 6)
"""ITU-T H.273: 625 and 525 line forms of the same matrix."""


def tag_contradictions(tags: ColourTags, *, height_px: int) -> tuple[tuple[str, str], ...]:
    """(what, remedy) of each contradiction; empty when the tags go together."""
    said = []
    if tags.matrix in BT601_MATRICES and height_px >= HD_HEIGHT_PX:
        said.append(
            (
                f"The file says BT.601 matrix at {height_px} lines, where BT.709 is usual.",
                "Look at a known colour before trusting the tag; state the right one when "
                "converting.",
            )
        )
    if tags.primaries == BT2020 and tags.matrix == BT709:
        said.append(
            (
                "The file says BT.2020 primaries with the BT.709 matrix, which do not go together.",
                "Check how it was exported, and state the right pair when converting.",
            )
        )
    if tags.primaries == BT709 and tags.matrix == BT2020:
        said.append(
            (
                "The file says BT.709 primaries with the BT.2020 matrix, which do not go together.",
                "Check how it was exported, and state the right pair when converting.",
            )
        )
    return tuple(said)


LONG_GROUP_S: Final = 0.1
"""A jump decodes half a group on average; a group longer than this holds more pictures than can
be decoded within the 0.1 s that feels immediate, unless decoding runs well above real time
(limit of 0.1 s: R. B. Miller, Response time in man-computer conversational transactions, 1968)."""


def advise(found: Inspection) -> tuple[Advice, ...]:
    """Warnings about a file, the gravest first."""
    return (*_on_refusal(found), *_on_motion(found), *_on_colour(found), *_on_extent(found))


def _on_refusal(found: Inspection) -> tuple[Advice, ...]:
    if not found.refusal:
        return ()
    what, _, remedy = found.refusal.partition(". ")
    return (Advice(what=f"It cannot be measured: {what}.", remedy=remedy),)


def _on_motion(found: Inspection) -> tuple[Advice, ...]:
    advice = []
    spacing, interval = found.keyframe_spacing_s, found.keyframe_interval_frames
    if spacing and interval and found.group_kind != "intra" and spacing.median > LONG_GROUP_S:
        advice.append(
            Advice(
                what=f"Key frames are {interval.median:.0f} frames ({spacing.median:.2f} s) apart: "
                f"a move of the playhead decodes up to {interval.maximum:.0f} frames and may "
                "stutter.",
                remedy="Measure how much an intra encoding helps: `mezzmark measure own-footage "
                "--footage FILE`.",
            )
        )
    elif found.group_kind != "intra" and found.keyframe_count <= 1 < found.examined_frame_count:
        advice.append(
            Advice(
                what=f"There is one key frame in {found.examined_frame_count} frames: every move "
                "of the playhead decodes from the start.",
                remedy="Convert to an intra encoding before editing.",
            )
        )
    if found.rate_kind == "variable" and found.frame_spacing_ms:
        low, high = found.frame_spacing_ms.minimum, found.frame_spacing_ms.maximum
        advice.append(
            Advice(
                what=f"The frame rate varies: frames are {low:.1f} to {high:.1f} ms apart.",
                remedy="Convert to a constant rate before editing; sound may drift otherwise.",
            )
        )
    if found.is_interlaced:
        advice.append(
            Advice(
                what="The pictures are interlaced.",
                remedy="They are measured as whole frames; deinterlace for a progressive edit.",
            )
        )
    return tuple(advice)


def _on_colour(found: Inspection) -> tuple[Advice, ...]:
    media, advice = found.media, []
    if media.chroma == "RGB":
        return ()
    untagged = [
        name
        for name, code in (
            ("primaries", media.tags.primaries),
            ("transfer", media.tags.transfer),
            ("matrix", media.tags.matrix),
        )
        if code == UNSPECIFIED
    ]
    if untagged and media.height_px >= HD_HEIGHT_PX:
        advice.append(
            Advice(
                what=f"Colour {', '.join(untagged)} not stated at {media.width_px}×"
                f"{media.height_px}: programs guess, and some guess BT.601.",
                remedy="State them when converting (for most cameras BT.709: 1, 1, 1).",
            )
        )
    for what, remedy in tag_contradictions(media.tags, height_px=media.height_px):
        advice.append(Advice(what=what, remedy=remedy))
    if media.tags.colour_range == 0:
        advice.append(
            Advice(
                what="The code range is not stated; limited range is assumed.",
                remedy="If blacks look grey or crushed, state the camera's range when converting.",
            )
        )
    return tuple(advice)


def _on_extent(found: Inspection) -> tuple[Advice, ...]:
    advice = []
    if found.media.container in ("ts", "ps"):
        advice.append(
            Advice(
                what="The container has no index: every move of the playhead searches the file.",
                remedy="Rewrap it without re-encoding, to MOV or MKV.",
            )
        )
    if found.media.frame_rate is None:
        advice.append(
            Advice(
                what="The file states no frame rate.",
                remedy="The rate measured between frames is used; check that it is right.",
            )
        )
    if found.is_excerpt:
        advice.append(
            Advice(
                what=f"Only the first {found.examined_duration_s:.0f} s were read.",
                remedy="Give more with `--seconds`.",
            )
        )
    return tuple(advice)

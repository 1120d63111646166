"""Colour tags of a clip that cannot be true together, or are unlikely at its size."""

from typing import Final

from mezzmark.facts.footage import ColourTags

HD_HEIGHT_PX: Final = 720
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

"""Which clips there is a file of, and in which encoding."""

from collections.abc import Collection, Sequence
from itertools import product

from mezzmark.facts.encoding import ORIGINAL

Media = Collection[tuple[str, str]]
"""(clip, encoding) pairs there is a file for, in any order."""


def present_pairs(clips: Sequence[str], names: Sequence[str], media: Media) -> Media:
    """Those of clips × encodings there is a file for, clip by clip in the given order."""
    return [pair for pair in product(clips, names) if pair in media]


def encoded_pairs(clips: Sequence[str], names: Sequence[str], media: Media) -> Media:
    """As `present_pairs`, without the originals, which no encoder of ours makes."""
    return [(clip, name) for clip, name in present_pairs(clips, names, media) if name != ORIGINAL]

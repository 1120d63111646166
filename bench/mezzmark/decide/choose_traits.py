"""What an encoding is, without measuring: alpha, bit depth, chroma, intra, container, codec."""

import re
from collections.abc import Sequence
from typing import Final, Literal

from mezzmark.facts.catalogue_entry import has_alpha_plane
from mezzmark.facts.choosing import CHROMA_ORDER, Need
from mezzmark.facts.encoding import ORIGINAL, Encoding
from mezzmark.facts.run import ClipManifest, Manifest

Traits = dict[str, str]
"""Fact name → value as needs write it; a fact that is not known is left out."""

_PLANAR: Final = re.compile(r"^(?:yuvj?|yuva)(4[0-4][0-4])p(\d+)?(?:le|be)?$")
_CHROMA_CODES: Final = {"420": "4:2:0", "422": "4:2:2", "444": "4:4:4", "411": "4:1:1"}
_RGB: Final = re.compile(r"^gbra?p(\d+)?(?:le|be)?$")
_NAMED: Final = {
    "nv12": ("8", "4:2:0"),
    "nv16": ("8", "4:2:2"),
    "yuyv422": ("8", "4:2:2"),
    "uyvy422": ("8", "4:2:2"),
    "p010le": ("10", "4:2:0"),
    "p210le": ("10", "4:2:2"),
    "gray": ("8", "4:0:0"),
    "gray10le": ("10", "4:0:0"),
    "rgb24": ("8", "RGB"),
    "bgr24": ("8", "RGB"),
    "rgba": ("8", "RGB"),
    "bgra": ("8", "RGB"),
    "bgr0": ("8", "RGB"),
    "rgb48le": ("16", "RGB"),
    "rgba64le": ("16", "RGB"),
}
"""Packed formats by FFmpeg's name: bits of a sample, and chroma."""


def encoding_traits(manifest: Manifest, name: str) -> tuple[Traits, ...]:
    """One entry for an encoding; for the original one per clip, since clips may differ."""
    if name == ORIGINAL:
        return tuple(_clip_traits(clip) for clip in manifest.clips)
    return tuple(_traits(encoding) for encoding in manifest.encodings if encoding.name == name)


def _traits(encoding: Encoding) -> Traits:
    return {
        "alpha": _word(encoding.has_alpha),
        "intra": _word(encoding.is_intra),
        "lossless": _word(encoding.is_lossless),
        "container": encoding.container,
        "codec": encoding.codec,
        **describe_pixel_format(encoding.pixel_format),
    }


def _clip_traits(clip: ClipManifest) -> Traits:
    media = clip.original
    return {
        "alpha": _word(media.has_alpha or has_alpha_plane(media.pixel_format)),
        "intra": _word(clip.keyframe_interval_median == 1),
        "lossless": "true",  # it is the footage itself
        "container": media.container,
        "codec": media.codec,
        "bit_depth": str(media.bit_depth),
        **({} if media.chroma == "other" else {"chroma": media.chroma}),
    }


def describe_pixel_format(pixel_format: str) -> Traits:
    """`bit_depth` and `chroma` of an FFmpeg pixel format's name; empty where it is not known."""
    if planar := _PLANAR.match(pixel_format):
        chroma = _CHROMA_CODES.get(planar[1])
        return {"bit_depth": planar[2] or "8", **({"chroma": chroma} if chroma else {})}
    if rgb := _RGB.match(pixel_format):
        return {"bit_depth": rgb[1] or "8", "chroma": "RGB"}
    if pixel_format in _NAMED:
        depth, chroma = _NAMED[pixel_format]
        return {"bit_depth": depth, "chroma": chroma}
    return {}


def _word(claim: bool) -> str:
    return "true" if claim else "false"


def judge_trait(
    need: Need, traits: Sequence[Traits]
) -> tuple[Literal["meets", "misses", "not shown"], str]:
    """Whether every one of `traits` has what the need asks for, and the value in words."""
    values = [entry.get(need.subject) for entry in traits]
    known = [value for value in values if value is not None]
    shown = " or ".join(dict.fromkeys(known)) or "not known"
    if any(not _has(need, value) for value in known):
        return "misses", shown
    return ("meets" if known and len(known) == len(values) else "not shown"), shown


def _has(need: Need, value: str) -> bool:
    if need.subject == "bit_depth":
        return _compare(need.operator, int(value), int(need.value))
    if need.subject == "chroma":
        order = {name: place for place, name in enumerate(CHROMA_ORDER)}
        return _compare(need.operator, order.get(value, -1), order[need.value])
    return value.lower() == need.value.lower()


def _compare(operator: str, value: int, limit: int) -> bool:
    return {"<=": value <= limit, ">=": value >= limit, "=": value == limit}[operator]

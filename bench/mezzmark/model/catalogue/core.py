"""The catalogue of encodings: names, legal combinations, and encodings written out by users."""

from collections.abc import Iterable
from fractions import Fraction
from typing import Any, Final

from mezzmark.model import encoding
from mezzmark.model.catalogue import entries
from mezzmark.model.errors import EncodingError, nearest

_PARTS: Final = {"half": Fraction(1, 2), "quarter": Fraction(1, 4)}

_VARIANTS: Final[dict[str, dict[str, dict[str, Any]]]] = {
    **{
        name: {word: {"scale": (part, part)} for word, part in _PARTS.items()}
        for name in ("vc3-lb", "rdd36-proxy", "mjpeg-good", "avc-intra-fast")
    },
    **{
        name: {"alpha": {"pixel_formats": ("yuva444p10le",)}}
        for name in ("rdd36-4444", "rdd36-4444-fast", "ffv1")
    },
    "vc5-good": {"alpha": {"pixel_formats": ("gbrap12le",)}},
}
"""What else there is of an entry, proxies and a carrier of alpha, and in what it differs."""

ENTRIES: Final[tuple[encoding.CatalogueEntry, ...]] = (
    *entries.ENTRIES,
    *(
        one.model_copy(update={"name": f"{one.name}-{w}", "profile": f"{one.profile}-{w}", **own})
        for one in entries.ENTRIES
        for w, own in _VARIANTS.get(one.name, {}).items()
    ),
)
_BY_NAME: Final = {entry.name: entry for entry in ENTRIES}

CODEC_NAMES: Final = {entry.decoder: entry.codec for entry in ENTRIES if entry.decoder}
"""FFmpeg's codec name → the standard that defines it; other codecs keep FFmpeg's name."""

TYPICAL_MBPS: Final[dict[str, int]] = {
    **{"vc3-lb": 38, "vc3-sq": 121, "vc3-hq": 184, "vc3-hqx": 184, "vc3-444": 367},
    **{"vc3-hd-45": 38, "vc3-hd-145": 121, "vc3-hd-220": 184, "vc3-hd-220x": 184},
    **{"rdd36-proxy": 41, "rdd36-lt": 91, "rdd36-standard": 130, "rdd36-hq": 195},
    **{"rdd36-proxy-fast": 52, "rdd36-lt-fast": 109, "rdd36-standard-fast": 185},
    **{"rdd36-hq-fast": 275, "rdd36-4444": 290, "rdd36-4444-fast": 357},
    **{"rdd36-4444xq": 430, "rdd36-4444xq-fast": 509, "vc5-draft": 92, "vc5-good": 159},
    **{"vc5-fine": 312, "vc5-finest": 330, "mjpeg-fine": 90, "mjpeg-good": 52, "mjpeg-draft": 31},
    **{"avc-intra": 43, "avc-intra-fast": 57, "avc-long": 7, "hevc-intra": 34, "hevc-long": 4},
    **{"avc-intra-50": 56, "avc-intra-100": 114, "hevc-intra-12": 34, "ffv1-alpha": 527},
    **{"rdd36-4444-alpha": 549, "rdd36-4444-fast-alpha": 361, "vc5-good-alpha": 367},
    **{"uncompressed-444": 1659, "uncompressed-rgb": 1659, "dpx": 1659, "png": 698, "png-16": 2428},
    **{"vc3-lb-half": 10, "vc3-lb-quarter": 2, "rdd36-proxy-half": 13, "rdd36-proxy-quarter": 4},
    **{"mjpeg-good-half": 18, "mjpeg-good-quarter": 6},
    **{"avc-intra-fast-half": 21, "avc-intra-fast-quarter": 7},
    **{"av1-long": 2, "av1-intra": 70, "ffv1": 431, "jpeg2000-fine": 233, "jpeg2000-good": 93},
    **{"jpeg2000-lossless": 458, "vc2-good": 248, "mpeg2-intra": 85, "mpeg2-intra-50": 50},
    **{"lossless-fast": 348, "uncompressed-8": 829, "uncompressed-10": 1106},
}
"""Mbit/s of the default recipe at 1920×1080, 10 bits, 25 pictures a second, as measured; where a
codec holds a quality, other footage takes others."""


def catalogue_names() -> tuple[str, ...]:
    """All names that a scenario's `encodings` may list besides `original`."""
    return tuple(_BY_NAME)


def find_encoding(name: str) -> encoding.Encoding:
    """In its usual container and pixel format, or the original; EncodingError names the nearest."""
    if name == encoding.ORIGINAL:
        return encoding.ORIGINAL_ENCODING
    if name not in _BY_NAME:
        meant = [entry.name for entry in ENTRIES if name.lower() in entry.words]
        raise EncodingError(
            where=f'encoding "{name}"',
            what="the catalogue has no encoding of this name",
            remedy=f"By that name go: {', '.join(meant)}." if meant else _suggest(name, _BY_NAME),
        )
    entry = _BY_NAME[name]
    return entry.resolve(entry.containers[0], entry.pixel_formats[0])


def names_meant(name: str) -> tuple[str, ...]:
    """The encodings that go by this name: the catalogue's own, a standard's, or what FFmpeg calls
    codec, encoder or profile. EncodingError names the nearest where there is none."""
    return tuple(e.name for e in ENTRIES if name.lower() in e.words) or (find_encoding(name).name,)


def find_entry(name: str) -> encoding.CatalogueEntry | None:
    """The catalogue's line of this name, if there is one."""
    return _BY_NAME.get(name)


def resolve_custom(custom: encoding.CustomEncoding) -> encoding.Encoding:
    """The encoding a scenario writes out: a catalogue codec with choices, or a bare encoder. A
    codec is named by its standard ("VC-3", with or without `profile`) or by a catalogue name
    ("vc3-sq"). EncodingError says what is missing or does not go together."""
    if (custom.codec is None) == (custom.encoder is None):
        raise EncodingError(
            where=f'encoding "{custom.name}"',
            what="exactly one of codec and encoder must be given",
            remedy='Write codec = "VC-3" for the catalogue, or encoder = "…" for any encoder.',
        )
    options = {key: str(value) for key, value in custom.options.items()}
    if custom.codec is None:
        return _from_encoder(custom, options)
    entry = _find_profile(custom.codec, custom.profile)
    chosen = "container" in custom.model_fields_set
    container = custom.container if chosen else entry.containers[0]
    pixel_format = custom.pixel_format or entry.pixel_formats[0]
    where = f"{entry.codec} {entry.profile}"
    if container not in entry.containers:
        raise EncodingError(
            where=where,
            what=f'it cannot be written to container "{container}"',
            remedy=f"Legal containers: {', '.join(entry.containers)}.",
        )
    if pixel_format not in entry.pixel_formats:
        raise EncodingError(
            where=where,
            what=f'it cannot hold pixel format "{pixel_format}"',
            remedy=f"Legal pixel formats: {', '.join(entry.pixel_formats)}.",
        )
    choices = {"name", "bitrate_bps", "keyframe_interval", "b_frames"}
    changes = custom.model_dump(include=choices, exclude_none=True)
    if custom.bitrate_bps is not None:
        changes["bits_per_pixel"] = None
    if custom.scale is not None:
        changes["scale"] = (custom.scale, custom.scale)
    if options:
        changes |= {"options": entry.options | options, "is_lossless": False}
    return entry.resolve(container, pixel_format, **changes)


def _find_profile(codec: str, profile: str | None) -> encoding.CatalogueEntry:
    if codec in _BY_NAME and profile is None:
        return _BY_NAME[codec]
    of_codec = [entry for entry in ENTRIES if entry.codec.lower() == codec.lower()]
    if not of_codec:
        codecs = dict.fromkeys(entry.codec for entry in ENTRIES)
        raise EncodingError(
            where=f'codec "{codec}"',
            what="the catalogue has no codec of this name",
            remedy=_suggest(codec, codecs, also=_BY_NAME),
        )
    for entry in of_codec:
        # Standards write profiles in capitals ("HQX"), the catalogue does not.
        if profile is None or entry.profile.lower() == profile.lower():
            return entry
    raise EncodingError(
        where=of_codec[0].codec,
        what=f'it has no profile "{profile}" here',
        remedy=f"Legal profiles: {', '.join(entry.profile for entry in of_codec)}.",
    )


def _suggest(name: str, legal: Iterable[str], *, also: Iterable[str] = ()) -> str:
    if near := nearest(name, (*legal, *also)):
        return f"Nearest: {', '.join(near)}."
    return f"Legal names: {', '.join(legal)}."


def _from_encoder(custom: encoding.CustomEncoding, options: dict[str, str]) -> encoding.Encoding:
    if custom.pixel_format is None:
        raise EncodingError(
            where=f'encoding "{custom.name}"',
            what="a bare encoder needs a pixel_format",
            remedy='Add for example pixel_format = "yuv422p10le".',
        )
    facts = custom.model_dump(exclude={"codec", "scale"}, exclude_none=True)
    caution = "Written by hand; nothing about this combination was checked."
    scale = (custom.scale or 1,) * 2
    changes = {"codec": custom.encoder, "options": options, "caution": caution, "scale": scale}
    facts |= {"interlaced_options": {}}
    return encoding.Encoding.model_validate(facts | changes)

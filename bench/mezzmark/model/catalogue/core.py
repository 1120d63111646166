"""The catalogue of encodings: names, legal combinations, and encodings written out by users."""

from fractions import Fraction
from typing import Final

from mezzmark.model.catalogue import general, intermediate
from mezzmark.model.encoding import (
    ORIGINAL,
    ORIGINAL_ENCODING,
    CatalogueEntry,
    CustomEncoding,
    Encoding,
    check_frame,
)
from mezzmark.model.errors import EncodingError
from mezzmark.model.suggest import nearest

ENTRIES: Final[tuple[CatalogueEntry, ...]] = (
    *intermediate.VC3,
    *intermediate.RDD36,
    *intermediate.VC5,
    *intermediate.MOTION_JPEG,
    *general.AVC,
    *general.HEVC,
    *general.AV1,
    *general.FFV1,
    *general.JPEG2000,
    *general.VC2,
    *general.MPEG2,
    *general.LOSSLESS_FAST,
    *general.UNCOMPRESSED,
)
_BY_NAME: Final = {entry.name: entry for entry in ENTRIES}

CODEC_NAMES: Final = {entry.decoder: entry.codec for entry in ENTRIES if entry.decoder}
"""FFmpeg's codec name → the standard that defines it; other codecs keep FFmpeg's name."""


def catalogue_names() -> tuple[str, ...]:
    """All names that a scenario's `encodings` may list besides `original`."""
    return tuple(_BY_NAME)


def catalogue_entry(name: str) -> CatalogueEntry:
    """The catalogue's line of this name, or EncodingError with the nearest names."""
    entry = _BY_NAME.get(name)
    if entry is None:
        raise EncodingError(
            where=f'encoding "{name}"',
            what="the catalogue has no encoding of this name",
            remedy=_suggest(name, tuple(_BY_NAME)),
        )
    return entry


def find_encoding(
    name: str,
    *,
    frame_rate: Fraction | None = None,
    width_px: int | None = None,
    height_px: int | None = None,
) -> Encoding:
    """The encoding of this name in its usual container and pixel format, or the original.

    Where size and rate are given they are checked too. EncodingError names the nearest legal
    names or sizes.
    """
    if name == ORIGINAL:
        return ORIGINAL_ENCODING
    entry = catalogue_entry(name)
    encoding = entry.resolve(entry.containers[0], entry.pixel_formats[0])
    if width_px is not None and height_px is not None:
        check_frame(encoding, width_px, height_px, frame_rate)
    return encoding


def resolve_custom(custom: CustomEncoding) -> Encoding:
    """The encoding a scenario writes out: a catalogue codec with choices, or a bare encoder.

    A codec is named by its standard ("VC-3", with or without `profile`) or by a catalogue name
    ("vc3-sq"). EncodingError says what is missing or does not go together.
    """
    if (custom.codec is None) == (custom.encoder is None):
        raise EncodingError(
            where=f'encoding "{custom.name}"',
            what="exactly one of codec and encoder must be given",
            remedy='Write codec = "VC-3" for the catalogue, or encoder = "…" for any encoder.',
        )
    return _from_codec(custom) if custom.encoder is None else _from_encoder(custom)


def check_combination(
    codec: str, profile: str | None, container: str, pixel_format: str | None
) -> CatalogueEntry:
    """The catalogue's line for this combination; EncodingError names the legal ones."""
    entry = _find_profile(codec, profile)
    where = f"{entry.codec} {entry.profile}"
    if container not in entry.containers:
        raise EncodingError(
            where=where,
            what=f'it cannot be written to container "{container}"',
            remedy=f"Legal containers: {', '.join(entry.containers)}.",
        )
    if pixel_format is not None and pixel_format not in entry.pixel_formats:
        raise EncodingError(
            where=where,
            what=f'it cannot hold pixel format "{pixel_format}"',
            remedy=f"Legal pixel formats: {', '.join(entry.pixel_formats)}.",
        )
    return entry


def _find_profile(codec: str, profile: str | None) -> CatalogueEntry:
    if codec in _BY_NAME and profile is None:
        return _BY_NAME[codec]
    of_codec = [entry for entry in ENTRIES if entry.codec.lower() == codec.lower()]
    if not of_codec:
        codecs = tuple(dict.fromkeys(entry.codec for entry in ENTRIES))
        raise EncodingError(
            where=f'codec "{codec}"',
            what="the catalogue has no codec of this name",
            remedy=_suggest(codec, (*codecs, *_BY_NAME), shown=codecs),
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


def _suggest(name: str, known: tuple[str, ...], *, shown: tuple[str, ...] = ()) -> str:
    if near := nearest(name, known):
        return f"Nearest: {', '.join(near)}."
    return f"Legal names: {', '.join(shown or known)}."


def _from_codec(custom: CustomEncoding) -> Encoding:
    entry = _find_profile(custom.codec or "", custom.profile)
    chosen = "container" in custom.model_fields_set
    container = custom.container if chosen else entry.containers[0]
    check_combination(entry.codec, entry.profile, container, custom.pixel_format)
    changes = custom.model_dump(
        include={"name", "bitrate_bps", "keyframe_interval", "b_frames"}, exclude_none=True
    )
    if custom.bitrate_bps is not None:
        changes["bits_per_pixel"] = None
    if custom.options:
        changes["options"] = {**entry.options, **_texts(custom.options)}
        changes["is_lossless"] = False
    return entry.resolve(container, custom.pixel_format or entry.pixel_formats[0], **changes)


def _from_encoder(custom: CustomEncoding) -> Encoding:
    if custom.pixel_format is None:
        raise EncodingError(
            where=f'encoding "{custom.name}"',
            what="a bare encoder needs a pixel_format",
            remedy='Add for example pixel_format = "yuv422p10le".',
        )
    facts = custom.model_dump(exclude={"codec"}, exclude_none=True)
    return Encoding.model_validate(
        {
            **facts,
            "codec": custom.encoder,
            "options": _texts(custom.options),
            "caution": "Written by hand; nothing about this combination was checked.",
        }
    )


def _texts(options: dict[str, str | int | float]) -> dict[str, str]:
    return {key: str(value) for key, value in options.items()}

"""Names that this FFmpeg build knows, asked of its libraries: encoders, options, pixel formats."""

from collections.abc import Iterator, Sequence
from difflib import get_close_matches
from typing import TYPE_CHECKING, Final

import av

if TYPE_CHECKING:
    from av.codec.context import CodecOption

_SHOWN: Final = 3
"""As many names as a sentence carries."""


def nearest_encoders(name: str) -> list[str]:
    """Video encoders of this FFmpeg whose names are like this one, the nearest first."""
    known = sorted(av.codecs_available)
    inside = [known_name for known_name in known if name.lower() in known_name.lower()]
    near = get_close_matches(name.lower(), known, n=6, cutoff=0.6)
    return [other for other in dict.fromkeys([*inside, *near]) if is_video_encoder(other)][:_SHOWN]


def is_video_encoder(name: str) -> bool:
    """Whether this FFmpeg has a video encoder of exactly this name."""
    try:
        return av.codec.Codec(name, "w").type == "video"
    except av.codec.codec.UnknownCodecError:
        return False


def nearest_options(encoder: str, unknown: Sequence[str]) -> list[str]:
    """The encoder's options whose names are like one of these, the nearest of each first."""
    known = [option.name for option in _options(encoder)]
    near = [get_close_matches(name, known, n=_SHOWN, cutoff=0.6) for name in unknown]
    return list(dict.fromkeys(name for names in near for name in names))


def named_values(encoder: str, option_name: str) -> list[str]:
    """The names that an option's value may have; empty where it has none, or none are known."""
    options = [option for option in _options(encoder) if option.name == option_name]
    return [choice.name for choice in options[0].choices] if options else []


def pixel_formats(encoder: str) -> list[str]:
    """The pixel formats that an encoder takes; empty where it does not say."""
    return [form.name for form in av.codec.Codec(encoder, "w").video_formats or ()]


def nearest_pixel_formats(encoder: str, name: str) -> list[str]:
    """Of the pixel formats that an encoder takes, those with the most similar names."""
    return get_close_matches(name, pixel_formats(encoder), n=_SHOWN, cutoff=0.0)


def _options(encoder: str) -> "Iterator[CodecOption]":
    """The encoder's own options, then those that all encoders share; none before PyAV 18.1, which
    was the first to tell them."""
    supported = getattr(av.CodecContext.create(encoder, "w"), "supported_options", None)
    if supported is None:
        return
    from av.codec.context import OptionFlags

    yield from supported.private
    for option in supported.generic:
        if option.flags & OptionFlags.ENCODING_PARAM and option.flags & OptionFlags.VIDEO_PARAM:
            yield option

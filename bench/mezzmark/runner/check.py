"""Looks, before anything is measured, whether a scenario finds its files and its encoders."""

from collections.abc import Iterator

from mezzmark.engines.encode.encoders import (
    is_video_encoder,
    named_values,
    nearest_encoders,
    nearest_options,
    nearest_pixel_formats,
    pixel_formats,
    probe_encoding,
)
from mezzmark.model.catalogue.core import ENTRIES, find_encoding, resolve_custom
from mezzmark.model.encoding import ORIGINAL, Encoding
from mezzmark.model.errors import ScenarioError
from mezzmark.model.problems import place
from mezzmark.model.scenario import Scenario
from mezzmark.runner.prepare import expand_files


def check_scenario(plan: Scenario, *, source: str, text: str) -> tuple[str, ...]:
    """Warnings of catalogue encodings that this machine's FFmpeg cannot make.

    Raises FootageError for a path or glob that names no file, and ScenarioError, with the line in
    `text`, for a custom encoding that FFmpeg does not take as it is written.
    """
    for clip in plan.clips:
        if clip.files:
            expand_files(clip.files)
    for index, custom in enumerate(plan.custom_encodings):
        encoding = resolve_custom(custom)
        fault = probe_encoding(encoding)
        if fault:
            key = _key_at_fault(fault, encoding)
            raise ScenarioError(
                where=place(source, text=text, path=("custom_encodings", index, key)),
                what=f'encoding "{custom.name}" cannot be made: {fault}',
                remedy=_remedy(fault, encoding),
            )
    return tuple(_catalogue_warnings(plan))


def _catalogue_warnings(plan: Scenario) -> Iterator[str]:
    for name in plan.encodings:
        fault = "" if name == ORIGINAL else probe_encoding(find_encoding(name))
        if fault:
            yield f"warning: {name} will be left out on this machine: {fault}"


def _key_at_fault(fault: str, encoding: Encoding) -> str:
    if "has no encoder" in fault:
        return "encoder"
    if _is_foreign_format(encoding):
        return "pixel_format"
    return "options" if encoding.options else "pixel_format"


def _is_foreign_format(encoding: Encoding) -> bool:
    known = pixel_formats(encoding.encoder)
    return bool(known) and encoding.pixel_format not in known


def _remedy(fault: str, encoding: Encoding) -> str:
    """What to write instead, by the names that the FFmpeg at hand knows."""
    encoder = encoding.encoder
    if "has no encoder" in fault:
        near = nearest_encoders(encoder)
        if near:
            return f"Did you mean {' or '.join(near)}?"
        known = dict.fromkeys(e.encoder for e in ENTRIES if is_video_encoder(e.encoder))
        return f"No encoder has a like name; among those that are here: {', '.join(known)}."
    if _is_foreign_format(encoding):
        near = nearest_pixel_formats(encoder, encoding.pixel_format)
        return f"The nearest pixel formats that {encoder} takes: {', '.join(near)}."
    if "knows no option" in fault:
        unknown = fault.partition("knows no option ")[2].split(" and ")
        near = nearest_options(encoder, unknown)
        return f"Did you mean {' or '.join(near)}?" if near else "Check its spelling, or remove it."
    return _value_remedy(encoding)


def _value_remedy(encoding: Encoding) -> str:
    """Which values an option may have, where its value is none of its names and no number."""
    for name, value in encoding.options.items():
        known = named_values(encoding.encoder, name)
        if known and value not in known and not value.lstrip("-").isdecimal():
            return f'{name} has no value "{value}"; it takes {", ".join(known)}.'
    if not encoding.options:
        return "Choose another encoder or pixel format."
    return f"Check the value of {' and '.join(encoding.options)}, or leave it out."

"""Looks, before anything is measured, whether a scenario finds its files and its encoders."""

from collections.abc import Iterator

from mezzmark.engines.encoders import nearest_encoders, probe_encoding
from mezzmark.facts.catalogue import find_encoding, resolve_custom
from mezzmark.facts.encoding import ORIGINAL, Encoding
from mezzmark.facts.errors import ScenarioError
from mezzmark.facts.scenario import Scenario
from mezzmark.facts.scenario_problems import place
from mezzmark.runner.footage_files import expand_files


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
    if "pixel format" in fault:
        return "pixel_format"
    return "options" if encoding.options else "pixel_format"


def _remedy(fault: str, encoding: Encoding) -> str:
    if "has no encoder" in fault:
        near = nearest_encoders(encoding.encoder)
        return f"Did you mean {' or '.join(near)}?" if near else "`ffmpeg -encoders` lists them."
    return f"Correct it; `ffmpeg -h encoder={encoding.encoder}` lists options and pixel formats."

"""Shows the catalogue of encodings as a table."""

from collections.abc import Mapping

from rich.console import Console
from rich.table import Table

from mezzmark.facts.encoding import Encoding


def print_catalogue(found: Mapping[str, tuple[Encoding, str]]) -> None:
    """One row an encoding; the last column says what this machine refuses, if it was probed."""
    table = Table(title="Encodings", title_justify="left", header_style="bold")
    for heading in ("name", "codec", "profile", "container", "pixels", "kind", "FFmpeg", "remark"):
        table.add_column(heading, overflow="fold")
    for name, (encoding, refusal) in found.items():
        kind = "intra" if encoding.is_intra else f"long GOP ({encoding.keyframe_interval})"
        if encoding.is_lossless:
            kind += ", lossless"
        if encoding.has_alpha:
            kind += ", alpha"
        options = " ".join(f"{key}={value}" for key, value in encoding.options.items())
        table.add_row(
            name,
            encoding.codec,
            encoding.profile,
            encoding.container,
            encoding.pixel_format,
            kind,
            f"{encoding.encoder} {options}".strip(),
            f"not here: {refusal}" if refusal else encoding.caution,
        )
    Console().print(table)

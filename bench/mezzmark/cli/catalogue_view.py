"""Shows the catalogue of encodings as a table."""

from collections.abc import Mapping

from rich.console import Console
from rich.table import Table
from rich.text import Text

from mezzmark.facts.encoding import Encoding


def print_catalogue(found: Mapping[str, tuple[Encoding, str]]) -> None:
    """One row an encoding, one block a codec; refusals of this machine stand under their row."""
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("name", no_wrap=True)
    table.add_column("container, pixels", no_wrap=True)
    table.add_column("kind")
    table.add_column("FFmpeg encoder and options", overflow="fold", style="dim")
    codec = ""
    for name, (encoding, refusal) in found.items():
        if encoding.codec != codec:
            codec = encoding.codec
            table.add_row(Text(codec, style="bold cyan"))
        options = " ".join(f"{key}={value}" for key, value in encoding.options.items())
        table.add_row(
            f"  {name}",
            f"{encoding.container}, {encoding.pixel_format}",
            _kind(encoding),
            f"{encoding.encoder} {options}".strip(),
        )
        if refusal:
            table.add_row("", Text(f"not on this machine: {refusal}", style="red"))
    Console().print(table)


def _kind(encoding: Encoding) -> str:
    words = ["intra" if encoding.is_intra else f"key frame every {encoding.keyframe_interval}"]
    if encoding.is_lossless:
        words.append("lossless")
    if encoding.has_alpha:
        words.append("alpha")
    return ", ".join(words)

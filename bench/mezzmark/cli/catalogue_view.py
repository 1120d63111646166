"""Shows the catalogue of encodings as a table."""

from collections.abc import Mapping
from typing import Final

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from mezzmark.facts.encoding import Encoding

FAST_REMARK: Final = (
    "rdd36-…-fast: another encoder makes the same format, several times faster, with files of up "
    "to 1.5 times the profile's rate; the name without -fast is the careful, slow one. In other "
    "names -fast stands for quicker settings or a quicker codec."
)

_MARKS: Final = {True: Text("works", style="green"), False: Text("no", style="red")}


def print_catalogue(found: Mapping[str, tuple[Encoding, str]], *, is_probed: bool) -> None:
    """One row an encoding, one block a codec; whether it works here, if it was tried, and what
    stands against it under its row."""
    console = Console()
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("name", no_wrap=True)
    if is_probed:
        table.add_column("here", no_wrap=True)
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
            *([_MARKS[not refusal]] if is_probed else []),
            f"{encoding.container}, {encoding.pixel_format}",
            _kind(encoding),
            f"{encoding.encoder} {options}".strip(),
        )
    console.print(table)
    console.print()
    console.print(Text(FAST_REMARK, style="dim"))
    if not is_probed:
        console.print("`mezzmark encodings --probe` tries each on this machine.", markup=False)
        return
    refused = {name: refusal for name, (_, refusal) in found.items() if refusal}
    console.print(f"{len(found) - len(refused)} of {len(found)} work on this machine.")
    for name, refusal in refused.items():
        console.print(Padding(Text(f"{name}: {refusal}", style="red"), (0, 0, 0, 2)))


def _kind(encoding: Encoding) -> str:
    words = ["intra" if encoding.is_intra else f"key frame every {encoding.keyframe_interval}"]
    if encoding.is_lossless:
        words.append("lossless")
    if encoding.has_alpha:
        words.append("alpha")
    return ", ".join(words)

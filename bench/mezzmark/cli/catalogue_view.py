"""Shows the catalogue of encodings, a block a codec and a row an encoding."""

from collections.abc import Iterable, Mapping
from typing import Final

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from mezzmark.model.encoding import Encoding

FAST_REMARK: Final = (
    "rdd36-…-fast: another encoder makes the same format, several times faster, with files of up "
    "to 1.5 times the profile's rate; the name without -fast is the careful, slow one. In other "
    "names -fast stands for quicker settings or a quicker codec."
)

_WIDE: Final = 110
"""From so many characters on, encoder and options stand in the row; else in a line below it."""


def print_catalogue(found: Mapping[str, tuple[Encoding, str]], *, is_probed: bool) -> None:
    """One row an encoding, one block a codec; whether it works here, if it was tried, and at the
    end how many do and what stands against the others."""
    console = Console()
    is_wide = console.width >= _WIDE
    codec = ""
    for name, (encoding, refusal) in found.items():
        if encoding.codec != codec:
            codec = encoding.codec
            console.print(Text(codec, style="bold cyan"))
        row = Text.assemble(f"  {name:<{_widest(found)}}  ")
        if is_probed:
            row.append("no     " if refusal else "works  ", style="red" if refusal else "green")
        row.append(f"{encoding.container}, {encoding.pixel_format:<14} {_kind(encoding)}")
        options = " ".join(f"{key}={value}" for key, value in encoding.options.items())
        made_by = f"{encoding.encoder} {options}".strip()
        if is_wide:
            row.pad_right(_WIDE - 30 - len(row.plain))
        console.print(row, Text(made_by, style="dim") if is_wide else "", soft_wrap=is_wide)
        if not is_wide:
            console.print(Padding(Text(made_by, style="dim"), (0, 0, 0, 6)))
    console.print()
    console.print(Text(FAST_REMARK, style="dim"))
    if not is_probed:
        console.print("`mezzmark encodings --probe` tries each on this machine.", markup=False)
        return
    refused = {name: refusal for name, (_, refusal) in found.items() if refusal}
    console.print(f"{len(found) - len(refused)} of {len(found)} work on this machine.")
    for name, refusal in refused.items():
        console.print(Padding(Text(f"{name}: {refusal}", style="red"), (0, 0, 0, 2)))


def _widest(names: Iterable[str]) -> int:
    return max(len(name) for name in names)


def _kind(encoding: Encoding) -> str:
    words = ["intra" if encoding.is_intra else f"key frame every {encoding.keyframe_interval}"]
    if encoding.is_lossless:
        words.append("lossless")
    if encoding.has_alpha:
        words.append("alpha")
    return ", ".join(words)

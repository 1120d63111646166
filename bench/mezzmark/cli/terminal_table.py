"""A table for any width of terminal: no name, number or interval is broken in the middle.

A cell is shown whole; where that is too wide, an interval goes to a line of its own, and so do
`over` and `under`; where that is too wide as well, every row becomes a small block of
`heading  value` lines.
"""

import re
from collections.abc import Sequence
from typing import Final

from rich.cells import cell_len
from rich.console import Console
from rich.table import Table
from rich.text import Text

_GAP: Final = 2
"""Empty characters between columns."""

_BEFORE_INTERVAL: Final = re.compile(r" (?=\[)")
_BEFORE_INTERVAL_OR_SHARE: Final = re.compile(r" (?=\[)|(?<=over) |(?<=under) ")


def print_fitted(
    console: Console,
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    bold_rows: Sequence[int] = (),
) -> None:
    """Rows under their headings; the first column holds names, the others stand on the right."""
    for pattern in (None, _BEFORE_INTERVAL, _BEFORE_INTERVAL_OR_SHARE):
        cells = [_folded(row, pattern) for row in rows]
        widths = _column_widths(headings, cells, console.width)
        if widths is not None:
            console.print(_table(headings, cells, widths, bold_rows))
            return
    _print_blocks(console, headings, rows, bold_rows)


def _folded(row: Sequence[str], pattern: re.Pattern[str] | None) -> list[str]:
    """The row with lines broken at the pattern; names stay as they are."""
    name, *cells = row
    return [name, *(pattern.sub("\n", cell) if pattern else cell for cell in cells)]


def _column_widths(
    headings: Sequence[str], rows: Sequence[Sequence[str]], total_width: int
) -> list[int] | None:
    """Whole cells, and headings broken between words at most; None where that is too wide."""
    widths = [
        max(
            *(cell_len(word) for word in heading.split()),
            *(cell_len(line) for row in rows for line in row[place].split("\n")),
        )
        for place, heading in enumerate(headings)
    ]
    left = total_width - sum(widths) - _GAP * (len(widths) - 1)
    if left < 0:
        return None
    for place, heading in enumerate(headings):
        wider = min(left, max(0, cell_len(heading) - widths[place]))
        widths[place] += wider
        left -= wider
    return widths


def _table(
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    widths: Sequence[int],
    bold_rows: Sequence[int],
) -> Table:
    table = Table(box=None, padding=(0, _GAP, 0, 0), pad_edge=False, header_style="bold")
    for place, heading in enumerate(headings):
        table.add_column(Text(heading), justify="right" if place else "left", width=widths[place])
    for place, row in enumerate(rows):
        style = "bold" if place in bold_rows else ""
        table.add_row(*(Text(cell, style=style, no_wrap=True) for cell in row))
    return table


def _print_blocks(
    console: Console,
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    bold_rows: Sequence[int],
) -> None:
    for place, (name, *values) in enumerate(rows):
        console.print(Text(name, style="bold" if place in bold_rows else ""))
        block = Table.grid(padding=(0, _GAP, 0, 0))
        block.add_column(width=_GAP)
        block.add_column(style="dim")
        block.add_column(no_wrap=True)
        for heading, value in zip(headings[1:], values, strict=True):
            block.add_row("", Text(heading), Text(value))
        console.print(block)

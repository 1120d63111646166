"""Prints tables and sentences on a terminal, in at most 100 columns.

A cell is shown whole. Where that is too wide, intervals go below their figures; where that is too
wide as well, every row becomes a small block of `heading  value` lines.
"""

from collections.abc import Iterable, Sequence
from typing import Final, Literal

from rich.cells import cell_len
from rich.console import Console
from rich.padding import Padding
from rich.table import Table as Grid
from rich.text import Text

from mezzmark.report.tables.table import DASH, Column, Entry, Table

MOST_COLUMNS: Final = 100
_GAP: Final = 2
"""Empty characters between columns."""

_LEAST_LONG: Final = 28
"""Characters that a text of several lines needs to stand beside the other columns."""

_INDENT: Final = 4
_STYLES: Final = {"leader": "bold", "wrong": "yellow"}


def open_terminal() -> Console:
    """Standard output; wider windows are left empty on the right, where lines are hard to read."""
    console = Console(highlight=False)
    console.width = min(console.width, MOST_COLUMNS)
    return console


def print_lines(console: Console, lines: Iterable[str], *, style: str = "") -> None:
    """Sentences, each on lines of its own; nothing in them is taken for markup."""
    for line in lines:
        console.print(Text(line, style=style))


def print_table(console: Console, table: Table) -> None:
    """A table under its title and note; nothing where it has no rows."""
    if not table:
        return
    print_lines(console, [table.title] if table.title else [], style="bold")
    print_lines(console, [table.note] if table.note else [], style="dim")
    for is_folded in (False, True):
        if (widths := _column_widths(table, console.width, is_folded=is_folded)) is not None:
            _print_rows(console, table, widths, is_folded=is_folded)
            return
    _print_blocks(console, table)


def _shown(entry: Entry, *, is_folded: bool) -> str:
    return f"{entry.point}\n{entry.interval}".rstrip() if is_folded else entry.text


def _width(text: str) -> int:
    return max(map(cell_len, text.split("\n")))


def _column_widths(table: Table, most: int, *, is_folded: bool) -> list[int] | None:
    """Whole cells, and headings broken between words at most; 0 for a long text that goes below its
    row; None where that is too wide."""
    columns = list(zip(table.columns, zip(*table.rows, strict=True), strict=True))
    widths = [
        0
        if column.is_long
        else max(
            *(cell_len(word) for word in ("", *column.head.split())),
            *(_width(_shown(entry, is_folded=is_folded)) for entry in entries),
        )
        for column, entries in columns
    ]
    left = most - sum(widths) - _GAP * (len(widths) - 1)
    if left < 0:
        return None
    for place, (column, entries) in enumerate(columns):
        if column.is_long:
            longest = max(cell_len(entry.text) for entry in entries)
            widths[place] = min(longest, left) if left >= min(longest, _LEAST_LONG) else 0
            left -= widths[place]
    for place, column in enumerate(table.columns):
        wider = min(left, max(0, cell_len(column.head) - widths[place]))
        if widths[place]:
            widths[place] += wider
            left -= wider
    return widths


def _print_rows(console: Console, table: Table, widths: Sequence[int], *, is_folded: bool) -> None:
    if any(column.head for column in table.columns):
        heads = [Text(column.head, style="bold") for column in table.columns]
        console.print(_line(table.columns, heads, widths, vertical="bottom"))
    for row in table.rows:
        texts = [
            Text(_shown(entry, is_folded=is_folded), style=_style(entry, row)) for entry in row
        ]
        console.print(_line(table.columns, texts, widths))
        for entry, width in zip(row, widths, strict=True):
            if not width and entry.text != DASH:
                console.print(Padding(Text(entry.text, style="dim"), (0, 0, 0, _INDENT)))


def _style(entry: Entry, row: Sequence[Entry]) -> str:
    return _STYLES.get(entry.sign) or ("bold" if row[0].sign == "leader" else "")


def _line(
    columns: Sequence[Column[object]],
    texts: Sequence[Text],
    widths: Sequence[int],
    *,
    vertical: Literal["top", "bottom"] = "top",
) -> Grid:
    grid = Grid.grid(padding=(0, _GAP, 0, 0))
    shown = [place for place, width in enumerate(widths) if width]
    for place in shown:
        grid.add_column(
            width=widths[place], justify=columns[place].align, overflow="fold", vertical=vertical
        )
    grid.add_row(*(texts[place] for place in shown))
    return grid


def _print_blocks(console: Console, table: Table) -> None:
    """One block a row; what is not known is left out."""
    room = console.width - _INDENT - _GAP
    blocks = [list(zip(table.columns, row, strict=True))[1:] for row in table.rows]
    widest = max((_width(e.text) for b in blocks for c, e in b if not c.is_long), default=0)
    longest_head = max((_width(column.head) for column in table.columns[1:]), default=0)
    head_width = min(longest_head, max(room - widest, room // 4))
    for row, block in zip(table.rows, blocks, strict=True):
        console.print(Text(row[0].text, style=_style(row[0], row), overflow="fold"))
        grid = Grid.grid(padding=(0, _GAP, 0, 0))
        grid.add_column(width=_INDENT - _GAP)
        grid.add_column(style="dim", width=head_width, overflow="fold")
        grid.add_column(width=room - head_width, overflow="fold")
        for column, entry in block:
            if entry.text != DASH:
                grid.add_row("", Text(column.head), Text(entry.text, style=_style(entry, row)))
        console.print(grid)

"""Prints tables and sentences on a terminal, in at most 100 columns.

A cell is shown whole. Where that is too wide, intervals go below their figures; where that is too
wide as well, every row becomes a small block of `heading  value` lines.
"""

from collections.abc import Sequence
from typing import Any, Final, Literal

from rich.cells import cell_len
from rich.console import Console
from rich.padding import Padding
from rich.table import Table as Grid
from rich.text import Text

from mezzmark.report.prose.numbers import visible_text
from mezzmark.report.tables.table import DASH, Column, Entry, Table

MOST_COLUMNS: Final = 100
_GAP: Final = 2  # empty characters between columns

_LEAST_LONG: Final = 28
"""Characters that a text of several lines needs to stand beside the other columns."""

_INDENT: Final = 4
_STYLES: Final = {"leader": "bold", "wrong": "yellow"}

_Columns = Sequence[Column[Any]]


def open_terminal() -> Console:
    """Standard output; wider windows are left empty on the right, where lines are hard to read."""
    console = Console(highlight=False)
    console.width = min(console.width, MOST_COLUMNS)
    return console


def show(console: Console, *parts: str | Table, style: str = "") -> None:
    """Sentences, in `style` and never markup, and tables below one another."""
    for part in parts:
        if isinstance(part, Table):
            print_table(console, part)
        else:
            console.print(Text(visible_text(part), style=style))


def print_table(console: Console, table: Table) -> None:
    """A table under its title and note; nothing where it has no rows."""
    if not table:
        return
    show(console, *filter(None, [table.title]), style="bold")
    show(console, *filter(None, [table.note]), style="dim")
    for is_folded in (False, True):
        rows = [[_text(entry, row, is_folded=is_folded) for entry in row] for row in table.rows]
        if widths := _column_widths(table.columns, rows, console.width):
            _print_rows(console, table.columns, rows, widths)
            return
    _print_blocks(console, table)


def _text(entry: Entry, row: Sequence[Entry], *, is_folded: bool = False) -> Text:
    style = _STYLES.get(entry.sign) or ("bold" if row[0].sign == "leader" else "")
    text = f"{entry.point}\n{entry.interval}".rstrip() if is_folded else entry.text
    return Text(text, style=style, overflow="fold")


def _width(text: str) -> int:
    return max(map(cell_len, text.split("\n")))


def _column_widths(columns: _Columns, rows: Sequence[Sequence[Text]], most: int) -> list[int]:
    """Of whole cells and headings broken at words; 0: a long text below; none: too wide."""
    widest = [max(_width(text.plain) for text in texts) for texts in zip(*rows, strict=True)]
    widths = [
        0 if column.is_long else max(width, *map(cell_len, ("", *column.head.split())))
        for column, width in zip(columns, widest, strict=True)
    ]
    left = most - sum(widths) - _GAP * (len(widths) - 1)
    if left < 0:
        return []
    for place, column in enumerate(columns):
        wanted = max(widest[place], *map(cell_len, ("", *column.head.split())))
        if column.is_long and left >= min(wanted, _LEAST_LONG):
            widths[place] = min(wanted, left)
            left -= widths[place]
    for place, column in enumerate(columns):
        if widths[place]:
            wider = min(left, max(0, cell_len(column.head) - widths[place]))
            widths[place] += wider
            left -= wider
    return widths


def _print_rows(
    console: Console, columns: _Columns, rows: Sequence[Sequence[Text]], widths: Sequence[int]
) -> None:
    if any(column.head for column in columns):
        heads = [Text(column.head, style="bold") for column in columns]
        console.print(_line(columns, heads, widths, vertical="bottom"))
    for row in rows:
        console.print(_line(columns, row, widths))
        for text, width in zip(row, widths, strict=True):
            if not width and text.plain != DASH:
                console.print(Padding(Text(text.plain, style="dim"), (0, 0, 0, _INDENT)))


def _line(
    columns: _Columns,
    texts: Sequence[Text],
    widths: Sequence[int],
    *,
    vertical: Literal["top", "bottom"] = "top",
) -> Grid:
    grid = Grid.grid(padding=(0, _GAP, 0, 0))
    for column, width in zip(columns, widths, strict=True):
        if width:
            grid.add_column(width=width, justify=column.align, overflow="fold", vertical=vertical)
    grid.add_row(*(text for text, width in zip(texts, widths, strict=True) if width))
    return grid


def _print_blocks(console: Console, table: Table) -> None:
    """One block a row; what is not known is left out."""
    room = console.width - _INDENT - _GAP
    columns = table.columns[1:]
    figures = [
        row[place] for row in table.rows for place, c in enumerate(columns, 1) if not c.is_long
    ]
    widest = max((_width(entry.text) for entry in figures), default=0)
    longest_head = max((_width(column.head) for column in columns), default=0)
    head_width = min(longest_head, max(room - widest, room // 4))
    for row in table.rows:
        console.print(_text(row[0], row))
        grid = Grid.grid(padding=(0, _GAP, 0, 0))
        grid.add_column(width=_INDENT - _GAP)
        grid.add_column(style="dim", width=head_width, overflow="fold")
        grid.add_column(width=room - head_width, overflow="fold")
        for column, entry in zip(columns, row[1:], strict=True):
            if entry.text != DASH:
                grid.add_row("", Text(column.head), _text(entry, row))
        console.print(grid)

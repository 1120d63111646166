"""Shows what encodings would ask of a shop: the answer, one compact table, and details on wish."""

import json
import re
import textwrap
from collections.abc import Sequence
from typing import Final

from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from mezzmark.decide.size.result import SizingResult
from mezzmark.report.prose.numbers import shown_name, visible_text
from mezzmark.report.prose.size import sizing_sentences
from mezzmark.report.tables.size import Cell, Summary, sizing_tables, summarise_sizing
from mezzmark.report.tables.table import DASH, Table

_JOINED: Final = "\u00a0"

_INTERVAL: Final = re.compile(r"\S+(?: \S+)? \[[^\[\]]*\](?: (?:%|[^\W\d]\S*))?|\[[^\[\]]*\]")
"""`2.5 [2.3, 2.8] days`, `12 ms [11, 13]`, `[1, 2]`."""

_MEASURE: Final = re.compile(
    r"(?<=\d) (?=(?:%|h|min|s|ms|cores?|[kMGTP]?B(?:/s)?|[kMG]?bit/s|bytes)\b|%)"
)


def wrap_whole(text: str, *, width: int) -> list[str]:
    """`text` as lines of at most `width` characters, broken only between whole things; a thing
    longer than a line gets its own."""
    joined = _INTERVAL.sub(lambda found: found[0].replace(" ", _JOINED), text)
    joined = _MEASURE.sub(_JOINED, joined)
    lines = textwrap.wrap(joined, width, break_long_words=False, break_on_hyphens=False)
    return [line.replace(_JOINED, " ") for line in lines]


WIDE_COLUMNS: Final = 5
"""A table with more columns than this is turned, so that it fits a terminal."""

SHORTEST_NAME: Final = 12

JSON_SCHEMA: Final = 1
"""Version of what `--json` prints; results/README.md describes it."""


def print_sizing(result: SizingResult, *, as_json: bool, with_detail: bool = False) -> None:
    """The answer and its compact table; `with_detail` every figure and assumption as well."""
    if as_json:
        facts = result.model_dump(mode="json")
        shown = {"schema": JSON_SCHEMA, **facts, "sentences": sizing_sentences(result)}
        print(json.dumps(shown, indent=2, ensure_ascii=False))
        return
    console = Console()
    headline, *findings = sizing_sentences(result)
    _print_text(console, headline, style="bold")
    if findings:
        _print_text(console, " ".join(findings))
    console.print()
    summary = summarise_sizing(result)
    for line in summary_lines(summary, width=console.width):
        console.print(Text(line), no_wrap=True, overflow="ignore", crop=False)
    console.print()
    _print_text(console, " ".join(summary.meanings), style="dim")
    for note in summary.notes:
        _print_text(console, f"· {note}", style="dim")
    if with_detail:
        _print_detail(console, result)


def summary_lines(summary: Summary, *, width: int) -> tuple[str, ...]:
    """The compact table as lines no wider than `width`, wherever names can be shortened so far.

    Intervals stand beside their figures where there is room, and below them otherwise; then
    columns move together, and only then names are shortened.
    """
    beside = [[[_beside(cell) for cell in row]] for row in summary.rows]
    below = [[[cell.main for cell in row], [cell.below for cell in row]] for row in summary.rows]
    for rows in (beside, below):
        lines = _lines(summary, rows, gap=2)
        if max(map(len, lines)) <= width:
            return lines
    return _lines(summary, below, gap=1, width=width)


def _beside(cell: Cell) -> str:
    return f"{cell.main} {cell.below}".rstrip()


def _lines(
    summary: Summary,
    rows: Sequence[Sequence[Sequence[str]]],
    *,
    gap: int,
    width: int | None = None,
) -> tuple[str, ...]:
    """Headings and rows in columns of one width; `width` shortens names until lines have it."""
    headings = [list(line) for line in zip(*summary.headings, strict=True)]
    # A row of which nothing stands below keeps one line.
    lines = [[visible_text(text) for text in line] for row in rows for line in row if any(line)]
    widths = _column_widths([*headings, *lines])
    if width is not None:
        room = width - sum(widths[1:]) - gap * (len(widths) - 1)
        lines = [[shown_name(line[0], limit=max(SHORTEST_NAME, room)), *line[1:]] for line in lines]
        widths = _column_widths([*headings, *lines])
    return tuple(_aligned(line, widths, gap=gap) for line in (*headings, *lines))


def _column_widths(lines: Sequence[Sequence[str]]) -> list[int]:
    return [max(map(len, column)) for column in zip(*lines, strict=True)]


def _aligned(line: Sequence[str], widths: Sequence[int], *, gap: int) -> str:
    """Names to the left, everything else to the right."""
    first, *others = zip(line, widths, strict=True)
    cells = [first[0].ljust(first[1]), *(text.rjust(width) for text, width in others)]
    return (" " * gap).join(cells).rstrip()


def _print_text(console: Console, text: str, *, style: str = "") -> None:
    for line in wrap_whole(visible_text(text), width=console.width):
        console.print(Text(line, style=style), no_wrap=True, overflow="ignore", crop=False)


def _print_detail(console: Console, result: SizingResult) -> None:
    console.print()
    for table in sizing_tables(result):
        _print_table(console, table)


def _print_table(console: Console, table: Table) -> None:
    _print_text(console, table.title, style="bold")
    _print_text(console, table.note, style="dim")
    rows = [tuple(visible_text(entry.text) for entry in row) for row in table.rows]
    if table.table_id == "sizing" or len(table.columns) > WIDE_COLUMNS:
        _print_turned(console, table.columns, rows)
        return
    grid = Grid(box=None, padding=(0, 2, 0, 0), header_style="bold")
    last = len(table.columns) - 1
    for position, heading in enumerate(table.columns):
        is_text = position in (0, *table.texts)
        # Only the last column, which holds sentences, may run over several lines.
        grid.add_column(
            Text(heading),
            justify="left" if is_text else "right",
            no_wrap=position != last,
        )
    for row in rows:
        grid.add_row(*(Text(text) for text in row))
    console.print(grid)
    console.print()


def _print_turned(console: Console, columns: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    """One small block for each column after the first; rows that say nothing of it are left out."""
    for position, heading in enumerate(columns[1:], start=1):
        grid = Grid(box=None, padding=(0, 2, 0, 2), show_header=False)
        grid.add_column(style="dim")
        grid.add_column(justify="left", no_wrap=True)
        for row in rows:
            if row[position] != DASH:
                grid.add_row(Text(row[0]), Text(row[position]))
        console.print(Text(heading, style="bold cyan"))
        console.print(grid)
    console.print()

"""Shows what encodings would ask of a shop."""

from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from mezzmark.decide.wording import visible_text
from mezzmark.facts.sizing import SizingResult
from mezzmark.report.sizing_tables import sizing_tables
from mezzmark.report.tables import Table

WIDE_COLUMNS = 5
"""A table with more columns than this is turned, so that it fits a terminal."""


def print_sizing(result: SizingResult, *, as_json: bool) -> None:
    """Tables with their notes, or the whole result as JSON."""
    if as_json:
        print(result.model_dump_json(indent=2))
        return
    console = Console()
    for table in sizing_tables(result):
        _print_table(console, table)
    for note in result.notes:
        console.print(Text(visible_text(f"· {note}"), style="dim"))
    for found in result.encodings:
        for note in found.notes:
            console.print(Text(visible_text(f"· {found.encoding}: {note}"), style="dim"))


def _print_table(console: Console, table: Table) -> None:
    console.print(Text(table.title, style="bold"))
    console.print(Text(table.note, style="dim"))
    rows = [tuple(visible_text(entry.text) for entry in row) for row in table.rows]
    if len(table.columns) > WIDE_COLUMNS:
        _print_turned(console, table.columns, rows)
        return
    grid = Grid(box=None, padding=(0, 2, 0, 0), header_style="bold")
    for position, heading in enumerate(table.columns):
        grid.add_column(Text(heading), justify="left" if position in (0, *table.texts) else "right")
    for row in rows:
        grid.add_row(*(Text(text) for text in row))
    console.print(grid)
    console.print()


def _print_turned(console: Console, columns: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    """One small block for each column after the first."""
    for position, heading in enumerate(columns[1:], start=1):
        grid = Grid(box=None, padding=(0, 2, 0, 2), show_header=False)
        grid.add_column(style="dim")
        grid.add_column(justify="right")
        for row in rows:
            grid.add_row(Text(row[0]), Text(row[position]))
        console.print(Text(heading, style="bold cyan"))
        console.print(grid)
    console.print()

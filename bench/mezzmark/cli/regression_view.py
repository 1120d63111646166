"""Shows a comparison of runs on a terminal."""

from rich.console import Console
from rich.table import Table
from rich.text import Text

from mezzmark.decide.verdicts import RegressionReport, Verdict
from mezzmark.report.regression import (
    MARKS,
    context_lines,
    detectable_text,
    ratio_text,
    remark_text,
)

_STYLES: dict[Verdict, str] = {
    "improved": "blue",
    "equivalent": "",
    "regressed": "bold yellow",
    "inconclusive": "dim",
    "not comparable": "dim italic",
}


def print_regression(report: RegressionReport) -> None:
    """The overall verdict, a row a cell, and what it rests on."""
    console = Console()
    console.print(Text(report.verdict.capitalize(), style=_STYLES[report.verdict] or "bold"))
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("")
    table.add_column("cell", overflow="fold")
    table.add_column("verdict", no_wrap=True)
    table.add_column("cost ratio", no_wrap=True)
    table.add_column("would have seen", justify="right")
    table.add_column("remark", overflow="fold")
    for cell in report.cells:
        style = _STYLES[cell.verdict]
        table.add_row(
            Text(MARKS[cell.verdict], style=style),
            Text(cell.cell.cell_id),
            Text(cell.verdict, style=style),
            ratio_text(cell),
            detectable_text(cell),
            Text(remark_text(cell)),
        )
    console.print(table)
    for line in context_lines(report):
        console.print(Text(f"· {line}", style="dim"))

"""Shows a comparison of runs on a terminal."""

from rich.console import Console
from rich.table import Table
from rich.text import Text

from mezzmark.decide.verdicts import RegressionReport, Verdict
from mezzmark.decide.wording import visible_text
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
    table.add_column("verdict and cell", overflow="fold")
    table.add_column("cost ratio", no_wrap=True)
    table.add_column("would have seen", justify="right")
    for cell in report.cells:
        style = _STYLES[cell.verdict]
        named = Text(f"{cell.verdict}  ", style=style).append(
            visible_text(cell.cell.cell_id), style="default"
        )
        if cell.verdict not in ("equivalent", "improved") and remark_text(cell):
            named.append(f"\n  {visible_text(remark_text(cell))}", style="dim")
        table.add_row(
            Text(MARKS[cell.verdict], style=style),
            named,
            Text(ratio_text(cell)),
            detectable_text(cell),
        )
    console.print(table)
    for line in context_lines(report):
        console.print(Text(visible_text(f"· {line}"), style="dim"))

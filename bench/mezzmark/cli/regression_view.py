"""Shows a comparison of runs on a terminal."""

from collections.abc import Sequence
from typing import Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from mezzmark.decide.compare.verdicts import CellVerdict, RegressionReport, Verdict
from mezzmark.report.prose.numbers import visible_text
from mezzmark.report.prose.regress import (
    context_lines,
    remark_text,
    summarise_regression,
    unjudged_lines,
)
from mezzmark.report.tables.regression import (
    FINDABLE_HEADING,
    MARKS,
    detectable_text,
    judged_cells,
    ratio_text,
)

FINDABLE_WIDTH: Final = len("smallest change")
"""Characters of the column that breaks its heading in two lines."""

_STYLES: dict[Verdict, str] = {
    "improved": "blue",
    "equivalent": "",
    "regressed": "bold yellow",
    "inconclusive": "dim",
    "not comparable": "dim italic",
}


def print_regression(report: RegressionReport) -> None:
    """The overall verdict, what could not be judged by reason, a row for each cell that was, and
    what it rests on."""
    console = Console()
    console.print(Text(report.verdict.capitalize(), style=_STYLES[report.verdict] or "bold"))
    console.print(Text(visible_text(summarise_regression(report))))
    for line in unjudged_lines(report):
        console.print(Text(visible_text(line), style="dim"))
    judged = judged_cells(report)
    if judged:
        console.print(_table(judged, report))
    for line in context_lines(report):
        console.print(Text(visible_text(f"· {line}"), style="dim"))


def _table(cells: Sequence[CellVerdict], report: RegressionReport) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("")
    table.add_column("verdict and cell", overflow="fold")
    table.add_column("cost ratio", no_wrap=True)
    table.add_column(FINDABLE_HEADING, justify="right", width=FINDABLE_WIDTH)
    for cell in cells:
        style = _STYLES[cell.verdict]
        named = Text(f"{cell.verdict}  ", style=style).append(
            visible_text(cell.cell.cell_id), style="default"
        )
        if cell.verdict not in ("equivalent", "improved") and remark_text(cell, report):
            named.append(f"\n  {visible_text(remark_text(cell, report))}", style="dim")
        table.add_row(
            Text(MARKS[cell.verdict], style=style),
            named,
            Text(ratio_text(cell)),
            detectable_text(cell),
        )
    return table

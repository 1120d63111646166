"""Results as notebooks show them: the answer, its tables, and a figure where there is one; stands
alone, being imported only where IPython runs.

Importing this gives the results' classes the method `_repr_html_` that IPython asks for.
"""

from collections.abc import Callable, Iterable
from functools import partial
from typing import Any, Final

import pandas as pd
from markupsafe import Markup

from mezzmark.decide.choose.choice import Choice, choice_plane
from mezzmark.decide.compare.self_test import SelfTestReport
from mezzmark.decide.compare.verdicts import RegressionReport
from mezzmark.decide.size.result import SizingResult
from mezzmark.model.inspection import Inspection
from mezzmark.report.export.files import RunFrames
from mezzmark.report.figures.drawing import make_picture
from mezzmark.report.figures.scatter import draw_choice
from mezzmark.report.page import ReportPaths
from mezzmark.report.prose import choice as words
from mezzmark.report.prose.footage import file_advice
from mezzmark.report.prose.machine import machine_advice
from mezzmark.report.prose.regress import summarise_regression
from mezzmark.report.prose.size import sizing_sentences
from mezzmark.report.site import SitePaths
from mezzmark.report.tables import choice, facts, regression, size
from mezzmark.report.tables.table import Table

Part = str | Table | pd.DataFrame


def _choice(found: Choice) -> Iterable[Part]:
    table, plane = choice.choice_table(found, table_id="choice"), choice_plane(found)
    yield from (words.headline(found), *words.findings(found))
    yield from (table, choice.doubt_table(found, table_id="doubts"))
    if plane:
        draw = partial(draw_choice, found, plane, anchors=table.links)
        yield make_picture("choice", draw).page_svg


def _report(paths: ReportPaths) -> Iterable[Part]:
    yield from (paths.answer, str(paths.html))
    yield from (Markup(path.read_text(encoding="utf-8")) for path in paths.figures[:1])


PARTS: Final[dict[type, Callable[[Any], Iterable[Part]]]] = {
    Choice: _choice,
    Inspection: lambda f: (facts.inspection_table(f), facts.advice_table(file_advice(f))),
    RegressionReport: lambda r: (summarise_regression(r), regression.regression_table(r)),
    ReportPaths: _report,
    RunFrames: lambda frames: (frames.cells,),
    SelfTestReport: lambda r: (facts.self_test_table(r), facts.advice_table(machine_advice(r))),
    SitePaths: lambda paths: (paths.answer, str(paths.index)),
    SizingResult: lambda r: (*sizing_sentences(r), size.sizing_summary(r)),
}
"""What is shown of each kind of result."""


def html_of(result: Any) -> str:
    """The result as HTML; text that others wrote is escaped."""
    with pd.option_context("display.max_colwidth", None):
        return "\n".join(_html(part) for part in PARTS[type(result)](result))


def _html(part: Part) -> str:
    if isinstance(part, Table):
        rows = [[entry.text for entry in row] for row in part.rows]
        heads = [column.head for column in part.columns]
        return pd.DataFrame(rows, columns=heads).to_html(index=False, header=any(heads), border=0)
    if isinstance(part, pd.DataFrame):
        return part.to_html(max_rows=20, border=0)
    return str(Markup('<p style="white-space: pre-wrap">{}</p>').format(part))


for kind in PARTS:
    setattr(kind, "_repr_html_", html_of)  # noqa: B010 (mypy knows no such attribute)

"""The report's section on choosing: shown where the scenario says what is needed and wished for."""

from dataclasses import dataclass
from functools import partial

from mezzmark.decide.choose.choice import Choice, choice_plane
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.scatter import draw_choice
from mezzmark.report.prose.choice import (
    findings,
    headline,
    tipping_sentences,
)
from mezzmark.report.tables.choice import choice_order, choice_table, doubt_table
from mezzmark.report.tables.table import Table, filled
from mezzmark.report.view import RunView


@dataclass(frozen=True, slots=True, kw_only=True)
class ChooseSection:
    """The choice in words, as a table of all encodings and as a figure of the kind `choice`; only
    the headline where nothing can be chosen, and no figure without two figures to draw."""

    headline: str
    sentences: tuple[str, ...]
    tables: tuple[Table, ...]
    pictures: tuple[Picture, ...] = ()


def build_choose_section(view: RunView, *, prefix: str) -> ChooseSection | None:
    """The section of one run, or None where its scenario has no `[choose]` table."""
    if view.choice_problem:
        return ChooseSection(
            headline=f"Nothing can be chosen from this run: {view.choice_problem}.",
            sentences=(),
            tables=(),
        )
    choice = view.choice
    if choice is None:
        return None
    table_id = f"{prefix}choice"
    tables = (
        choice_table(choice, table_id=table_id),
        doubt_table(choice, table_id=f"{table_id}-why"),
    )
    return ChooseSection(
        headline=headline(choice),
        sentences=(*findings(choice), *tipping_sentences(choice)),
        tables=filled(*tables),
        pictures=_pictures(choice, prefix=prefix, table_id=table_id),
    )


def _pictures(choice: Choice, *, prefix: str, table_id: str) -> tuple[Picture, ...]:
    plane = choice_plane(choice)
    if plane is None:
        return ()
    anchors = {
        entry.encoding: f"{table_id}-{index}" for index, entry in enumerate(choice_order(choice))
    }
    draw = partial(draw_choice, choice, plane, anchors=anchors)
    return (make_picture("choice", f"{prefix}choice", draw),)

"""The report's section on choosing: shown where the scenario says what is needed and wished for."""

from dataclasses import dataclass
from functools import partial

from mezzmark.decide.choose.choice import Choice, JudgedEncoding
from mezzmark.report.figures.choice import draw_choice
from mezzmark.report.figures.choice_points import choice_plane, pareto_points
from mezzmark.report.figures.gallery import Picture, make_picture
from mezzmark.report.figures.theme import own_look
from mezzmark.report.prose.choice import (
    against_text,
    chance_text,
    findings,
    headline,
    rounds_text,
    tipping_sentences,
)
from mezzmark.report.prose.numbers import estimate_text, list_text, shown_name, visible_text
from mezzmark.report.tables.table import DASH, Entry, Table
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
    return ChooseSection(
        headline=headline(choice),
        sentences=(*findings(choice), *tipping_sentences(choice)),
        tables=(choice_table(choice, table_id=table_id), *_doubts(choice, f"{table_id}-why")),
        pictures=_pictures(choice, prefix=prefix, table_id=table_id),
    )


def _pictures(choice: Choice, *, prefix: str, table_id: str) -> tuple[Picture, ...]:
    plane = choice_plane(choice)
    if plane is None:
        return ()
    anchors = {
        entry.encoding: f"{table_id}-{index}" for index, entry in enumerate(_in_order(choice))
    }
    front = [point.judged.encoding for point in pareto_points(plane)]
    with own_look():
        return (
            make_picture(
                "choice",
                f"{prefix}choice",
                "What meets your needs, and at what price",
                "The line joins the encodings that no other one beats in both of these; hollow "
                "ones miss a need. Whether an encoding is beaten is judged over all wishes, so "
                "one behind the line may still be the better in a third.",
                f"Not beaten in both: {list_text(front) if front else 'none'}. Recommended: "
                f"{shown_name(choice.recommendation) if choice.recommendation else 'none'}.",
                partial(draw_choice, choice, plane, anchors=anchors),
            ),
        )


def _in_order(choice: Choice) -> list[JudgedEncoding]:
    """The recommended one first, the ruled out last."""
    order = ("meets", "open", "not judged", "ruled out")
    return sorted(
        choice.encodings,
        key=lambda e: (
            e.encoding != choice.leader,
            order.index(e.status),
            -(e.chance_best or 0),
            e.encoding,
        ),
    )


def choice_table(choice: Choice, *, table_id: str) -> Table:
    """All encodings: the recommended one first, the ruled out last."""
    wishes = [wish.figure for wish in choice.wishes]
    entries = _in_order(choice)
    return Table(
        table_id=table_id,
        title="Needs and wishes, encoding by encoding",
        note=(
            f"{choice.confidence_level * 100:g} % intervals in brackets; {rounds_text(choice)}. "
            "An encoding is off the front when another one equals or beats it in all that is "
            "wished for and beats it in something."
        ),
        columns=(
            "encoding",
            "needs",
            "chance to meet all",
            "chance to be the best",
            "front",
            *(figure.label for figure in wishes),
        ),
        rows=tuple(_row(choice, entry, [figure.name for figure in wishes]) for entry in entries),
        anchors=tuple(f"{table_id}-{index}" for index in range(len(entries))),
        texts=(0, 1, 4),
    )


def _doubts(choice: Choice, table_id: str) -> tuple[Table, ...]:
    """What speaks against each encoding, as a table of its own: the texts are long."""
    rows = tuple(
        (
            Entry(text=visible_text(entry.encoding), sort=entry.encoding),
            Entry(text=entry.status, sort=entry.status),
            Entry(text=why),
        )
        for entry in _in_order(choice)
        if (why := against_text(choice, entry))
    )
    if not rows:
        return ()
    return (
        Table(
            table_id=table_id,
            title="What speaks against an encoding",
            note="Each need that is missed or open: what was measured, how far that is from the "
            "limit, and the chance of meeting it.",
            columns=("encoding", "needs", "why"),
            rows=rows,
            texts=(0, 1, 2),
        ),
    )


def _row(choice: Choice, entry: JudgedEncoding, figures: list[str]) -> tuple[Entry, ...]:
    sign = "lead" if entry.encoding == choice.recommendation else ""
    measured = []
    for name in figures:
        estimate = entry.figures.get(name)
        text = estimate_text(estimate) if estimate else entry.no_numbers.get(name) or DASH
        measured.append(Entry(text=text, sort=estimate.point if estimate else None))
    return (
        Entry(text=visible_text(entry.encoding), sort=entry.encoding, sign=sign),
        Entry(text=entry.status),
        Entry(text="not known")
        if choice.needs_not_shown and entry.chance_all is None
        else _chance(entry.chance_all),
        _chance(entry.chance_best),
        Entry(text=entry.front or DASH),
        *measured,
    )


def _chance(chance: float | None) -> Entry:
    return Entry(text=DASH) if chance is None else Entry(text=chance_text(chance), sort=chance)

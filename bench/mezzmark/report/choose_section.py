"""The report's section on choosing: shown where the scenario says what is needed and wished for."""

from dataclasses import dataclass

from mezzmark.decide.choose import choose_encoding
from mezzmark.decide.choose_words import (
    chance_text,
    findings,
    flip_sentences,
    headline,
    need_text,
)
from mezzmark.decide.wording import estimate_text, visible_text
from mezzmark.facts.choice import Choice, JudgedEncoding
from mezzmark.facts.choosing import parse_wish
from mezzmark.facts.errors import ScenarioError
from mezzmark.report.tables import DASH, Entry, Table
from mezzmark.report.view import RunView


@dataclass(frozen=True, slots=True, kw_only=True)
class ChooseSection:
    """The choice in words and as a table of all encodings; no table where nothing can be chosen."""

    headline: str
    sentences: tuple[str, ...]
    tables: tuple[Table, ...]


def build_choose_section(view: RunView, *, prefix: str) -> ChooseSection | None:
    """The section of one run, or None where its scenario has no `[choose]` table."""
    settings = view.manifest.scenario.choose
    if settings is None:
        return None
    try:
        choice = choose_encoding([view], settings)
    except ScenarioError as problem:
        return ChooseSection(
            headline=f"Nothing can be chosen from this run: {problem.what}.",
            sentences=(),
            tables=(),
        )
    return ChooseSection(
        headline=headline(choice),
        sentences=(*findings(choice), *flip_sentences(choice)),
        tables=(choice_table(choice, table_id=f"{prefix}choice"),),
    )


def choice_table(choice: Choice, *, table_id: str) -> Table:
    """All encodings: the recommended one first, the ruled out last."""
    wishes = [parse_wish(text).figure for text in choice.wishes]
    order = ("meets", "open", "not judged", "ruled out")
    entries = sorted(
        choice.encodings,
        key=lambda e: (
            e.encoding != choice.recommendation,
            order.index(e.status),
            -(e.chance_best or 0),
            e.encoding,
        ),
    )
    return Table(
        table_id=table_id,
        title="Needs and wishes, encoding by encoding",
        note=(
            f"{choice.confidence_level * 100:g} % intervals in brackets; {choice.unit_count} "
            f"{choice.unit}s. An encoding is off the front when another one equals or beats it in "
            "all that is wished for and beats it in something."
        ),
        columns=(
            "encoding",
            "needs",
            "chance to meet all",
            "chance to be the best",
            "front",
            *(figure.label for figure in wishes),
            "why",
        ),
        rows=tuple(_row(choice, entry, [figure.name for figure in wishes]) for entry in entries),
        texts=(0, 1, 4, 5 + len(wishes)),
    )


def _row(choice: Choice, entry: JudgedEncoding, figures: list[str]) -> tuple[Entry, ...]:
    sign = "lead" if entry.encoding == choice.recommendation else ""
    measured = []
    for name in figures:
        estimate = entry.figures.get(name)
        text = estimate_text(estimate) if estimate else entry.settings.get(name) or DASH
        measured.append(Entry(text=text, sort=estimate.point if estimate else None))
    return (
        Entry(text=visible_text(entry.encoding), sort=entry.encoding, sign=sign),
        Entry(text=entry.status),
        _chance(entry.chance_all),
        _chance(entry.chance_best),
        Entry(text=entry.front or DASH),
        *measured,
        Entry(text=_why(entry) or DASH),
    )


def _chance(chance: float | None) -> Entry:
    return Entry(text=DASH) if chance is None else Entry(text=chance_text(chance), sort=chance)


def _why(entry: JudgedEncoding) -> str:
    """What speaks against an encoding: needs missed or open, or why it is not judged."""
    if entry.status == "not judged":
        return "; ".join(visible_text(reason) for reason in entry.reasons)
    return "; ".join(need_text(r) for r in entry.needs if r.outcome in ("misses", "open"))

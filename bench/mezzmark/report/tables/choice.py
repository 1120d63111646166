"""The tables of a choice: every encoding by needs and wishes, and what speaks against it."""

from collections.abc import Collection, Mapping
from functools import partial

from mezzmark.decide.choose.choice import Choice, JudgedEncoding
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.fact import text_of
from mezzmark.model.request import Need
from mezzmark.report.prose import choice as words
from mezzmark.report.prose.needs import (
    chance_text,
    found_text,
    limit_text,
    need_label,
    outcome_text,
)
from mezzmark.report.prose.numbers import visible_text
from mezzmark.report.prose.table_notes import NOTES, choice_note
from mezzmark.report.tables.table import Column, Content, Entry, Table, tabulate, worded

_STATUS_ORDER = ("meets", "open", "not judged", "ruled out")


def _order(choice: Choice) -> list[JudgedEncoding]:
    """The recommended one first, the ruled out last."""

    def key(entry: JudgedEncoding) -> tuple[object, ...]:
        place, chance = _STATUS_ORDER.index(entry.status), -(entry.chance_best or 0)
        return entry.encoding != choice.leader, place, chance, entry.encoding

    return sorted(choice.encodings, key=key)


def choice_table(choice: Choice, *, table_id: str, in_play_only: bool = False) -> Table:
    """All encodings: the recommended one first, the ruled out last; or those alone that may be
    used, without the column that says so. Rows are found by encoding."""
    needs: list[Column[JudgedEncoding]] = [
        Column("needs", lambda e: words.STATUSES[e.status], "left"),
        Column("chance to meet all", partial(_chance_all, choice)),
    ]
    return tabulate(
        [e for e in _order(choice) if not in_play_only or e.status in ("meets", "open")],
        Column("encoding", partial(_named, choice), "left"),
        *(needs[1:] if in_play_only else needs),
        Column("chance to be the best", lambda e: worded(e.chance_best, chance_text)),
        Column("by all wishes", lambda e: words.FRONTS[e.front], "left"),
        *(Column(w.figure.label, partial(_wished, w.figure.name)) for w in choice.wishes),
        table_id=table_id,
        title="Needs and wishes, encoding by encoding",
        note=choice_note(choice),
        key=lambda e: e.encoding,
    )


@text_of.register
def choice_text(choice: Choice) -> str:
    """All of a choice as plain text."""
    told = (words.headline(choice), *words.findings(choice))
    return "\n- ".join(told) + f"\n\n{choice_table(choice, table_id='choice')}"


def checklist(choice: Choice, about: Mapping[str, str], *, table_id: str) -> Table:
    """Each need beside what the original and the recommended or nearest, told by `about`, have."""
    names = [entry.encoding for entry in choice.encodings if entry.encoding == ORIGINAL]
    nearest = choice.nearest[0].encoding if choice.nearest else None
    if (best := choice.leader or nearest) and best != ORIGINAL:
        names.append(best)
    return tabulate(
        choice.needs,
        Column("need", need_label, "left"),
        Column("limit", limit_text, "left"),
        *(
            Column(
                f"{visible_text(name)}: {about[name]}",
                partial(_checked, choice.find(name)),
                "left",
            )
            for name in names
        ),
        table_id=table_id,
        title="Needs",
    )


def _checked(entry: JudgedEncoding, need: Need) -> Content:
    result = next((result for result in entry.needs if result.need == need), None)
    if result is None:
        return None
    sign = {"misses": "wrong", "meets": "met"}.get(result.outcome, "")
    return Entry(" ".join(filter(None, (found_text(result), outcome_text(result)))), sign=sign)


def doubt_table(choice: Choice, *, table_id: str, but: Collection[str] = ()) -> Table:
    """What speaks against each encoding `but` some, as a table of its own: the texts are long."""
    rows = [e for e in _order(choice) if words.against_text(choice, e) and e.encoding not in but]
    return tabulate(
        rows,
        Column("encoding", lambda e: e.encoding, "left"),
        Column("needs", lambda e: words.STATUSES[e.status], "left"),
        Column("why", partial(words.against_text, choice), "left", is_long=True),
        table_id=table_id,
        title="Why rejected" + ", or open" * any(entry.status == "open" for entry in rows),
        note=NOTES["doubts"],
    )


def _named(choice: Choice, entry: JudgedEncoding) -> Entry:
    sign = "leader" if entry.encoding == choice.recommendation else ""
    return Entry(visible_text(entry.encoding), sign=sign)


def _chance_all(choice: Choice, entry: JudgedEncoding) -> Content:
    if choice.needs_not_shown and entry.chance_all is None:
        return "not known"
    return worded(entry.chance_all, chance_text)


def _wished(name: str, entry: JudgedEncoding) -> Content:
    return entry.figures.get(name) or entry.no_numbers.get(name)

"""One type of table for page, Markdown and terminal: columns declared once, a row an item.

The page's template writes a table as HTML, `markdown_table` as Markdown, and `cli.views` prints
it. A cell that is not known is a dash; text that others wrote is made harmless here.
"""

import re
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import KW_ONLY, dataclass, field
from typing import Any, Final, Generic, Literal, TypeVar

from mezzmark.model.estimate import Estimate
from mezzmark.report.prose.numbers import estimate_parts, visible_text

DASH = "–"

Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class Entry:
    """One table cell: what is read first, an interval or remark after it, what it is sorted by
    (its text where nothing is given), and its sign for readers and style (`wrong`, `leader`,
    `original`, `other` or empty). The sign of a row's first cell is the row's own."""

    point: str
    interval: str = ""
    _: KW_ONLY
    sort: float | str | None = None
    sign: str = ""

    @property
    def text(self) -> str:
        """All that is read."""
        return f"{self.point} {self.interval}".rstrip()


Content = Entry | Estimate | str | int | None
"""What a column gives for a row. A text may be anybody's: control characters are written out."""


@dataclass(frozen=True, slots=True)
class Column(Generic[Row]):
    """A heading and what stands under it for each row. `is_long` marks text that may take several
    lines; a terminal without room beside the other columns puts it below its row."""

    head: str
    cell: Callable[[Row], Content] = field(compare=False)
    align: Literal["left", "right"] = "right"
    is_long: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with its title and a note on how to read it; false without rows. `links` leads from
    what a row is of to its anchor: of several rows of one thing, to the first."""

    table_id: str
    title: str
    note: str
    columns: tuple[Column[Any], ...]
    rows: tuple[tuple[Entry, ...], ...]
    links: Mapping[Any, str] = field(default_factory=dict, compare=False, repr=False)

    def __bool__(self) -> bool:
        return bool(self.rows)

    def __str__(self) -> str:
        return markdown_table(self)

    @property
    def anchors(self) -> tuple[str, ...]:
        """One id per row, for marks to link to."""
        return tuple(_anchor(self.table_id, index) for index in range(len(self.rows)))


def _anchor(table_id: str, index: int) -> str:
    return f"{table_id}-{index}"


def tabulate(
    rows: Iterable[Row],
    *columns: Column[Row],
    table_id: str,
    title: str = "",
    note: str = "",
    key: Callable[[Row], Hashable] = lambda _: None,
) -> Table:
    """The table of these rows, named by the first column and found by `key` unless it is None."""
    rows = tuple(rows)
    keyed = [(key(row), _anchor(table_id, index)) for index, row in enumerate(rows)]
    return Table(
        table_id=table_id,
        title=title,
        note=note,
        columns=columns,
        rows=tuple(tuple(_entry(column.cell(row)) for column in columns) for row in rows),
        links={of: anchor for of, anchor in reversed(keyed) if of is not None},
    )


def fact_table(facts: Iterable[tuple[str, str]], *, title: str = "") -> Table:
    """Names beside values, without headings; what has no value is left out."""
    return tabulate(
        [fact for fact in facts if fact[1]],
        Column("", lambda fact: fact[0], "left"),
        Column("", lambda fact: fact[1], "left", is_long=True),
        table_id="facts",
        title=title,
    )


def filled(*tables: Table) -> tuple[Table, ...]:
    """Those that have rows."""
    return tuple(table for table in tables if table)


def _entry(content: Content) -> Entry:
    if isinstance(content, Entry):
        return content
    if isinstance(content, Estimate):
        return Entry(*estimate_parts(content), sort=content.point)
    if isinstance(content, int):
        return Entry(f"{content:,}", sort=content)
    return Entry(visible_text(content or "") or DASH)


def bare(estimate: Estimate | None) -> Entry | None:
    """An estimate without its unit, for ratios and for columns that name the unit."""
    if estimate is None:
        return None
    return Entry(*estimate_parts(estimate, with_unit=False), sort=estimate.point)


def worded(value: float | None, text: Callable[[float], str]) -> Entry | None:
    """A number as `text` says it, sorted by it; None where it is not known."""
    return None if value is None else Entry(text(value), sort=value)


_INLINE: Final = (
    r"[\\`*]"  # code and emphasis
    r"|(?<![^\W_])_|_(?![^\W_])"  # emphasis too, but not within a word
    r"|<(?=[A-Za-z/!?])|&(?=#?\w+;)"  # tags and entities
    r"|\](?=[(\[:])"  # links and their definitions
)
_AT_AN_END: Final = r"^\[|^(?:[#+-](?=[ #-]|$)|>|~(?=~~))|#$"
"""Boxes to tick, headings, lists, quotes, fences."""

_INTERVAL: Final = r"(?P<interval>\[[\d.,]+, [\d.,]+\](?![(\[:]))"
_NUMBER_OF_A_LIST: Final = re.compile(r"^(\d{1,9})([.)])(?= |$)", re.ASCII)


def markdown_text(text: str, *, in_link: bool = False) -> str:
    """`text` as one line of Markdown (CommonMark) that shows just this text; what cannot be markup
    where it stands is left as it is, so that the file reads well as text. Between the brackets of a
    link or an image (`in_link`) only brackets in pairs may stand bare: those of intervals do."""
    line = " ".join(text.split())
    if in_link:
        pattern = rf"{_INTERVAL}|{_INLINE}|[\[\]]"
        return re.sub(pattern, lambda m: m["interval"] or f"\\{m[0]}", line)
    escaped = re.sub(rf"{_INLINE}|{_AT_AN_END}", r"\\\g<0>", line)
    return _NUMBER_OF_A_LIST.sub(r"\1\\\2", escaped)


def markdown_table(table: Table) -> str:
    """The table in Markdown (GitHub's), under its title and note."""
    lines = [
        [column.head for column in table.columns],
        *([entry.text for entry in row] for row in table.rows),
    ]
    head, *body = (f"| {' | '.join(map(_markdown_cell, line))} |" for line in lines)
    rule = "|".join(" --- " if c.align == "left" else " ---: " for c in table.columns)
    caption = f"**{markdown_text(table.title)}.** {markdown_text(table.note)}".rstrip()
    return "\n".join([*([caption, ""] if table.title else []), head, f"|{rule}|", *body, ""])


def _markdown_cell(text: str) -> str:
    return re.sub(rf"{_INLINE}|\|", r"\\\g<0>", " ".join(text.split()))

"""One table, declared once: its entries, its Markdown, and what a terminal of any width shows."""

import io
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from rich.cells import cell_len
from rich.console import Console

from fixtures.made_sizing import made
from mezzmark.cli.views import open_terminal, print_table
from mezzmark.report.prose.numbers import visible_text
from mezzmark.report.tables.table import (
    DASH,
    Column,
    Entry,
    Table,
    fact_table,
    filled,
    markdown_table,
    markdown_text,
    tabulate,
)

LATENCY, SPEED = made(31.4, 30.4, 32.6, "ms"), made(2.65, 2.48, 2.82, "fps")
ROWS = (
    ("rdd36-lt-fast", 0.99, LATENCY, SPEED, ""),
    ("vc3-sq", None, made(132, 131, 1133, "ms"), None, "picked by hand " * 5),
)


def table(*, with_remark: bool = False) -> Table:
    columns = [
        Column(
            "encoding", lambda r: Entry(r[0], sign="leader" if r[0] == "vc3-sq" else ""), "left"
        ),
        Column("best", lambda r: r[1] and f"over {r[1]:.0%}"),
        Column("median time to picture", lambda r: r[2]),
        Column("encode speed", lambda r: r[3]),
        Column("remark", lambda r: r[4], "left", is_long=True),
    ]
    return tabulate(
        ROWS, *columns if with_remark else columns[:-1], table_id="t", title="Title", note="Note."
    )


def shown(found: Table, width: int) -> list[str]:
    file = io.StringIO()
    print_table(Console(file=file, width=width, color_system=None), found)
    return [line.rstrip() for line in file.getvalue().splitlines()]


def test_a_cell_is_made_from_what_its_column_gives() -> None:
    """An estimate keeps its interval apart and is sorted by its point; a count is grouped; a text
    is made harmless; nothing is a dash; an entry stays as it is."""
    own = Entry("x", sign="wrong")
    given = (LATENCY, 12345, "a\x1bb", None, "", own)
    found = tabulate(given, Column("", lambda g: g), table_id="t", title="")
    entries = [row[0] for row in found.rows]
    assert (entries[0].point, entries[0].interval, entries[0].sort) == (
        "31.4 ms", "[30.4, 32.6]", 31.4,
    )  # fmt: skip
    assert (entries[1].text, entries[1].sort) == ("12,345", 12345)
    assert entries[2].text == "a‹U+001B›b"
    assert [entry.text for entry in entries[3:5]] == [DASH, DASH]
    assert entries[5] is own


def test_a_table_without_rows_is_false_and_left_out() -> None:
    """Sections ask a table itself whether there is anything to show; rows have ids of their own."""
    empty = tabulate((), Column("a", str), table_id="e", title="")
    assert not empty
    assert filled(empty, table()) == (table(),) or len(filled(empty, table())) == 1
    assert table().anchors == ("t-0", "t-1")


@pytest.mark.parametrize("width", [200, 100, 80, 66, 60, 56, 50, 40, 36])
def test_names_and_intervals_stay_whole_at_any_width(width: int) -> None:
    """Every name, number with unit and interval stands on one line, and no line is wider than the
    terminal."""
    lines = shown(table(with_remark=True), width)
    assert max(map(cell_len, lines)) <= width
    for whole in ("rdd36-lt-fast", "vc3-sq", "31.4 ms", "[30.4, 32.6]", "[131, 1,133]", "99%"):
        assert any(whole in line for line in lines), whole


def test_wide_rows_are_one_line_and_narrow_ones_fold_before_they_stack() -> None:
    """Below title and note two rows take 3 lines with their headings where there is room, then
    intervals stand below their figures, and at last each row is a block that begins with its
    name."""
    assert len(shown(table(), 100)) == 2 + 3
    folded = shown(table(), 60)
    assert "31.4 ms" in next(line for line in folded if "rdd36-lt-fast" in line)
    assert "[30.4" not in next(line for line in folded if "rdd36-lt-fast" in line)
    stacked = shown(table(), 40)[2:]
    assert stacked[0] == "rdd36-lt-fast"
    assert DASH not in "".join(stacked)


def test_a_long_text_stands_beside_the_row_or_below_it() -> None:
    """In 150 columns a remark has room beside its row; in 80 it is indented below it."""
    beside = next(line for line in shown(table(with_remark=True), 150) if "vc3-sq" in line)
    assert "picked by hand" in beside
    lines = shown(table(with_remark=True), 80)
    below = lines[next(i for i, line in enumerate(lines) if "vc3-sq" in line) + 1 :]
    assert below[0].startswith("    picked by hand") or below[1].startswith("    picked by hand")


def test_a_heading_keeps_its_words_over_a_column_of_dashes() -> None:
    """A long column in which nothing is known is as wide as a word of its heading."""
    columns = [Column("host", str, "left"), Column("of cell", lambda _: "", "left", is_long=True)]
    found = tabulate(["desk"], *columns, table_id="t", title="T")
    assert "of cell" in " ".join(" ".join(shown(found, 80)).split())


def test_facts_stand_beside_their_names_without_headings() -> None:
    """Two columns, lines of a long value under its first one; a fact without a value is no line."""
    lines = shown(fact_table([("codec", "vc3"), ("audio", ""), ("note", "word " * 30)]), 60)
    assert lines[0] == "codec  vc3"
    assert not any("audio" in line for line in lines)
    assert all(line.startswith("       word") for line in lines[2:])


def test_a_terminal_is_never_wider_than_100_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of 200 columns 100 are used, of 80 all."""
    for columns, used in ((200, 100), (80, 80)):
        monkeypatch.setenv("COLUMNS", str(columns))
        assert open_terminal().width == used


NAMES = st.text(
    st.sampled_from(list("|\\`*_[]<>&#+-=~!().:1 \n\r\t\x1b\u202eäx")), min_size=1, max_size=20
)


@given(st.lists(NAMES, min_size=1, max_size=4))
def test_markdown_keeps_every_name_in_its_cell(names: list[str]) -> None:
    """A Markdown reader finds one row a name, two columns, and the name as plain text."""
    found = tabulate(
        names,
        Column("name", lambda n: n, "left"),
        Column("length", len),
        table_id="t",
        title="T",
        note="N",
    )
    tokens = MarkdownIt("commonmark").enable("table").parse(markdown_table(found))
    cells = [t for before, t in pairwise(tokens) if before.type == "td_open"]
    texts = ["".join(c.content for c in cell.children or ()) for cell in cells]
    assert {c.type for cell in cells for c in cell.children or ()} <= {"text", "text_special"}
    expected = [" ".join(visible_text(name).split()) for name in names]
    assert texts[::2] == [name or "" for name in expected]
    assert len(texts) == 2 * len(names)


def test_markdown_is_readable_as_text() -> None:
    """Nothing is escaped in a row of figures; numbers stand right. An interval keeps its brackets
    in the text of an image too, where a bracket of a name does not."""
    lines = markdown_table(table()).splitlines()
    assert lines[0] == "**Title.** Note."
    assert lines[3] == "| --- | ---: | ---: | ---: |"
    assert not any("\\" in line for line in lines)
    assert markdown_text("a] 31.4 ms [30.4, 1,032]", in_link=True) == "a\\] 31.4 ms [30.4, 1,032]"

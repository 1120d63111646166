"""What `size` prints: nothing breaks inside a number, an interval or a name."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fixtures.made_sizing import made, made_encoding, made_result
from mezzmark.cli.size_view import print_sizing, summary_lines, wrap_whole
from mezzmark.decide.size.result import SizingResult
from mezzmark.report.prose.size import sizing_sentences
from mezzmark.report.tables.size import summarise_sizing

NAMES = ("mjpeg-fine", "avc-intra-fast", "rdd36-lt-fast", "vc3-lb")
RESULT = made_result(
    made_encoding("original", storage_tb=5, pays_off="not measured"),
    made_encoding(NAMES[0], storage_tb=154, pays_off="cannot tell"),
    made_encoding(NAMES[1], in_time="cannot tell", storage_tb=123.4, machines=2),
    made_encoding(NAMES[2], in_time="no", storage_tb=1234, machines=3),
    made_encoding(NAMES[3], in_time="no", keeps_up="yes", storage_tb=98.7, machines=2),
)


@pytest.mark.parametrize("with_detail", [False, True])
def test_80_columns_hold_every_number_and_name(
    with_detail: bool, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a terminal of 80 columns no line is longer, no bracket is open at its end, and each name
    stands whole."""
    monkeypatch.setenv("COLUMNS", "80")
    print_sizing(RESULT, as_json=False, with_detail=with_detail)
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    for line in lines:
        assert line.count("[") == line.count("]"), line
    for name in NAMES:
        assert any(line.startswith(f"{name} ") for line in lines)


def test_the_first_line_answers(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Output begins with the headline, then one table; assumptions are counted, not listed, until
    detail is asked for."""
    monkeypatch.setenv("COLUMNS", "200")
    print_sizing(RESULT, as_json=False)
    brief = capsys.readouterr().out
    assert brief.startswith(sizing_sentences(RESULT)[0])
    assert "header_bytes" not in brief
    assert "--detail lists them" in brief
    print_sizing(RESULT, as_json=False, with_detail=True)
    assert "header_bytes" in capsys.readouterr().out


def test_json_has_its_version_every_fact_and_the_sentences(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """`schema` comes first; then the result as it is; `sentences` repeat what the terminal says."""
    print_sizing(RESULT, as_json=True)
    written = json.loads(capsys.readouterr().out)
    assert next(iter(written.items())) == ("schema", 1)
    assert written.pop("sentences") == list(sizing_sentences(RESULT))
    del written["schema"]
    assert SizingResult.model_validate(written) == RESULT


def test_a_row_is_one_line_where_there_is_room() -> None:
    """On a wide terminal intervals stand beside their figures, so that the table has two lines of
    headings and one an encoding."""
    summary = summarise_sizing(RESULT)
    assert len(summary_lines(summary, width=160)) == 2 + len(RESULT.encodings)
    assert len(summary_lines(summary, width=80)) == 2 + 2 * len(RESULT.encodings)


def test_columns_move_together_before_a_name_is_shortened() -> None:
    """Five columns fewer than the table needs are taken from the gaps; no name and no interval is
    touched, and no line is empty."""
    summary = summarise_sizing(RESULT)
    roomy = summary_lines(summary, width=80)
    tight = summary_lines(summary, width=max(map(len, roomy)) - 5)
    assert [line.split() for line in tight] == [line.split() for line in roomy]
    assert all(line.strip() for line in tight)


def test_a_row_without_anything_below_is_one_line() -> None:
    """Answers without intervals leave no empty lines, however narrow the terminal."""
    bare = made_encoding("a", in_time="not measured")
    figures = {"storage_tb": made(10, None, None, "TB")}
    result = made_result(bare.model_copy(update={"figures": figures}))
    assert len(summary_lines(summarise_sizing(result), width=20)) == 3


def test_a_long_name_makes_room_for_the_numbers() -> None:
    """A name of 200 letters is shortened in its middle, and the row still fits."""
    result = made_result(made_encoding("n" * 200), made_encoding("short"))
    lines = summary_lines(summarise_sizing(result), width=80)
    assert max(map(len, lines)) <= 80
    assert any("n…n" in line for line in lines)


NUMBERS = st.floats(0, 1e6).map(lambda value: f"{value:,.1f}")
THINGS = st.one_of(
    st.tuples(NUMBERS, NUMBERS, NUMBERS).map(lambda n: f"{n[0]} ms [{n[1]}, {n[2]}]"),
    NUMBERS.map(lambda number: f"{number} %"),
    NUMBERS.map(lambda number: f"{number} Mbit/s"),
    st.sampled_from(["vc3-lb", "rdd36-lt-fast", "and", "with", "cards."]),
)


@given(st.lists(THINGS, min_size=1, max_size=30), st.integers(20, 120))
def test_wrapping_loses_nothing_and_breaks_nothing(things: list[str], width: int) -> None:
    """Lines put together again are the text, and each interval, measure and name is in one."""
    text = " ".join(things)
    lines = wrap_whole(text, width=width)
    assert " ".join(lines) == text
    for thing in things:
        assert any(thing in line for line in lines)

"""What the commands print for people: the answer first, and no line wider than the terminal."""

from types import SimpleNamespace

import pytest

from fixtures.made_sizing import made_encoding, made_result
from mezzmark.cli import views
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.footage import ColourTags
from mezzmark.report.prose.size import sizing_sentences
from mezzmark.report.tables.run import catalogue_table
from mezzmark.report.tables.size import sizing_details, sizing_summary
from mezzmark.report.tables.table import DASH, fact_table

NAMES = ("mjpeg-fine", "avc-intra-fast", "rdd36-lt-fast", "vc3-lb", "n" * 200)
SIZED = made_result(
    made_encoding("original", storage_tb=5, pays_off="not measured"),
    made_encoding(NAMES[0], storage_tb=154, pays_off="cannot tell"),
    made_encoding(NAMES[1], in_time="cannot tell", storage_tb=123.4, machines=2),
    made_encoding(NAMES[2], in_time="no", storage_tb=1234, machines=3),
    made_encoding(NAMES[3], in_time="no", keeps_up="yes", storage_tb=98.7, machines=2),
    made_encoding(NAMES[4], in_time="not measured"),
)
CATALOGUE = {name: (find_encoding(name), "") for name in ("vc3-sq", "rdd36-lt", "rdd36-lt-fast")}


def lines(capsys: pytest.CaptureFixture[str]) -> list[str]:
    return [line.rstrip() for line in capsys.readouterr().out.splitlines()]


@pytest.mark.parametrize("with_detail", [False, True])
@pytest.mark.parametrize("columns", [80, 100])
def test_sizing_keeps_numbers_and_names_whole(
    columns: int,
    with_detail: bool,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Lines are no longer than the terminal; every figure of every encoding stands whole in one,
    and the headline comes first."""
    monkeypatch.setenv("COLUMNS", str(columns))
    views.print_sizing(SIZED, with_detail=with_detail)
    printed = lines(capsys)
    assert max(map(len, printed)) <= columns
    assert "".join(printed).replace(" ", "").startswith(sizing_sentences(SIZED)[0].replace(" ", ""))
    tables = [sizing_summary(SIZED), *(sizing_details(SIZED) if with_detail else ())]
    figures = [table for table in tables if table.table_id != "assumptions"]
    for entry in (entry for table in figures for row in table.rows for entry in row[1:]):
        if entry.text != DASH:
            assert any(entry.point in line for line in printed)
            assert any(entry.interval in line for line in printed)
    assert "n" * 200 in "".join(printed)


def test_a_probe_says_in_every_row_whether_it_works(capsys: pytest.CaptureFixture[str]) -> None:
    """One of three was refused: its row says no, the others yes; at the end how many of how many,
    and the reason."""
    found = CATALOGUE | {"rdd36-lt": (find_encoding("rdd36-lt"), "no such encoder")}
    table = catalogue_table(found, is_probed=True)
    works = [column.head for column in table.columns].index("works here")
    assert [row[works].text for row in table.rows] == ["yes", "no", "yes"]
    views.print_catalogue(found, is_probed=True)
    printed = lines(capsys)
    assert "2 of 3 work on this machine." in printed
    assert "rdd36-lt  no such encoder" in printed


def test_without_a_probe_nothing_is_said_to_work() -> None:
    """Nothing was tried, so there is no such column."""
    heads = [column.head for column in catalogue_table(CATALOGUE, is_probed=False).columns]
    assert "works here" not in heads


def test_a_long_warning_keeps_its_indentation(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every line of a warning begins right of its mark."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr(views.facts, "inspection_table", lambda _found: fact_table([]))
    refusal = {"suspicions": (), "refusal": "damaged", "refusal_remedy": "Copy it again. " * 9}
    media = SimpleNamespace(tags=ColourTags())
    views.print_inspections([SimpleNamespace(warnings=(), media=media, **refusal)])
    first, *others = [line for line in lines(capsys) if line]
    assert first.startswith("!  It cannot be measured: damaged.")
    assert len(others) > 1
    assert all(line.startswith("   ") and line[3] != " " for line in others)

"""What the commands print for people: marks, columns and lines where they belong."""

import re

import pytest

from mezzmark.cli.catalogue_view import print_catalogue
from mezzmark.cli.inspection_view import print_inspections
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.footage import ColourTags

NAMES = ("vc3-sq", "rdd36-lt", "rdd36-lt-fast")


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")


def shown(capsys: pytest.CaptureFixture[str], refusals: dict[str, str], *, is_probed: bool) -> str:
    found = {name: (find_encoding(name), refusals.get(name, "")) for name in NAMES}
    print_catalogue(found, is_probed=is_probed)
    return capsys.readouterr().out


def test_a_probe_says_in_every_row_whether_it_works(capsys: pytest.CaptureFixture[str]) -> None:
    """Beside the name; at the end how many of how many, and the reasons."""
    text, _, end = shown(capsys, {"rdd36-lt": "no such encoder"}, is_probed=True).partition("\n\n")
    rows = dict(line.split()[:2] for line in text.splitlines() if re.match("  [a-z]", line))
    assert rows["vc3-sq"] == "works"
    assert rows["rdd36-lt-fast"] == "works"
    assert rows["rdd36-lt"] == "no"
    assert "2 of 3 work on this machine." in end
    assert "  rdd36-lt: no such encoder" in end


def test_without_a_probe_it_is_pointed_to(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing was tried, so nothing is said to work; -fast is explained either way."""
    text = shown(capsys, {}, is_probed=False)
    assert "works" not in text
    assert "encodings --probe" in text
    assert "rdd36-…-fast" in text


def test_a_long_warning_keeps_its_indentation(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every line of a warning begins right of its mark."""
    from types import SimpleNamespace

    import mezzmark.cli.inspection_view as view

    monkeypatch.setattr(view, "_table", lambda _found: "")
    refusal = {"refusal": "damaged", "refusal_remedy": "copy it again " * 12}
    media = SimpleNamespace(tags=ColourTags())
    print_inspections([SimpleNamespace(warnings=(), media=media, **refusal)], as_json=False)
    lines = [line for line in capsys.readouterr().out.splitlines() if line.strip()]
    assert len(lines) > 2
    assert lines[0].startswith("  ! It cannot be measured: damaged.")
    assert all(line.startswith("    ") and line[4] != " " for line in lines[1:])

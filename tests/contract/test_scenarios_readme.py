"""scenarios/README.md tells the truth: its examples work as they are written."""

import re
import tomllib
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from mezzmark.cli.app import app
from mezzmark.model.catalogue.core import resolve_custom
from mezzmark.model.scenario import ROUNDS_RULE, Scenario, task_tables
from mezzmark.store.toml_files import build_scenario

README = (Path(__file__).parents[2] / "scenarios" / "README.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"^```toml\n(.*?)^```", README, re.MULTILINE | re.DOTALL)
SMALLEST = {"name": "example", "seed": 1, "clips": [{"name": "a", "recipe": {}}], "encode": {}}
"""What an example leaves out and every scenario has."""


def test_there_are_examples() -> None:
    """The tables with an example of their own are found."""
    assert {key for text in EXAMPLES for key in tomllib.loads(text)} == {
        "choose",
        "custom_encodings",
        "roots",
    }


@pytest.mark.parametrize("text", EXAMPLES, ids=lambda text: text.split("\n")[0])
def test_every_example_is_a_legal_part_of_a_scenario(text: str) -> None:
    """Read as it stands, it completes a scenario; its custom encodings resolve; and listing their
    names under `encodings`, as the text allows, changes nothing."""
    example = tomllib.loads(text)
    scenario = build_scenario(SMALLEST | example, source="README.md")
    assert isinstance(scenario, Scenario)
    names = [custom.name for custom in scenario.custom_encodings]
    assert [resolve_custom(custom).name for custom in scenario.custom_encodings] == names
    listed = SMALLEST | example | {"encodings": ["original", *names]}
    assert build_scenario(listed, source="README.md") == scenario


def test_every_key_of_a_scenario_has_its_row() -> None:
    """Each top-level key is named in the tables, in code marks."""
    for key in (*Scenario.model_fields.keys() - {"tasks"}, *task_tables()):
        assert f"`{key}`" in README or f"`[{key}]`" in README or f"`[[{key}]]`" in README, key


def test_rounds_and_budget_follow_one_rule_in_one_wording() -> None:
    """README and help say it in the words that the messages use."""
    assert ROUNDS_RULE in README.replace("`", "")
    measure = typer.main.get_command(app).commands["measure"]
    budget = next(option for option in measure.params if "--time-budget" in option.opts)
    assert ROUNDS_RULE in budget.help


def test_a_time_budget_is_read_with_its_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bare numbers are seconds; minutes and hours count sixty and sixty times sixty."""
    budgets: list[float] = []
    note = lambda *_, time_budget, **__: budgets.append(time_budget) or []  # noqa: E731
    monkeypatch.setattr("mezzmark.api.measure_series", note)
    start = ["measure", "first-look", "--time-budget"]
    for text in ("600", "10min", "0.5 h"):
        assert CliRunner().invoke(app, [*start, text]).exit_code == 0
    assert budgets == [600, 600, 1800]
    assert CliRunner().invoke(app, [*start, "1m"]).exit_code

"""results/README.md and scenarios/README.md name every key of a run's two files."""

import re
import typing
from pathlib import Path

import pytest
from pydantic import BaseModel

from mezzmark.decide.compare.fleet import AbsentHost, FleetCheck, HostCheck
from mezzmark.decide.size.result import SIZING_FIGURES, SizingNote, SizingResult
from mezzmark.model.cell import AXES
from mezzmark.model.records import Trial
from mezzmark.model.request import ChooseSettings, Need, Wish
from mezzmark.model.run import Manifest
from mezzmark.model.scenario import Scenario
from mezzmark.model.shop import Shop
from mezzmark.model.tasks import TASKS

ROOT = Path(__file__).parents[2]


def models_of(model: type[BaseModel], *, without: frozenset[type] = frozenset()) -> set[type]:
    """The model and all models in its fields, at any depth; needs and wishes stand as texts."""
    found: set[type] = set()

    def visit(annotation: object) -> None:
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            if annotation in {*found, *without, Need, Wish}:
                return
            found.add(annotation)
            for field in annotation.model_fields.values():
                visit(field.annotation)
        for part in typing.get_args(annotation):
            visit(part)

    visit(model)
    return found


def named_in(readme: Path) -> set[str]:
    """Names in back quotes, also as a list (`clips[]`) or as a table (`[scrub]`, `[[clips]]`)."""
    pattern = r"`\[{0,2}([a-z_0-9]+)(?:\[\])?\]{0,2}`"
    return set(re.findall(pattern, readme.read_text(encoding="utf-8")))


TABLES = {n: spec.settings_model for n, spec in TASKS.items() if spec.settings_model is not None}
SCENARIO_MODELS = models_of(Scenario).union(*map(models_of, TABLES.values()))
MEASUREMENTS = [spec.measurement_model for spec in TASKS.values()]
RUN_MODELS = models_of(Manifest).union(*map(models_of, [Trial, *MEASUREMENTS])) - SCENARIO_MODELS


@pytest.mark.parametrize("model", sorted(RUN_MODELS, key=lambda m: m.__name__))
def test_every_key_of_a_run_is_described(model: type[BaseModel]) -> None:
    """Another program can be written from the page: no key is missing in it."""
    missing = set(model.model_fields) - named_in(ROOT / "results" / "README.md")
    assert missing == set(), f"{model.__name__} has keys that results/README.md does not name"


@pytest.mark.parametrize(
    "model", sorted(SCENARIO_MODELS | models_of(Shop), key=lambda m: m.__name__)
)
def test_every_key_that_a_user_may_write_is_described(model: type[BaseModel]) -> None:
    """Whoever writes a scenario or a shop by the page alone misses no key."""
    missing = set(model.model_fields) - named_in(ROOT / "scenarios" / "README.md") - {"tasks"}
    assert missing == set(), f"{model.__name__} has keys that scenarios/README.md does not name"


def test_every_key_of_sizing_is_described_in_its_section() -> None:
    """Fields, figures and notes of what `size --json` prints stand under its own heading."""
    text = (ROOT / "results" / "README.md").read_text(encoding="utf-8")
    section = text.split("\n## JSON of size\n")[1].split("\n## ")[0]
    named = set(re.findall(r"`([a-z_0-9]+)`", section))
    models = models_of(SizingResult, without=frozenset(models_of(Shop)))
    fields = {field for model in models for field in model.model_fields}
    assert fields | set(SIZING_FIGURES) | set(typing.get_args(SizingNote)) <= named


def test_every_key_of_a_fleets_check_is_described_in_its_section() -> None:
    """Those of the check, of a host and of an absent one."""
    text = (ROOT / "results" / "README.md").read_text(encoding="utf-8")
    section = text.split("\n## JSON of fleet check\n")[1].split("\n## ")[0]
    named = set(re.findall(r"`([a-z_0-9]+)`", section))
    models = (FleetCheck, HostCheck, AbsentHost)
    assert {field for model in models for field in model.model_fields} <= named


@pytest.mark.parametrize(("table", "model"), {**TABLES, "choose": ChooseSettings}.items())
def test_each_table_names_its_keys_in_its_own_section(table: str, model: type[BaseModel]) -> None:
    """A key stands under the heading of the table it belongs to, not somewhere on the page."""
    text = (ROOT / "scenarios" / "README.md").read_text(encoding="utf-8")
    section = text.split(f"### `[{table}]`")[1].split("\n### ")[0]
    assert set(model.model_fields) <= set(re.findall(r"`([a-z_]+)`", section))


def test_every_axis_of_a_setting_is_described() -> None:
    """The table of axes names each axis and, beside it, each task that has it."""
    text = (ROOT / "results" / "README.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"(?m)^\| `(\w+)` \| [^|]* \| ([^|]*) \|", text))
    for axis in AXES:
        having = {name for name, spec in TASKS.items() if axis in spec.axes}
        told = having if rows[axis] == "all" else set(rows[axis].split(", "))
        assert told == having, axis

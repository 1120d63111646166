"""Reads a shop file, and says what is wrong with it in one line."""

from pathlib import Path

from pydantic import ValidationError

from mezzmark.facts.scenario_problems import scenario_error
from mezzmark.facts.shop import Shop
from mezzmark.store.toml_file import read_toml


def read_shop(path: Path) -> Shop:
    """The shop described in a TOML file.

    Raises ScenarioError with file, line, key, value and remedy.
    """
    path = Path(path)
    text, data = read_toml(path)
    try:
        return Shop.model_validate(data)
    except ValidationError as failure:
        raise scenario_error(
            failure, source=path.name, text=text, data=data, model=Shop
        ) from failure

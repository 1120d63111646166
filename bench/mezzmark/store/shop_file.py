"""Reads a shop file, and says what is wrong with it in one line."""

import tomllib
from pathlib import Path

from pydantic import ValidationError

from mezzmark.facts.errors import ScenarioError
from mezzmark.facts.scenario_problems import scenario_error
from mezzmark.facts.shop import Shop


def read_shop(path: Path) -> Shop:
    """The shop described in a TOML file.

    Raises ScenarioError with file, line, key, value and remedy.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
        data = tomllib.loads(text)
    except UnicodeDecodeError as problem:
        raise ScenarioError(
            where=path.name,
            what=f"it is not text in UTF-8 (byte {problem.start})",
            remedy="Save it as UTF-8",
        ) from problem
    except OSError as problem:
        raise ScenarioError(
            where=str(path), what=f"it cannot be read ({problem.strerror})", remedy="Check the path"
        ) from problem
    except tomllib.TOMLDecodeError as problem:
        raise ScenarioError(
            where=path.name,
            what=f"it is not valid TOML: {problem}",
            remedy='A line reads: key = 3, key = "text", key = [1, 2] or [table]',
        ) from problem
    try:
        return Shop.model_validate(data)
    except ValidationError as failure:
        raise scenario_error(
            failure, source=path.name, text=text, data=data, model=Shop
        ) from failure

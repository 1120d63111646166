"""Reads a TOML file that a person wrote, and says in one line why it cannot be read."""

import re
import tomllib
from pathlib import Path
from typing import Any

from mezzmark.facts.errors import ScenarioError

_HEAD_BYTES = 4096
"""A zero byte among so many tells a media file or another binary one: no text has one."""


def read_toml(path: Path) -> tuple[str, dict[str, Any]]:
    """The file's text and its data. Raises ScenarioError with file, line, column and remedy."""
    try:
        text = path.read_text(encoding="utf-8")
        return text, tomllib.loads(text)
    except UnicodeDecodeError as problem:
        if b"\0" in problem.object[:_HEAD_BYTES]:
            raise ScenarioError(
                where=path.name,
                what="it is no text at all, so it says nothing about what to measure",
                remedy="Give a TOML file here; `mezzmark inspect` looks at footage",
            ) from problem
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
        place = re.search(r"at line (\d+), column (\d+)", str(problem))
        what = re.sub(r"\s*\(at .*\)$", "", str(problem))
        raise ScenarioError(
            where=f"{path.name}, line {place[1]}, column {place[2]}" if place else path.name,
            what=f"it is not valid TOML: {what[0].lower()}{what[1:]}",
            remedy='A line reads: key = 3, key = "text", key = [1, 2] or [table]',
        ) from problem

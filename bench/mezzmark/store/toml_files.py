"""Reads a TOML file that a person wrote, and says in one line why it cannot be read."""

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

import mezzmark
from mezzmark.model.catalogue import core as catalogue
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import EncodingError, ScenarioError
from mezzmark.model.problems import place, scenario_error
from mezzmark.model.scenario import Scenario
from mezzmark.model.shop import Shop

_PACKAGE = Path(mezzmark.__file__).resolve().parent
_ROOTS = (_PACKAGE / "shipped", _PACKAGE.parent.parent)


def shipped_folder(name: str) -> Path:
    """The folder `scenarios` or `report_templates` as shipped. FileNotFoundError when the
    installation is incomplete, which is our mistake and not the user's."""
    for root in _ROOTS:
        if (root / name).is_dir():
            return root / name
    raise FileNotFoundError(f"mezzmark was installed without its {name} folder")


def scenario_names() -> tuple[str, ...]:
    """Names of the scenarios that ship, in order."""
    return tuple(sorted(path.stem for path in shipped_folder("scenarios").glob("*.toml")))


def find_scenario(scenario: str | Path) -> Path:
    """The file of a shipped scenario's name, or of a path; ScenarioError when there is neither.

    An existing file wins over a shipped name, so that a local change is what is measured.
    """
    path = Path(scenario)
    if path.is_file():
        return path
    shipped = shipped_folder("scenarios") / f"{scenario}.toml"
    if shipped.is_file():
        return shipped
    raise ScenarioError(
        where=str(scenario),
        what="is neither a file nor a scenario that ships with mezzmark",
        remedy=f"Give the path of a TOML file, or one of: {', '.join(scenario_names())}.",
    )


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


FOOTAGE_PLACEHOLDER = "{footage}"
"""Stands in `files` for what the user passes with `--footage`."""


def read_scenario(
    name_or_path: str,
    *,
    footage: Sequence[str] = (),
    changes: Mapping[str, Any] | None = None,
    earlier: Scenario | None = None,
) -> Scenario:
    """The scenario at a path, or the shipped one of that name (`first-look`).

    `footage` replaces the placeholder in `files`; where none is passed, the files that the same
    clip has in `earlier` do. `changes` replaces top-level keys (rounds, seed, time_budget_s, …).
    Raises ScenarioError with file, line, key, value and remedy.
    """
    path = find_scenario(name_or_path)
    text, data = read_toml(path)
    if earlier is not None and not footage:
        _take_footage(data, earlier)
    data = _with_footage(data, footage=footage, source=path.name, text=text)
    _anchor_files(data, folder=path.parent)
    data |= {key: value for key, value in (changes or {}).items() if value is not None}
    return build_scenario(data, source=path.name, text=text)


def build_scenario(data: Mapping[str, Any], *, source: str, text: str = "") -> Scenario:
    """A checked scenario from plain data; `text` is only used to name lines."""
    try:
        scenario = Scenario.model_validate(data)
    except ValidationError as failure:
        raise scenario_error(
            failure, source=source, text=text, data=data, model=Scenario
        ) from failure
    _check_encodings(scenario, source=source, text=text)
    return scenario


def write_scenario_schema() -> str:
    """JSON Schema of scenario files, for editors that complete and check TOML."""
    schema = Scenario.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "mezzmark scenario"
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def _with_footage(
    data: dict[str, Any], *, footage: Sequence[str], source: str, text: str
) -> dict[str, Any]:
    clips = data.get("clips")
    is_asked_for = False
    for index, clip in enumerate(clips if isinstance(clips, list) else []):
        files = clip.get("files") if isinstance(clip, dict) else None
        if isinstance(files, list) and FOOTAGE_PLACEHOLDER in files:
            is_asked_for = True
            if not footage:
                raise ScenarioError(
                    where=place(source, text=text, path=("clips", index, "files")),
                    what="this scenario measures your own footage and none was passed",
                    remedy="Add --footage PATH (a file, a folder's glob in quotes; any number)",
                )
            at = files.index(FOOTAGE_PLACEHOLDER)
            own = [str(Path(file).expanduser().absolute()) for file in footage]
            clip["files"] = [*files[:at], *own, *files[at + 1 :]]
    if footage and not is_asked_for:
        raise ScenarioError(
            where=source,
            what="--footage was passed but no clip of this scenario asks for it",
            remedy=f'Write files = ["{FOOTAGE_PLACEHOLDER}"] in a [[clips]] table, '
            "or use the scenario own-footage",
        )
    return data


def _take_footage(data: dict[str, Any], earlier: Scenario) -> None:
    files = {clip.name: list(clip.files) for clip in earlier.clips if clip.files}
    clips = data.get("clips")
    for clip in clips if isinstance(clips, list) else []:
        asked = clip.get("files") if isinstance(clip, dict) else None
        if isinstance(asked, list) and FOOTAGE_PLACEHOLDER in asked and clip.get("name") in files:
            clip["files"] = files[clip["name"]]


def _anchor_files(data: dict[str, Any], *, folder: Path) -> None:
    """Relative paths in a scenario are meant from the scenario's own folder."""
    clips = data.get("clips")
    for clip in clips if isinstance(clips, list) else []:
        files = clip.get("files") if isinstance(clip, dict) else None
        if isinstance(files, list):
            clip["files"] = [
                str(folder / Path(file).expanduser()) if isinstance(file, str) else file
                for file in files
            ]


def _check_encodings(scenario: Scenario, *, source: str, text: str) -> None:
    for index, name in enumerate(scenario.encodings):
        if name == ORIGINAL:
            continue
        try:
            catalogue.find_encoding(name)
        except EncodingError as problem:
            raise ScenarioError(
                where=place(source, text=text, path=("encodings", index)),
                what=f'"{name}": {problem.what}',
                remedy=problem.remedy,
            ) from problem
    for index, custom in enumerate(scenario.custom_encodings):
        try:
            catalogue.resolve_custom(custom)
        except EncodingError as problem:
            raise ScenarioError(
                where=place(source, text=text, path=("custom_encodings", index)),
                what=problem.what,
                remedy=problem.remedy,
            ) from problem


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

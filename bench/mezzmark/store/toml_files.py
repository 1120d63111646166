"""Scenario and shop files, shipped with mezzmark (`mezzmark/shipped/` of an installed wheel, the
top of a checkout) or written by a person; one that cannot be read is said so in one line."""

import json
import os
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

import mezzmark
from mezzmark.model.catalogue import core as catalogue
from mezzmark.model.errors import EncodingError, ScenarioError
from mezzmark.model.problems import place, scenario_error
from mezzmark.model.request import ChooseSettings
from mezzmark.model.scenario import Scenario
from mezzmark.model.shop import Shop

_Model = TypeVar("_Model", bound=BaseModel)

_PACKAGE = Path(mezzmark.__file__).resolve().parent
_ROOTS = (_PACKAGE / "shipped", _PACKAGE.parent.parent)

FOOTAGE_PLACEHOLDER = "{footage}"
"""Stands in `files` for what the user passes with `--footage`."""

MAX_TOML_BYTES = 256 * 1024
"""2,500 paths of 100 letters; shipped files have 2 KiB."""

MAX_TOML_DEPTH = 16
"""Tables and lists in each other; the deepest legal key lies four deep."""

MAX_KEY_WORK = 2**24
"""Dots of the line with most × (all dots + lines): what reading dotted keys takes in steps, since
every beginning of a key is a key. A list of 1,000 files in a line takes a sixteenth."""

_HEAD_BYTES = 4096
"""A zero byte among so many tells a media file or another binary one: no text has one."""


def shipped_folder(name: str) -> Path:
    """The folder `scenarios` or `report_templates` as shipped; FileNotFoundError without it."""
    for root in _ROOTS:
        if (root / name).is_dir():
            return root / name
    raise FileNotFoundError(f"mezzmark was installed without its {name} folder")


def scenario_names() -> tuple[str, ...]:
    """Names of the scenarios that ship, in order."""
    return tuple(sorted(path.stem for path in shipped_folder("scenarios").glob("*.toml")))


def find_scenario(scenario: str | Path) -> Path:
    """The file of a path, or of a shipped scenario or shop; ScenarioError if there is none. A file
    that exists wins over a shipped name, so that a local change is what is measured."""
    path = Path(scenario)
    if path.is_file():
        return path
    for name in (scenario, f"shops/{scenario}"):
        shipped = shipped_folder("scenarios") / f"{name}.toml"
        if shipped.is_file():
            return shipped
    what = "is neither a file nor a scenario that ships with mezzmark"
    remedy = f"Give the path of a TOML file, or one of: {', '.join(scenario_names())}."
    raise ScenarioError(where=str(scenario), what=what, remedy=remedy)


def read_toml(path: Path) -> tuple[str, dict[str, Any]]:
    """The file's text and its data. Raises ScenarioError with file, line, column and remedy."""
    try:
        with path.open("rb") as file:
            head = file.read(MAX_TOML_BYTES + 1)
        if len(head) > MAX_TOML_BYTES and b"\0" not in head[:_HEAD_BYTES]:
            raise _too_much(path.name, f"over {MAX_TOML_BYTES // 1024} KiB long")
        text = head.decode("utf-8").replace("\r\n", "\n").replace("\r", "\n")
        _refuse_long_keys(path.name, text)
        data = tomllib.loads(text)
        if _depth(data) > MAX_TOML_DEPTH:
            raise _too_much(path.name, f"nested more than {MAX_TOML_DEPTH} deep")
        return text, data
    except ScenarioError:
        raise
    except RecursionError:
        raise _too_much(path.name, f"nested more than {MAX_TOML_DEPTH} deep") from None
    except UnicodeDecodeError as problem:
        what, remedy = f"it is not text in UTF-8 (byte {problem.start})", "Save it as UTF-8"
        if b"\0" in problem.object[:_HEAD_BYTES]:
            what = "it is no text at all, so it says nothing about what to measure"
            remedy = "Give a TOML file here; `mezzmark inspect` looks at footage"
        raise ScenarioError(where=path.name, what=what, remedy=remedy) from problem
    except OSError as problem:
        what = f"it cannot be read ({problem.strerror})"
        raise ScenarioError(where=str(path), what=what, remedy="Check the path") from problem
    except tomllib.TOMLDecodeError as problem:
        at = re.search(r"at line (\d+), column (\d+)", str(problem))
        where = f"{path.name}, line {at[1]}, column {at[2]}" if at else path.name
        what = re.sub(r"\s*\(at .*\)$", "", str(problem))
        what = f"it is not valid TOML: {what[0].lower()}{what[1:]}"
        remedy = 'A line reads: key = 3, key = "text", key = [1, 2] or [table]'
        raise ScenarioError(where=where, what=what, remedy=remedy) from problem
    except ValueError as problem:  # Python makes no number of thousands of digits
        raise _too_much(path.name, "a file with a number of thousands of digits") from problem


def _too_much(source: str, what: str) -> ScenarioError:
    what = f"it is {what}, and no file of this kind needs that"
    remedy = "Start from `mezzmark scenario show first-look`"
    return ScenarioError(where=source, what=what, remedy=remedy)


def _refuse_long_keys(source: str, text: str) -> None:
    """ScenarioError where keys of many parts, in many lines, would take hours or all memory."""
    dots = [line.count(".") for line in text.split("\n")]
    most = max(dots)
    if most * (sum(dots) + len(dots)) > MAX_KEY_WORK:
        where = f"{source}, line {dots.index(most) + 1}"
        raise _too_much(where, f"written with {most} dots in a line (limit {MAX_KEY_WORK} in all)")


def _depth(data: Any) -> int:
    """How deep tables and lists lie in each other, counted to one beyond what is legal."""
    depth, level = 0, [data]
    while level and depth <= MAX_TOML_DEPTH:
        depth += 1
        lists = [node.values() if isinstance(node, dict) else node for node in level]
        level = [node for nodes in lists for node in nodes if isinstance(node, dict | list)]
    return depth


def read_scenario(
    name_or_path: str,
    *,
    footage: Sequence[str] = (),
    changes: Mapping[str, Any] | None = None,
    earlier: Scenario | None = None,
) -> Scenario:
    """The scenario at a path, or the shipped one of that name. `footage` replaces the placeholder
    in `files`, or else the files that the clip has in `earlier`; `changes` replaces top-level keys.
    Raises ScenarioError with file, line, key, value and remedy."""
    path = find_scenario(name_or_path)
    text, data = read_toml(path)
    stored = {clip.name: list(clip.files) for clip in earlier.clips} if earlier else {}
    is_asked_for = False
    for index, clip in _clips_with_files(data):
        files = clip["files"]
        if FOOTAGE_PLACEHOLDER in files:
            is_asked_for = True
            where = place(path.name, text=text, path=("clips", index, "files"))
            files = _own_files(files, footage, stored.get(str(clip.get("name")), []), where=where)
        # Relative paths in a scenario are meant from the scenario's own folder.
        clip["files"] = [
            str(path.parent / os.path.expanduser(file)) if isinstance(file, str) else file
            for file in files
        ]
    roots = data.get("roots")
    for root in roots if isinstance(roots, list) else []:
        if isinstance(root, dict) and isinstance(root.get("path"), str):
            root["path"] = str(path.parent / os.path.expanduser(root["path"]))
    if footage and not is_asked_for:
        what = "--footage was passed but no clip of this scenario asks for it"
        remedy = f'Write files = ["{FOOTAGE_PLACEHOLDER}"] in a [[clips]] table'
        remedy += ", or use the scenario own-footage"
        raise ScenarioError(where=path.name, what=what, remedy=remedy)
    data |= {key: value for key, value in (changes or {}).items() if value is not None}
    return build_scenario(data, source=path.name, text=text)


def _clips_with_files(data: dict[str, Any]) -> Iterator[tuple[int, dict[str, Any]]]:
    """The clips, by number, that name files; what is no legal clip is refused later."""
    clips = data.get("clips")
    for index, clip in enumerate(clips if isinstance(clips, list) else []):
        if isinstance(clip, dict) and isinstance(clip.get("files"), list):
            yield index, clip


def _own_files(
    files: list[Any], footage: Sequence[str], stored: list[str], *, where: str
) -> list[Any]:
    """The files with the placeholder replaced by those passed, or all of them by those stored."""
    if not footage and not stored:
        what = "this scenario measures your own footage and none was passed"
        remedy = "Add --footage PATH (a file, a folder, a glob in quotes; any number)"
        raise ScenarioError(where=where, what=what, remedy=remedy)
    if not footage:
        return stored
    at = files.index(FOOTAGE_PLACEHOLDER)
    own = [str(Path(os.path.expanduser(file)).absolute()) for file in footage]
    return [*files[:at], *own, *files[at + 1 :]]


def build_scenario(data: Mapping[str, Any], *, source: str, text: str = "") -> Scenario:
    """A checked scenario from plain data; `text` is only used to name lines."""
    scenario = _validated(Scenario, data, source=source, text=text)
    named = (
        (("encodings", index), f'"{name}": ', partial(catalogue.find_encoding, name))
        for index, name in enumerate(scenario.encodings)
    )
    custom = (
        (("custom_encodings", index), "", partial(catalogue.resolve_custom, encoding))
        for index, encoding in enumerate(scenario.custom_encodings)
    )
    for path, subject, resolve in (*named, *custom):
        try:
            resolve()
        except EncodingError as problem:
            where, what = place(source, text=text, path=path), f"{subject}{problem.what}"
            raise ScenarioError(where=where, what=what, remedy=problem.remedy) from problem
    return scenario


def read_shop(path: Path) -> Shop:
    """A shop's TOML file. ScenarioError with file, line, key, value and remedy."""
    text, data = read_toml(Path(path))
    return _validated(Shop, data, source=Path(path).name, text=text)


def read_needs(path: Path) -> ChooseSettings:
    """Needs that a team shares: `[choose]`, or its keys alone. Raises as `read_shop`."""
    text, data = read_toml(Path(path))
    inner = data["choose"] if data.keys() == {"choose"} else data
    return _validated(ChooseSettings, inner, source=Path(path).name, text=text)


def _validated(model: type[_Model], data: Mapping[str, Any], *, source: str, text: str) -> _Model:
    try:
        return model.model_validate(data)
    except ValidationError as failure:
        raise scenario_error(failure, source=source, text=text, data=data, model=model) from failure


def write_scenario_schema() -> str:
    """JSON Schema of scenario files, for editors that complete and check TOML."""
    schema = Scenario.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "mezzmark scenario"
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"

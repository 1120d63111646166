"""Turns what pydantic found wrong with a scenario into one line a person can act on."""

import json
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any, Final, get_args

from pydantic import BaseModel, ValidationError

from mezzmark.model.errors import ScenarioError
from mezzmark.model.suggest import nearest
from mezzmark.model.tasks import TASKS

KeyPath = tuple[str | int, ...]


def find_line(text: str, path: KeyPath) -> int | None:
    """The line (from 1) of a TOML text on which the key of this path is written, or the nearest
    enclosing key that is; None where there is none. Entries of arrays have their index in the path.

    The text is read again and again, a line longer each time: what ends within a statement is no
    TOML, so that a key is where the first text that has it went on from the last that had not.
    """
    lines = text.splitlines(keepends=True)
    found, deepest, start = None, 0, 1
    for end in range(1, len(lines) + 1):
        try:
            data = tomllib.loads("".join(lines[:end]))
        except tomllib.TOMLDecodeError:
            continue
        if (depth := _depth(data, path)) > deepest:
            found, deepest = start, depth
        start = end + 1
    return found


def _depth(data: Any, path: KeyPath) -> int:
    """How many keys of the path there are."""
    for depth, key in enumerate(path):
        try:
            data = data[key]
        except (KeyError, IndexError, TypeError):
            return depth
    return len(path)


def scenario_error(
    failure: ValidationError,
    *,
    source: str,
    text: str,
    data: Mapping[str, Any],
    model: type[BaseModel],
) -> ScenarioError:
    """The first problem as an error that says file, line, key, value and what is legal."""
    problems = _told_once(failure.errors(include_url=False), data=data, model=model)
    path = _path_in(data, problems[0]["loc"])
    same = [p for p in problems if _path_in(data, p["loc"]) == path]
    what, remedy = _describe(same, path=path, model=model)
    others = len({_path_in(data, p["loc"]) for p in problems}) - 1
    if others:
        remedy += f" ({others} more {'problem' if others == 1 else 'problems'} after this one)"
    return ScenarioError(where=place(source, text=text, path=path), what=what, remedy=remedy)


def _told_once(
    problems: Sequence[Any], *, data: Mapping[str, Any], model: type[BaseModel]
) -> list[Any]:
    """The problems as a person counts them, misspelt keys first.

    Left out is what only follows from another one: a list that is called too short because an
    entry of it is wrong, and a key that is missing because its name is misspelt.
    """
    misspelt = [problem for problem in problems if problem["type"] == "extra_forbidden"]
    meant = set()
    for problem in misspelt:
        *table, key = _path_in(data, problem["loc"])
        near = nearest(str(key), _fields_at(model, tuple(table)), count=1)
        meant |= {(*table, name) for name in near}
    others = [
        problem
        for problem in problems
        if problem["type"] != "extra_forbidden"
        and not (problem["type"] == "too_short" and _was_long_enough(problem))
        and not (problem["type"] == "missing" and _path_in(data, problem["loc"]) in meant)
    ]
    return [*misspelt, *others]


def _was_long_enough(problem: Mapping[str, Any]) -> bool:
    written = problem["input"]
    return isinstance(written, list | tuple) and len(written) >= problem["ctx"]["min_length"]


def place(source: str, *, text: str, path: KeyPath) -> str:
    """`file, line n, key`, as far as each is known."""
    line = find_line(text, path)
    parts = [source]
    if line is not None:
        parts.append(f"line {line}")
    if path:
        parts.append(dotted(path))
    return ", ".join(parts)


def dotted(path: KeyPath) -> str:
    """`clips[0].recipe.grain`; entries are counted from 1 for people."""
    shown = ""
    for part in path:
        shown += f"[{part + 1}]" if isinstance(part, int) else f"{'.' if shown else ''}{part}"
    return shown


def _path_in(data: Any, location: Sequence[str | int]) -> KeyPath:
    """The part of pydantic's location that exists in the file (union branches do not)."""
    path: KeyPath = ()
    here = data
    for position, part in enumerate(location):
        if isinstance(here, Mapping) and isinstance(part, str):
            if part in here:
                here = here[part]
                path = (*path, part)
            elif position == len(location) - 1:
                path = (*path, part)
        elif isinstance(here, list | tuple) and isinstance(part, int) and part < len(here):
            here = here[part]
            path = (*path, part)
    return path


def _describe(problems: Sequence[Any], *, path: KeyPath, model: type[BaseModel]) -> tuple[str, str]:
    first = problems[0]
    key = str(path[-1]) if path else ""
    if first["type"] == "extra_forbidden":
        return _unknown_key(key, legal=_fields_at(model, path[:-1]))
    if first["type"] == "missing":
        return f'the key "{key}" is missing', f"Add a line: {key} = …"
    if first["type"] == "value_error":
        return str(first["ctx"]["error"]), "Correct it and start again"
    found = _as_written(first["input"])
    expected = " or ".join(dict.fromkeys(_expectation(problem) for problem in problems))
    return f"{found} is not legal", f"Legal is: {expected}"


def _unknown_key(key: str, *, legal: Sequence[str]) -> tuple[str, str]:
    near = nearest(key, legal, count=1)
    remedy = f'Did you mean "{near[0]}"?' if near else f"Known keys here: {', '.join(legal)}"
    return f'there is no key "{key}"', remedy


_EXPECTED: Final = {
    "greater_than_equal": "a number of at least {ge}",
    "greater_than": "a number above {gt}",
    "less_than_equal": "a number of at most {le}",
    "less_than": "a number below {lt}",
    "multiple_of": "a multiple of {multiple_of}",
    **dict.fromkeys(("literal_error", "not_in_table"), "{expected}"),
    **dict.fromkeys(("int_type", "int_parsing", "int_from_float"), "a whole number"),
    **dict.fromkeys(("float_type", "float_parsing"), "a number"),
    **dict.fromkeys(("bool_type", "bool_parsing"), "true or false"),
    **dict.fromkeys(("tuple_type", "list_type"), "a list in square brackets"),
    **dict.fromkeys(("model_type", "dict_type"), "a table"),
    "string_type": "text in quotes",
    "too_short": "a list with at least one entry",
    "string_too_short": "text that is not empty",
}
"""What is legal, by pydantic's kind of error."""


def _expectation(problem: Mapping[str, Any]) -> str:
    template = _EXPECTED.get(problem["type"])
    if template is None:
        return str(problem["msg"])
    return template.format_map(problem.get("ctx", {})).replace("'", '"')


def _as_written(value: object) -> str:
    try:
        shown = json.dumps(value, ensure_ascii=False)
    except TypeError:
        shown = str(value)
    return shown if len(shown) <= 60 else shown[:57] + "…"


def _fields_at(model: type[BaseModel], path: KeyPath) -> tuple[str, ...]:
    """Legal keys of the table at `path`, found by walking the model's annotations."""
    here: type[BaseModel] = model
    for part in path:
        if isinstance(part, int):
            continue
        field = here.model_fields.get(part)
        inner = _model_in(field.annotation) if field else _task_tables(here).get(part)
        if inner is None:
            return ()
        here = inner
    return (*(name for name in here.model_fields if name != "tasks"), *_task_tables(here))


def _task_tables(model: type[BaseModel]) -> dict[str, type[BaseModel]]:
    """The tables that stand for tasks in a scenario, which gathers them in `tasks`."""
    if "tasks" not in model.model_fields:
        return {}
    return {
        name: spec.settings_model for name, spec in TASKS.items() if spec.settings_model is not None
    }


def _model_in(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in get_args(annotation):
        found = _model_in(argument)
        if found:
            return found
    return None

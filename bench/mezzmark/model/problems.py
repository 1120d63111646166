"""Turns what pydantic found wrong with a scenario into one line a person can act on."""

import difflib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from mezzmark.model.errors import ScenarioError
from mezzmark.model.tasks import TASKS

KeyPath = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*(\[\[?)\s*(.+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(
    r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=(.*)$"""
)
_KEY_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")


def map_key_lines(text: str) -> dict[KeyPath, int]:
    """Line number (from 1) of every table header and key, by its path.

    Entries of arrays of tables have their index in the path: `("clips", 0, "name")`.
    """
    lines: dict[KeyPath, int] = {}
    table: KeyPath = ()
    array_counts: dict[KeyPath, int] = {}
    for number, line in _lines_outside_values(text):
        header = _HEADER.match(line)
        if header:
            names = _split_key(header[2])
            parent = _with_indices(names[:-1], array_counts)
            table = (*parent, names[-1])
            if header[1] == "[[":
                index = array_counts.get(table, -1) + 1
                array_counts[table] = index
                lines.setdefault(table, number)
                table = (*table, index)
            lines[table] = number
            continue
        key = _KEY.match(line)
        if key:
            lines[table + tuple(_split_key(key[1]))] = number
    return lines


def find_line(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """The line of `path`, or of the nearest enclosing key that has one."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _split_key(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in _KEY_PART.findall(dotted)]


def _with_indices(names: list[str], array_counts: dict[KeyPath, int]) -> KeyPath:
    path: KeyPath = ()
    for name in names:
        path = (*path, name)
        if path in array_counts:
            path = (*path, array_counts[path])
    return path


def _lines_outside_values(text: str) -> Iterator[tuple[int, str]]:
    """Lines that begin a statement, not those inside a multi-line array or string."""
    depth = 0
    quote: str | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        starts_statement = depth == 0 and quote is None
        if starts_statement:
            yield number, line
            if _HEADER.match(line):
                continue
        depth, quote = _advance(line, depth, quote)


def _advance(line: str, depth: int, quote: str | None) -> tuple[int, str | None]:
    position = 0
    while position < len(line):
        rest = line[position:]
        if quote is not None:
            if rest.startswith(quote):
                position += len(quote)
                quote = None
            else:
                position += 2 if rest[0] == "\\" and quote.startswith('"') else 1
            continue
        opened = next((q for q in ('"""', "'''", '"', "'") if rest.startswith(q)), None)
        if opened:
            quote = opened
            position += len(opened)
            continue
        if rest[0] == "#":
            break
        depth += {"[": 1, "{": 1, "]": -1, "}": -1}.get(rest[0], 0)
        position += 1
    # A quote of one character cannot span lines.
    return max(depth, 0), quote if quote in ('"""', "'''") else None


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
        near = _nearest(str(key), legal=_fields_at(model, tuple(table)))
        meant.add((*table, near))
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
    line = find_line(map_key_lines(text), path)
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
    near = _nearest(key, legal=legal)
    remedy = f'Did you mean "{near}"?' if near else f"Known keys here: {', '.join(legal)}"
    return f'there is no key "{key}"', remedy


def _nearest(key: str, *, legal: Sequence[str]) -> str | None:
    near = difflib.get_close_matches(key, legal, n=1, cutoff=0.5)
    return near[0] if near else None


def _expectation(problem: Mapping[str, Any]) -> str:
    context = problem.get("ctx", {})
    kind = str(problem["type"])
    bounds = {
        "greater_than_equal": ("a number of at least ", "ge"),
        "greater_than": ("a number above ", "gt"),
        "less_than_equal": ("a number of at most ", "le"),
        "less_than": ("a number below ", "lt"),
        "multiple_of": ("a multiple of ", "multiple_of"),
    }
    if kind in bounds:
        words, name = bounds[kind]
        return f"{words}{context[name]}"
    if kind in ("literal_error", "not_in_table"):
        return str(context["expected"]).replace("'", '"')
    plain = {
        "int_type": "a whole number",
        "int_parsing": "a whole number",
        "int_from_float": "a whole number",
        "float_type": "a number",
        "float_parsing": "a number",
        "string_type": "text in quotes",
        "bool_type": "true or false",
        "bool_parsing": "true or false",
        "tuple_type": "a list in square brackets",
        "list_type": "a list in square brackets",
        "too_short": "a list with at least one entry",
        "string_too_short": "text that is not empty",
        "model_type": "a table",
        "dict_type": "a table",
    }
    return plain.get(kind, str(problem["msg"]))


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

"""Turns what pydantic found wrong with a scenario into one line a person can act on."""

import json
import re
import tomllib
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any, Final, get_args

from pydantic import BaseModel, ValidationError

from mezzmark.model.errors import ScenarioError, count_text, nearest
from mezzmark.model.fact import likelier_unit
from mezzmark.model.scenario import Scenario, task_tables

KeyPath = tuple[str | int, ...]

_TOKEN: Final = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?!")'
    r"|'''.*?'''(?!')"
    r'|"(?:\\.|[^"\\])*"'
    r"|'[^']*'|#[^\n]*|[][{}\n]",
    re.DOTALL,
)
"""What may hold a line break that ends no statement, brackets, and the breaks themselves."""


def find_line(text: str, path: KeyPath) -> int | None:
    """The line (from 1) of a TOML text on which the key of this path is written, or the nearest
    enclosing key that is; None where there is none. Entries of arrays have their index in the path.
    """
    ends, open_count = [0], 0
    for token in _TOKEN.finditer(text):
        open_count += (token[0] in "[{") - (token[0] in "]}")
        if token[0] == "\n" and not open_count:
            ends.append(token.end())
    ends.append(len(text))

    def depth_at(place: int) -> int:
        return _depth(tomllib.loads(text[: ends[place]]), path)

    if not (deepest := depth_at(-1)):
        return None
    first = bisect_left(range(len(ends)), deepest, key=depth_at)
    return text.count("\n", 0, ends[first - 1]) + 1


def _depth(data: Any, path: KeyPath) -> int:
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
    data: Mapping[str, Any],
    model: type[BaseModel],
    text: str = "",
) -> ScenarioError:
    """The first problem as an error that says file, line, key, value and what is legal."""
    problems = defaultdict(list)
    for path, problem in _told_once(failure, data=data, model=model):
        problems[path].append(problem)
    path, first = next(iter(problems.items()))
    what, remedy = _describe(first, path=path, model=model)
    if more := len(problems) - 1:
        remedy += f" ({count_text(more, 'more problem')} after this one)"
    return ScenarioError(where=place(source, text=text, path=path), what=what, remedy=remedy)


def _told_once(
    failure: ValidationError, *, data: Mapping[str, Any], model: type[BaseModel]
) -> list[tuple[KeyPath, Any]]:
    """The problems as a person counts them, misspelt keys first. Left out is what follows from
    another one: a list too short because an entry is wrong, a missing key that is misspelt."""
    problems = [(path_in(data, p["loc"]), p) for p in failure.errors(include_url=False)]
    meant = {
        (*path[:-1], name)
        for path, problem in problems[:_LOOKED_INTO]
        if problem["type"] == "extra_forbidden"
        for name in nearest(str(path[-1]), _fields_at(model, path[:-1]), count=1)
    }

    def follows(path: KeyPath, problem: Any) -> bool:
        if problem["type"] == "too_short":
            return bool(len(problem["input"]) >= problem["ctx"]["min_length"])
        return problem["type"] == "missing" and path in meant

    told = [(path, problem) for path, problem in problems if not follows(path, problem)]
    # Where a table may stand for a word, what is wrong within the table is meant.
    told = [(path, one) for path, one in told if not _is_table_for_word(one)] or told
    return sorted(told, key=lambda pair: pair[1]["type"] != "extra_forbidden")


def _is_table_for_word(problem: Any) -> bool:
    return problem["type"] == "literal_error" and isinstance(problem["input"], Mapping)


def place(source: str, *, text: str, path: KeyPath) -> str:
    """`file, line n, key`, as far as each is known."""
    line = find_line(text, path)
    parts = (source, f"line {line}" if line else "", dotted(path))
    return ", ".join(part for part in parts if part)


LONGEST_KEY: Final = 300  # Letters of a key that are shown: as many as a clip's name may have


def dotted(path: KeyPath) -> str:
    """`clips[0].recipe.grain`; entries are counted from 1 for people."""
    shown = ""
    for part in path:
        if isinstance(part, int):
            shown += f"[{part + 1}]"
            continue
        cut = "…" if len(part) > LONGEST_KEY else ""
        shown += f"{'.' if shown else ''}{part[:LONGEST_KEY]}{cut}"
    return shown


def path_in(data: Any, location: Sequence[str | int]) -> KeyPath:
    """The part of pydantic's location that exists in the file (union branches do not)."""
    path: KeyPath = ()
    for position, part in enumerate(location, start=1):
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            if position < len(location) or not isinstance(data, Mapping):
                continue
        path = (*path, part)
    return path


def _describe(problems: Sequence[Any], *, path: KeyPath, model: type[BaseModel]) -> tuple[str, str]:
    first, key = problems[0], str(path[-1]) if path else ""
    if first["type"] == "extra_forbidden":
        legal = _fields_at(model, path[:-1])
        near = nearest(key, legal, count=1)
        remedy = f'Did you mean "{near[0]}"?' if near else f"Known keys here: {', '.join(legal)}"
        return f'there is no key "{key}"', remedy
    if first["type"] == "missing":
        return f'the key "{key}" is missing', f"Add a line: {key} = …"
    if first["type"] == "value_error":
        return str(first["ctx"]["error"]), "Correct it and start again"
    expected = " or ".join(dict.fromkeys(map(_expectation, problems)))
    likelier = likelier_unit(str(first["input"]), "bit/s") if key.endswith("_bps") else ""
    question = f'Did you mean "{likelier}"? ' if likelier else ""
    return f"{_as_written(first['input'])} is not legal", f"{question}Legal is: {expected}"


_LOOKED_INTO: Final = 100
"""Problems of which one may follow from another: nobody reads on, and each takes a search."""

_EXPECTED: Final = {
    "greater_than_equal": "a number of at least {ge}",
    "greater_than": "a number above {gt}",
    "less_than_equal": "a number of at most {le}",
    "less_than": "a number below {lt}",
    "finite_number": "a number that is not infinite",
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


def _fields_at(model: type[BaseModel], path: Sequence[str | int]) -> tuple[str, ...]:
    """Legal keys of the table at `path`, found by walking the model's annotations."""
    for part in path:
        if isinstance(part, str):
            inner = _model_in(_annotations(model).get(part))
            if inner is None:
                return ()
            model = inner
    return tuple(_annotations(model))


def _annotations(model: type[BaseModel]) -> dict[str, Any]:
    """What each key may hold; a scenario has its tasks' tables among them."""
    fields = {name: field.annotation for name, field in model.model_fields.items()}
    if model is Scenario:
        del fields["tasks"]
        fields |= task_tables()
    return fields


def _model_in(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next(filter(None, map(_model_in, get_args(annotation))), None)

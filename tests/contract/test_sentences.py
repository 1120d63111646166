"""English is output, never protocol: no code looks into a sentence to learn something from it."""

import ast
from pathlib import Path

import pytest

import mezzmark

PACKAGE = Path(mezzmark.__file__).parent
ROOMS = ("decide", "report", "runner", "store", "cli")
LOOKS = {
    *("startswith", "endswith", "partition", "rpartition", "split", "rsplit", "splitlines"),
    *("removeprefix", "removesuffix", "match", "search", "fullmatch", "findall", "finditer"),
}
"""Calls that take a text apart. `split()` without arguments only tidies blanks and is not one."""

ALLOWED = {
    ("decide/compare/host_runs.py", "parse_price"): "what the user typed",
    ("decide/compare/matching.py", "_file_names"): "a path",
    ("report/figures/drawing.py", "_svg_tree"): "elements and ids of an SVG file",
    ("report/page.py", "template_environment"): "a file name",
    ("report/page.py", "render"): "a file name",
    ("report/prose/latency.py", "encode_time_text"): "digits just made",
    ("report/prose/making.py", "_power_word"): "a word of a command",
    ("runner/workers.py", "_describe_end"): "the last words of a foreign process",
    ("store/toml_files.py", "_refuse_long_keys"): "lines of a file",
    ("store/record_text.py", "parse_trial"): "the bytes of a record",
    ("store/toml_files.py", "read_toml"): "where a library's message says the mistake is",
    ("cli/app.py", "pasted"): "a path",
    ("cli/options.py", "parse_share"): "what the user typed",
    ("cli/views.py", "_width"): "the width of what is drawn",
}
"""Where a text is taken apart, and what text that is: none of our sentences."""


def looks_of(text: str) -> set[str]:
    """The functions of a module that take a text apart."""
    return {
        function.name
        for function in ast.walk(ast.parse(text))
        if isinstance(function, ast.FunctionDef)
        for call in ast.walk(function)
        if isinstance(call, ast.Call)
        and isinstance(call.func, ast.Attribute)
        and call.func.attr in LOOKS
        and not _is_harmless(call)
    }


def _is_harmless(call: ast.Call) -> bool:
    """Tidying of blanks, or a split of numbers."""
    function = ast.unparse(call.func)
    return function.startswith("np.") or (function.endswith(".split") and not call.args)


def test_no_code_looks_into_a_sentence() -> None:
    """Every place that takes a text apart is listed with what text it is, and no other does."""
    found = {
        (path.relative_to(PACKAGE).as_posix(), name)
        for room in ROOMS
        for path in (PACKAGE / room).rglob("*.py")
        for name in looks_of(path.read_text(encoding="utf-8"))
    }
    assert found == set(ALLOWED)


@pytest.mark.parametrize(
    "body", ['text.startswith("no ")', 'text.partition(": ")[2]', 're.search("round", text)']
)
def test_a_planted_look_is_found(body: str) -> None:
    """The search finds a function that learns something from a text."""
    assert looks_of(f"def planted(text):\n    return {body}\n") == {"planted"}

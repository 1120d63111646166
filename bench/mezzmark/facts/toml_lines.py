"""Where each key of a TOML text stands, so that an error can name its line.

`tomllib` tells values but not places. This reads only headers and keys; values spanning several
lines are skipped by counting brackets and triple quotes. A key inside an inline table is placed at
the line where that table begins, which is where a person would look.
"""

import re
from collections.abc import Iterator

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

"""Keys of a TOML text are found at the line a person would point to."""

import pytest

from mezzmark.model.problems import find_line

TEXT = '''\
# a comment = not a key
name = "a [table] in a string = no"
seed = 7

[[clips]]
name = "one"
[clips.recipe]
grain = 1.0  # [not a header]

[[clips]]
name = "two"
files = [
  "a.mov",
  "grain = 9",
]
description = """
[scrub]
requests = 1
"""
"quoted key" = 1
recipe.pan = 2

[scrub]
requests = 24
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("name",), 2),
        (("clips", 0, "name"), 6),
        (("clips", 0, "recipe"), 7),
        (("clips", 0, "recipe", "grain"), 8),
        (("clips", 1, "name"), 11),
        (("clips", 1, "files"), 12),
        (("clips", 1, "quoted key"), 20),
        (("clips", 1, "recipe", "pan"), 21),
        (("scrub",), 23),
        (("scrub", "requests"), 24),
        (("clips", 1, "files", 1), 12),
        (("clips", 1, "grain"), 10),
        (("encode", "threads"), None),
    ],
)
def test_every_key_is_found_at_its_line(path: tuple[str | int, ...], line: int | None) -> None:
    """Headers, dotted, quoted and nested keys have the line they stand on, strings none. A path
    below a known key falls back to the nearest enclosing one; an unknown has none."""
    assert find_line(TEXT, path) == line

"""Keys of a TOML text are found at the line a person would point to."""

from mezzmark.model.problems import find_line, map_key_lines

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


def test_every_key_is_found_at_its_line() -> None:
    """Headers, dotted, quoted and nested keys have the line they stand on, strings none."""
    lines = map_key_lines(TEXT)
    assert lines[("name",)] == 2
    assert lines[("clips", 0, "name")] == 6
    assert lines[("clips", 0, "recipe")] == 7
    assert lines[("clips", 0, "recipe", "grain")] == 8
    assert lines[("clips", 1, "name")] == 11
    assert lines[("clips", 1, "files")] == 12
    assert lines[("clips", 1, "quoted key")] == 20
    assert lines[("clips", 1, "recipe", "pan")] == 21
    assert lines[("scrub",)] == 23
    assert lines[("scrub", "requests")] == 24
    assert ("clips", 1, "grain") not in lines


def test_an_entry_of_a_list_has_the_line_of_its_key() -> None:
    """A path below a known key falls back to the nearest enclosing one; an unknown has none."""
    lines = map_key_lines(TEXT)
    assert find_line(lines, ("clips", 1, "files", 1)) == 12
    assert find_line(lines, ("encode", "threads")) is None

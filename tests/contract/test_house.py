"""The house keeps its size: counts of `house_counts.py` held against their limits."""

from collections import Counter
from pathlib import Path

import pytest

from contract.house_counts import count

ROOT = Path(__file__).parents[2]
LIMITS = {"lines": 47_010, "code_lines": 34_310, "modules": 208, "test_lines": 43_600}
"""What the project may hold; a limit is raised by whoever has a reason, in the same commit."""

FULLEST_FOLDER = 25


@pytest.mark.parametrize("name", LIMITS)
def test_the_project_is_no_larger_than_it_says(name: str) -> None:
    """Lines and modules of the package, and lines of tests, stay within their limits."""
    assert getattr(count(ROOT), name) <= LIMITS[name]


def test_no_folder_is_crowded() -> None:
    """No folder of the package has more than 25 modules."""
    assert {name: n for name, n in count(ROOT).files_in.items() if n > FULLEST_FOLDER} == {}


def test_files_of_tests_have_names_of_their_own() -> None:
    """Two of one name in different folders cannot be collected together."""
    names = Counter(path.name for path in (ROOT / "tests").rglob("test_*.py"))
    assert [name for name, times in names.items() if times > 1] == []


def test_small_modules_say_why_they_stand_alone() -> None:
    """A module of under 60 lines that one other imports says "alone" in its docstring."""
    assert count(ROOT).lonely == ()


def test_public_things_are_documented() -> None:
    """At least 99 % of public functions and classes have a docstring."""
    found = count(ROOT)
    assert len(found.undocumented) <= 0.01 * found.public

"""The functions that do jobs are named by text; each of them is there."""

from importlib import import_module

import pytest

from mezzmark.model.preparations import PREPARATIONS
from mezzmark.model.tasks import TASKS

ENTRIES = [entry for _, entry in PREPARATIONS.values()]
ENTRIES += [spec.engine_entry for spec in TASKS.values()]


@pytest.mark.parametrize("entry", ENTRIES)
def test_every_job_has_its_function(entry: str) -> None:
    """`module:function` of every preparation and task can be imported and called."""
    module, function = entry.split(":")
    assert callable(getattr(import_module(module), function))


@pytest.mark.parametrize(("name", "row"), PREPARATIONS.items())
def test_every_preparation_is_found_by_its_task(name: str, row: tuple) -> None:
    """The key of a row is what its job says in `task`."""
    assert row[0].model_fields["task"].default == name

"""What the demo measures: the synthetic clip, or the user's own files in its place."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from mezzmark.model.scenario import Scenario
from mezzmark.runner.prepare import expand_files
from mezzmark.runner.request import stored_scenario
from mezzmark.store.toml_files import read_scenario

DEMO_SCENARIO: Final = "first-look"

DEMO_EXCERPT_S: Final = 4.0
"""Seconds of an own file that the demo measures: as long as the synthetic clip."""

_NAMED_FILES: Final = 2
"""A title names so many files; further ones are counted."""


def plan_demo(footage: Sequence[str], *, earlier_run: Path | None = None) -> Scenario:
    """The demo's scenario, on these files if there are any, else on those of the run gone on with.

    FootageError for a path that names no file.
    """
    if footage:
        files = [str(Path(file).expanduser().absolute()) for file in footage]
        clip = {"name": "own", "files": files, "excerpt_s": DEMO_EXCERPT_S}
        return read_scenario(DEMO_SCENARIO, changes={"clips": [clip], "title": _title(files)})
    plan = read_scenario(DEMO_SCENARIO)
    stored = stored_scenario(earlier_run) if earlier_run else None
    if stored is None or stored.name != plan.name:
        return plan
    return plan.model_copy(update={"clips": stored.clips, "title": stored.title})


def _title(files: Sequence[str]) -> str:
    names = [Path(file).name for file in expand_files(files)]
    named = ", ".join(names[:_NAMED_FILES])
    more = f" and {len(names) - _NAMED_FILES} more" if len(names) > _NAMED_FILES else ""
    return f"A first look at {named}{more}: five encodings, a few minutes"

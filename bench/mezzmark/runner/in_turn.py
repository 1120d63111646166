"""Two installations in turn: the same scenario on the same bytes, prepared here, rounds alternating
ABBA, each into a run folder of its own. One that takes other jobs is refused beforehand."""

import os
import platform
import subprocess
import sys
from collections.abc import Generator, Iterator, Sequence
from dataclasses import replace
from functools import partial
from itertools import count
from pathlib import Path
from typing import Final

from pydantic import ValidationError

import mezzmark
from mezzmark.model.errors import UsageError
from mezzmark.model.fact import Fact
from mezzmark.model.preparations import job_format
from mezzmark.model.run import Manifest
from mezzmark.model.scenario import Scenario
from mezzmark.runner.events import Event, RoundFinished
from mezzmark.runner.prepare import prepare_footage
from mezzmark.runner.run import run_scenario
from mezzmark.runner.start import trap_signals
from mezzmark.runner.workers import own_environment, run_worker
from mezzmark.store.run_store import reserve_run_dir

ANSWER_TIMEOUT_S: Final = 120.0
"""To load the libraries of an installation takes seconds; minutes from storage that sleeps."""


class Environment(Fact):
    """What an installation says of itself."""

    job_format: str
    mezzmark: str
    python: str
    library_versions: dict[str, str]

    def noted_in(self, manifest: Manifest) -> Manifest:
        """The manifest of a run that was measured by it."""
        versions = {"library_versions": self.library_versions, "python": self.python}
        host = manifest.host.model_copy(update=versions)
        return manifest.model_copy(update={"host": host, "mezzmark_version": self.mezzmark})


def describe_environment() -> str:
    """This installation's `Environment` as JSON."""
    from mezzmark.engines.media.cache import all_library_versions

    return Environment(
        job_format=job_format(),
        mezzmark=mezzmark.__version__,
        python=f"{platform.python_implementation()} {platform.python_version()}",
        library_versions=all_library_versions(),
    ).model_dump_json()


def ask_environment(python: Path) -> Environment:
    """What that interpreter's installation says of itself; UsageError where it cannot take part."""
    where = f"--against {python}"
    command = (str(python), "-c", f"from {__name__} import describe_environment as d; print(d())")
    variables = os.environ if str(python) == sys.executable else own_environment(os.environ)
    try:
        answer = subprocess.run(
            command, capture_output=True, check=True, env=variables, timeout=ANSWER_TIMEOUT_S
        )
        found = Environment.model_validate_json(answer.stdout)
    except (OSError, subprocess.SubprocessError, ValidationError) as error:
        what = f"no installation answered there that can be measured in turn ({error})"
        place = "an environment that holds this version or a later one"
        remedy = f"Name the Python interpreter of {place}."
        raise UsageError(where=where, what=what, remedy=remedy) from None
    if found.job_format != job_format():
        what = f"its version {found.mezzmark} takes other jobs than this {mezzmark.__version__}"
        remedy = "Measure each by itself, and compare the runs with regress."
        raise UsageError(where=where, what=what, remedy=remedy)
    return found


def run_in_turn(
    scenario: Scenario,
    *,
    run_dirs: Sequence[Path],
    cache_dir: Path,
    python: Path,
    resume: bool = False,
) -> Generator[Event]:
    """Measure this installation into the first folder and that of `python` into the second. No run
    stops by precision, and the time budget is that of both together, for each counts the time of
    the other. Raises as `run_scenario`, and UsageError for what cannot take part."""
    other = ask_environment(python)
    for run_dir in run_dirs:
        reserve_run_dir(run_dir, resume=resume)
    with trap_signals() as flag:
        here = partial(run_worker, is_cancelled=flag.is_set)
        footage = yield from prepare_footage(scenario, cache_dir=cache_dir, dispatch=here)
        there, noted = partial(here, python=str(python)), replace(footage, noted=other.noted_in)
        measure = partial(
            run_scenario, scenario, cache_dir=cache_dir, resume=resume, stop_when=lambda _trials: ""
        )
        sides = [
            measure(run_dir=run_dirs[0], dispatch=here, footage=footage),
            measure(run_dir=run_dirs[1], dispatch=there, footage=noted),
        ]
        try:
            yield from _alternate(sides)
        finally:
            for side in reversed(sides):
                side.close()


def _alternate(sides: Sequence[Iterator[Event]]) -> Iterator[Event]:
    """A round of each, the first one to begin changing from turn to turn, until both are over."""
    ended: set[int] = set()
    for turn in count():
        for index in (0, 1) if turn % 2 == 0 else (1, 0):
            for event in sides[index]:
                yield event
                if isinstance(event, RoundFinished):
                    break
            else:
                ended.add(index)
        if len(ended) == len(sides):
            return

"""Roots: what is prepared is copied there before the first trial and removed after the last.

Only workers touch a root, each with its time limit: storage that hangs never holds the run. Which
folder is a run's own follows from where the run lies, so that it finds what it left when killed.
"""

import platform
from collections.abc import Generator, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Final

from mezzmark.model.cell import ALL_CLIPS
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import MezzmarkError
from mezzmark.model.preparations import Answer, PlacedFile, PlacedFiles, PlaceFilesJob
from mezzmark.model.run import Manifest
from mezzmark.model.scenario import RootSettings
from mezzmark.model.tasks import TASKS
from mezzmark.runner.at_once import raise_if_over, refusal
from mezzmark.runner.events import Preparing
from mezzmark.runner.prepare import SILENCE_S, Footage
from mezzmark.runner.start import manifest_cells
from mezzmark.runner.workers import Dispatch, last_answer, run_worker

CLEARING_S: Final = 60.0
"""To remove a folder of large files takes seconds, over a slow link too."""


def place_footage(
    footage: Footage,
    roots: Sequence[RootSettings],
    manifest: Manifest,
    dispatch: Dispatch,
    run_dir: Path,
) -> Generator[Preparing, None, tuple[Footage, Manifest]]:
    """Copy to each root what cells on it read; the footage and the manifest that know of it. An
    error of the machine where a root cannot take it, InterruptedRunError when stopped."""
    placed: dict[str, PlacedFiles] = {}
    for number, root in enumerate(roots):
        files = _files_on(root.name, manifest, footage)
        job = PlaceFilesJob(root=root, owner=_owner(run_dir), files=files)
        yield Preparing(message=f"copying to root {root.name}", done=number, total=len(roots))
        placed[root.name] = _result(job, dispatch(job, SILENCE_S))
    told = tuple(one.root for one in placed.values())
    return replace(footage, placed=placed), manifest.model_copy(update={"roots": told})


@contextmanager
def cleared(
    roots: Sequence[RootSettings], run_dir: Path, elsewhere: Dispatch | None = None
) -> Iterator[list[str]]:
    """Remove what an earlier session placed before the block, for which every root must be there,
    and what this one placed after it, however it ends; the list then names where that failed.
    Nothing that stops a run stops the workers here; `elsewhere` is another machine."""
    ask, left = elsewhere or run_worker, list[str]()
    for job in clearing_jobs(roots, run_dir):
        _result(job, ask(job, CLEARING_S))
    try:
        yield left
    finally:
        for job in clearing_jobs(roots, run_dir):
            with suppress(MezzmarkError):  # the other machine is lost
                if last_answer(ask(job, CLEARING_S)) == PlacedFiles():
                    continue
            left.append(job.root.name)


def clearing_jobs(roots: Sequence[RootSettings], run_dir: Path) -> list[PlaceFilesJob]:
    """What removes the run's copies from each root, and fails where a root is not there."""
    return [PlaceFilesJob(root=root, owner=_owner(run_dir), is_over=True) for root in roots]


def _result(job: PlaceFilesJob, answers: Iterator[Answer]) -> PlacedFiles:
    answer, name = last_answer(answers), f'root "{job.root.name}"'
    if isinstance(answer, PlacedFiles):
        return answer
    raise_if_over(answer, name)
    raise MezzmarkError(where=job.root.path, what=refusal(answer, name), remedy="Check the root.")


def _owner(run_dir: Path) -> str:
    """12 hex digits of the run's folder on this machine."""
    return sha256(f"{platform.node()}\n{run_dir.absolute()}".encode()).hexdigest()[:12]


def _files_on(root: str, manifest: Manifest, footage: Footage) -> tuple[PlacedFile, ...]:
    """The files that cells on the root read, but for the user's own originals."""
    own = {(clip.clip, ORIGINAL) for clip in manifest.clips if clip.source == "own"}
    asked = {
        (cell.clip, cell.encoding if TASKS[cell.task].reads_encoded_file else ORIGINAL)
        for cell, *_ in manifest_cells(manifest)
        if cell.setting["root"] == root
    }
    return tuple(
        PlacedFile(path=footage.media[one.clip, one.encoding].media_path, **dict(one))
        for one in manifest.media
        if {(one.clip, one.encoding), (ALL_CLIPS, one.encoding)} & asked
        and (one.clip, one.encoding) not in own
    )

"""A run on disk: `manifest.json` and the append-only `trials.jsonl`, as in results/README.md.

A trial is either on disk whole or not at all: its line is appended in one write, flushed and
synchronised before anyone is told. A process killed in the middle of a write leaves a torn last
line, which no reader takes for a trial: no beginning of a JSON object is itself valid JSON.
"""

import os
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import from_json

from mezzmark.model.cell import Cell
from mezzmark.model.errors import DestinationError, RunError
from mezzmark.model.records import RECORD_SCHEMA, Trial
from mezzmark.model.run import MANIFEST_SCHEMA, Manifest
from mezzmark.model.upgrade import unknown_parts, upgrade_manifest, upgrade_trial
from mezzmark.own_files import (
    is_beginning_of,
    make_marked_folder,
    remove_marked,
    replace_whole,
    storage_error,
    translate_os_errors,
)

MANIFEST_NAME = "manifest.json"
TRIALS_NAME = "trials.jsonl"
_SCRATCH_PREFIX = "scratch-"
"""Of the run's own marked folders for files that live no longer than a trial."""

LOCK_NAME = "run.lock"
"""Stays behind, empty: the system's lock on it ends with the process that holds it."""

RunPaths = Path | str | Sequence[Path | str]
"""A run's folder, or several of them, as people name them in a program."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A run as read: its manifest, its trials in the order they ran, and how many lines of
    `trials.jsonl` were torn (none was ever a finished trial). `unknown` counts the trials that were
    left out because of a task, axis, arm or flag that this mezzmark does not know, by its name."""

    run_dir: Path
    manifest: Manifest
    trials: tuple[Trial, ...]
    torn_line_count: int
    unknown: Mapping[str, int] = field(default_factory=dict)


def as_run_paths(runs: RunPaths) -> list[Path]:
    """The folders as a list; one alone need not stand in a list, and `~` is the home folder."""
    # Text is a sequence too: read as one, it would be a folder for every letter.
    several = [runs] if isinstance(runs, Path | str) else runs
    return [Path(run).expanduser() for run in several]


@contextmanager
def lock_run(run_dir: Path) -> Iterator[None]:
    """Hold the run for writing; RunError when another process holds it."""
    from filelock import FileLock, Timeout

    # Not bound to a thread: a run is a generator, and whoever ends it may be another one.
    lock = FileLock(run_dir / LOCK_NAME, timeout=0, thread_local=False)
    try:
        lock.acquire()
    except Timeout:
        raise RunError(
            where=str(run_dir),
            what="another process is writing this run",
            remedy="Wait for it to end, or measure into another folder with --out.",
        ) from None
    except OSError as error:
        raise storage_error(
            error,
            run_dir,
            kind=DestinationError,
            remedy="Choose another folder with --out; to go on with a run, copy it there first.",
        ) from None
    try:
        yield
    finally:
        lock.release()


def reserve_run_dir(run_dir: Path, *, resume: bool) -> bool:
    """Make the folder of a run; True when a run to be resumed lies in it.

    DestinationError when something stands there and `resume` was not asked for.
    """
    with translate_os_errors(run_dir, remedy="Choose another folder with --out."):
        run_dir.mkdir(parents=True, exist_ok=True)
        present = _names_in(run_dir)
    if MANIFEST_NAME in present and resume:
        return True
    if all(map(_is_unfinished, present)):
        return False
    resuming = "Add --resume to resume the run in it, or choose" if MANIFEST_NAME in present else ""
    raise DestinationError(
        where=str(run_dir),
        what="the folder is not empty and nothing is ever overwritten",
        remedy=f"{resuming or 'Choose'} another folder with --out.",
    )


def discard_run_dir(run_dir: Path, *, with_folder: bool) -> None:
    """Remove what a run left that ended before its manifest was written, and its folder if asked;
    nothing where the folder holds anything else."""
    # Only names of our own are touched, and rmdir refuses a folder that still holds something.
    with suppress(OSError):
        present = _names_in(run_dir)
        if all(map(_is_unfinished, present)):
            for name in present:
                (run_dir / name).unlink()
            if with_folder:
                run_dir.rmdir()


def _names_in(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def _is_unfinished(name: str) -> bool:
    """Whether a run leaves a file of this name when it is stopped before its manifest is written.
    A scratch folder is none of it: it is made for the first trial."""
    return name == LOCK_NAME or is_beginning_of(name, MANIFEST_NAME)


@contextmanager
def scratch_folder(run_dir: Path) -> Iterator[Path]:
    """An empty folder for the files of one trial, removed with all it holds at the end."""
    with _translate_write_errors(run_dir):
        folder = make_marked_folder(run_dir, _SCRATCH_PREFIX)
    try:
        yield folder
    finally:
        remove_marked(folder)


def clear_scratch(run_dir: Path) -> None:
    """Remove the scratch folders that killed trials left, and none that is not marked as ours."""
    for folder in run_dir.glob(f"{_SCRATCH_PREFIX}*"):
        remove_marked(folder)


def create_run(run_dir: Path, manifest: Manifest) -> None:
    """Write the manifest of a new run; DestinationError when the folder holds anything else."""
    reserve_run_dir(run_dir, resume=False)
    write_manifest(run_dir, manifest)


def write_manifest(run_dir: Path, manifest: Manifest) -> None:
    """Replace `manifest.json` in one step: readers see the old one or the new one, whole."""
    target = run_dir / MANIFEST_NAME
    content = f"{manifest.model_dump_json(indent=2)}\n".encode()
    with _translate_write_errors(target, len(content)):
        replace_whole(target, content, is_synced=True)


def append_trial(run_dir: Path, trial: Trial) -> None:
    """Append one finished trial and return once it is on the disk itself.

    A torn line that a killed process left is closed first, so it stays as it is and costs
    nothing. Raises DiskFullError when there is no room.
    """
    target = run_dir / TRIALS_NAME
    line = trial.model_dump_json().encode() + b"\n"
    with _translate_write_errors(target, len(line)), target.open("ab+", buffering=0) as file:
        if file.seek(0, os.SEEK_END) > 0:
            file.seek(-1, os.SEEK_END)
            if file.read(1) != b"\n":
                line = b"\n" + line
        left = memoryview(line)
        while left:
            left = left[file.write(left) :]
        os.fsync(file.fileno())


def _translate_write_errors(target: Path, needed_bytes: int = 0) -> AbstractContextManager[None]:
    resuming = "resume with --resume; finished trials are safe."
    return translate_os_errors(
        target,
        full=f"Free some space and {resuming}",
        remedy=f"Check the storage and {resuming}",
        needed_bytes=needed_bytes,
    )


def read_run(run_dir: Path) -> Run:
    """Read a run; it need not be finished, and may still be being written.

    Torn lines are counted and skipped. RunError when the manifest is missing or damaged, a whole
    line is not a trial, or a newer mezzmark wrote it.
    """
    manifest = read_manifest(run_dir)
    path = run_dir / TRIALS_NAME
    trials: list[Trial] = []
    torn_line_count = 0
    unknown: Counter[str] = Counter()
    for number, line in _numbered_lines(path):
        found = parse_trial(line, where=f"{path}, line {number}")
        if isinstance(found, Trial):
            trials.append(found)
        elif found is None:
            torn_line_count += 1
        else:
            unknown[found] += 1
    return Run(
        run_dir=run_dir,
        manifest=manifest,
        trials=tuple(trials),
        torn_line_count=torn_line_count,
        unknown=dict(unknown),
    )


def read_manifest(run_dir: Path) -> Manifest:
    """Read `manifest.json`; RunError when it is missing, damaged or of a newer version."""
    path = run_dir / MANIFEST_NAME
    try:
        text = path.read_bytes()
    except OSError as error:
        present = _names_in(run_dir) if run_dir.is_dir() else set()
        if present and all(map(_is_unfinished, present)):
            raise RunError(
                where=str(run_dir),
                what="this run ended before anything was measured, so there is nothing to read",
                remedy="Leave it out; the folder may be deleted.",
            ) from None
        raise RunError(
            where=str(run_dir),
            what=f"no run can be read here ({MANIFEST_NAME}: {error.strerror})",
            remedy="Give the folder that `mezzmark measure` named when it ended.",
        ) from None
    found = _parse(text, newest=MANIFEST_SCHEMA, where=str(path))
    if found is None:
        raise _damaged(str(path), "text", "it is not JSON")
    try:
        return Manifest.model_validate(upgrade_manifest(found))
    except _NOT_AS_STATED as error:
        raise _damaged_by(str(path), error) from None


def _numbered_lines(path: Path) -> Iterator[tuple[int, bytes]]:
    try:
        with path.open("rb") as file:
            for number, line in enumerate(file, start=1):
                if line.strip():
                    yield number, line
    except FileNotFoundError:
        return
    except OSError as error:
        raise RunError(
            where=str(path),
            what=f"cannot be read ({error.strerror})",
            remedy="Check the storage and the file's permissions.",
        ) from None


def parse_trial(line: bytes, *, where: str) -> Trial | str | None:
    """The trial in a line; None when the line is torn, that is, not JSON at all; of a trial that
    only a later mezzmark can read, what is not known here.

    RunError, naming `where`, when it is JSON but no trial this mezzmark can read.
    """
    found = _parse(line, newest=RECORD_SCHEMA, where=where)
    if found is None:
        return None
    try:
        upgraded = upgrade_trial(found)
        if unknown := unknown_parts(upgraded):
            return unknown
        cell = upgraded["cell"]
        key = tuple((axis, value, type(value)) for axis, value in cell["setting"].items())
        upgraded["cell"] = _shared_cell(cell["task"], cell["clip"], cell["encoding"], key)
        return Trial.model_validate(upgraded)
    except _NOT_AS_STATED as error:
        raise _damaged_by(where, error) from None


@lru_cache(maxsize=65_536)
def _shared_cell(
    task: str, clip: str, encoding: str, axes: tuple[tuple[str, Any, type], ...]
) -> Cell:
    """One object for equal cells: grouping asks thousands of times whether two are equal, and the
    same one needs no look inside."""
    setting = {axis: value for axis, value, _ in axes}
    return Cell.model_validate(
        {"task": task, "clip": clip, "encoding": encoding, "setting": setting}
    )


_NOT_AS_STATED = (KeyError, TypeError, AttributeError, ValueError)
"""What reading an edited file can stumble on: a part that is missing, of another kind or wrong."""


def _parse(text: bytes, *, newest: int, where: str) -> Any:
    """The JSON of a text, None where it is none; RunError where a newer mezzmark wrote it."""
    try:
        found = from_json(text)
    except ValueError:
        return None
    version = found.get("schema_version") if isinstance(found, dict) else None
    if isinstance(version, int) and version > newest:
        raise RunError(
            where=where,
            what=f"written in format {version}; this mezzmark reads up to format {newest}",
            remedy="Read it with the mezzmark that wrote it, or a later one.",
        )
    return found


def _damaged_by(where: str, error: Exception) -> RunError:
    if not isinstance(error, ValidationError):
        return _damaged(where, "text", f"{type(error).__name__}: {error}")
    first = error.errors()[0]
    return _damaged(where, ".".join(str(part) for part in first["loc"]) or "text", first["msg"])


def _damaged(where: str, key: str, problem: str) -> RunError:
    return RunError(
        where=where,
        what=f"is damaged or was edited ({key}: {problem})",
        remedy="Restore it from a copy; the format is described in results/README.md.",
    )

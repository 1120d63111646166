"""A run on disk: `manifest.json` and the append-only `trials.jsonl`, as in results/README.md; and
checks of a fleet, a run in each `OUT/<when>/<host>/`. Long, for nothing else knows these folders.

A trial's line is appended in one write and synchronised before anyone is told. A killed process
leaves a torn last line, which no reader takes for a trial: no beginning of JSON is valid JSON.
"""

import os
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Final

from mezzmark import own_files
from mezzmark.host.common import paused_collector
from mezzmark.model.errors import DestinationError, RunError, nearest
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.kernel import KERNEL_CELL
from mezzmark.store import record_text

MANIFEST_NAME = "manifest.json"
TRIALS_NAME = "trials.jsonl"

LOCK_NAME = "run.lock"
"""Stays behind, empty: the system's lock on it ends with the process that holds it."""

RunPaths = Path | str | Sequence[Path | str]
"""A run's folder, or several of them, as people name them in a program."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A run as read: manifest, trials in the order they ran, how many lines of `trials.jsonl` were
    torn; `unknown` counts trials of a task, axis, arm or flag not known here, by its name."""

    run_dir: Path
    manifest: Manifest
    trials: tuple[Trial, ...]
    torn_line_count: int
    unknown: Mapping[str, int] = field(default_factory=dict)


def as_run_paths(runs: RunPaths) -> list[Path]:
    """The folders as a list; one alone need not stand in a list, and `~` is the home folder."""
    # Text is a sequence too: read as one, it would be a folder for every letter.
    several = [runs] if isinstance(runs, Path | str) else runs
    return [Path(os.path.expanduser(run)) for run in several]


@contextmanager
def lock_folder(
    folder: Path,
    *,
    what: str = "another process is writing this run",
    remedy: str = "Wait for it to end, or measure into another folder with --out.",
) -> Iterator[None]:
    """Hold a run, or another folder of ours, for writing; RunError when another process has it."""
    from filelock import FileLock, Timeout

    # Not bound to a thread: a run is a generator, and whoever ends it may be another one.
    lock = FileLock(folder / LOCK_NAME, timeout=0, thread_local=False)
    try:
        lock.acquire()
    except Timeout:
        raise RunError(where=str(folder), what=what, remedy=remedy) from None
    except OSError as error:
        remedy = "Choose another folder with --out; to go on with a run, copy it there first."
        kind = DestinationError
        raise own_files.storage_error(error, folder, kind=kind, remedy=remedy) from None
    try:
        yield
    finally:
        lock.release()


def reserve_run_dir(run_dir: Path, *, resume: bool) -> bool:
    """Make a run's folder; True if a run to be resumed lies in it. DestinationError where something
    stands there and `resume` was not asked for."""
    with own_files.translate_os_errors(run_dir, remedy="Choose another folder with --out."):
        run_dir.mkdir(parents=True, exist_ok=True)
        present = _names_in(run_dir)
    if MANIFEST_NAME in present and resume:
        return True
    if all(map(_is_unfinished, present)):
        return False
    resuming = "Add --resume to resume the run in it, or choose" if MANIFEST_NAME in present else ""
    what = "the folder is not empty and nothing is ever overwritten"
    remedy = f"{resuming or 'Choose'} another folder with --out."
    raise DestinationError(where=str(run_dir), what=what, remedy=remedy)


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
    """Whether a run that is stopped before its manifest is written leaves such a file."""
    return name == LOCK_NAME or own_files.is_beginning_of(name, MANIFEST_NAME)


@contextmanager
def scratch_folder(run_dir: Path) -> Iterator[Path]:
    """An empty folder for the files of one trial, removed with all it holds at the end."""
    with _translate_write_errors(run_dir):
        folder = own_files.make_marked_folder(run_dir, own_files.SCRATCH_PREFIX)
    try:
        yield folder
    finally:
        own_files.remove_marked(folder)


def create_run(run_dir: Path, manifest: Manifest) -> None:
    """Write the manifest of a new run; DestinationError when the folder holds anything else."""
    reserve_run_dir(run_dir, resume=False)
    write_manifest(run_dir, manifest)


def write_manifest(run_dir: Path, manifest: Manifest) -> None:
    """Replace `manifest.json` in one step: readers see the old one or the new one, whole."""
    target = run_dir / MANIFEST_NAME
    content = f"{manifest.model_dump_json(indent=2)}\n".encode()
    with _translate_write_errors(target, len(content)):
        own_files.replace_whole(target, content, is_synced=True)


def append_trial(run_dir: Path, trial: Trial) -> None:
    """Append one finished trial, on the disk itself on return, after closing a torn line that a
    killed process left. DiskFullError when there is no room."""
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
    full, remedy = f"Free some space and {resuming}", f"Check the storage and {resuming}"
    return own_files.translate_os_errors(
        target, full=full, remedy=remedy, needed_bytes=needed_bytes
    )


def read_run(run_dir: Path) -> Run:
    """Read a run, finished or being written. Torn lines are counted. RunError when the manifest is
    missing or damaged, a whole line is not a trial, two are of one place, or it is too new."""
    manifest = read_manifest(run_dir)
    path = run_dir / TRIALS_NAME
    trials: list[Trial] = []
    torn_line_count = 0
    unknown: Counter[str] = Counter()
    lines_of: dict[tuple[object, ...], int] = {}
    with paused_collector():
        for number, line in _numbered_lines(path):
            found = record_text.parse_trial(line, where=f"{path}, line {number}")
            if isinstance(found, Trial):
                _refuse_second(found, lines_of, path=path, number=number)
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


def _refuse_second(
    trial: Trial, lines_of: dict[tuple[object, ...], int], *, path: Path, number: int
) -> None:
    """RunError where another trial has this one's place in its round or, but for the kernel, its
    cell (in pilot trials its player and requests too): twice would halve an interval."""
    places: list[tuple[object, ...]] = [(trial.round_index, trial.position)]
    if trial.cell.task != KERNEL_CELL.task:
        pass_of = (trial.player, trial.seed) if trial.arm == "pilot" else ()
        places.append((trial.round_index, trial.cell, trial.arm, *pass_of))
    for place in places:
        if (first := lines_of.setdefault(place, number)) != number:
            key = f"round_index {trial.round_index}, position {trial.position}"
            problem = f"line {first} is of the same place or cell of this round"
            raise record_text.damaged(f"{path}, line {number}", key, problem)


def read_manifest(run_dir: Path) -> Manifest:
    """Read `manifest.json`; RunError when it is missing, damaged or of a newer version."""
    path = run_dir / MANIFEST_NAME
    try:
        with path.open("rb") as file:
            text = file.read(record_text.MAX_RECORD_BYTES + 1)
    except OSError as error:
        present = _names_in(run_dir) if run_dir.is_dir() else set()
        if present and all(map(_is_unfinished, present)):
            what = "this run ended before anything was measured, so there is nothing to read"
            remedy = "Leave it out; the folder may be deleted."
            raise RunError(where=str(run_dir), what=what, remedy=remedy) from None
        runs = run_dir.parent.glob(f"*/{MANIFEST_NAME}")
        beside = {found.parent.name: found.parent for found in runs}
        near = ", ".join(str(beside[name]) for name in nearest(run_dir.name, beside))
        what = f"no run can be read here ({MANIFEST_NAME}: {error.strerror})"
        remedy = "Give the folder that `mezzmark measure` named when it ended."
        remedy = f"Nearest: {near}." if near else remedy
        raise RunError(where=str(run_dir), what=what, remedy=remedy) from None
    return record_text.parse_manifest(text, where=str(path))


def _numbered_lines(path: Path) -> Iterator[tuple[int, bytes]]:
    try:
        with path.open("rb") as file:
            lines = iter(partial(file.readline, record_text.MAX_RECORD_BYTES + 1), b"")
            for number, line in enumerate(lines, start=1):
                record_text.refuse_large(line, where=f"{path}, line {number}")
                if line.strip():
                    yield number, line
    except FileNotFoundError:
        return
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        remedy = "Check the storage and the file's permissions."
        raise RunError(where=str(path), what=what, remedy=remedy) from None


_CHECK_NAME: Final = "%Y%m%dT%H%M%SZ"
_CHECK_PATTERN: Final = f"{'[0-9]' * 8}T{'[0-9]' * 6}Z"

LOOKED_BACK: Final = 8
"""Earlier runs of a host that are read: some may not compare, and more take long to read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Checks:
    """The newest check, each host's runs in it and before, in order, and what is unreadable."""

    name: str
    newest: dict[str, Run] = field(default_factory=dict)
    earlier: dict[str, list[Run]] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)


def new_check(out: Path) -> Path:
    """The folder of a check that begins now (UTC)."""
    return out / f"{datetime.now(UTC):{_CHECK_NAME}}"


def begun_check(out: Path) -> Path | None:
    """The folder of the check that began last, if only that."""
    return max((path for path in out.glob(_CHECK_PATTERN) if path.is_dir()), default=None)


def newest_check(out: Path) -> Path | None:
    """The folder of the last check that has any run."""
    return max((path.parent.parent for path in _manifests(out)), default=None)


def read_checks(out: Path) -> Checks:
    """What lies in the folder, runs going by their checks' names; RunError where that is none."""
    last = newest_check(out)
    if last is None:
        remedy = "Name the --out of an earlier `mezzmark fleet check`."
        raise RunError(where=str(out), what="no check of a fleet lies here", remedy=remedy)
    checks, by_host = Checks(name=last.name), dict[str, list[Path]]()
    for path in sorted(_manifests(out)):
        by_host.setdefault(path.parent.name, []).append(path.parent)
    for host, run_dirs in by_host.items():
        for run_dir in run_dirs[-LOOKED_BACK - 1 :]:
            is_newest = run_dir.parent == last
            try:
                run = replace(read_run(run_dir), run_dir=Path(run_dir.parent.name))
            except RunError as fault:
                told = checks.faults if is_newest else checks.left_out
                told.append(f"{fault.where}: {fault.what}")
                continue
            if is_newest:
                checks.newest[host] = run
            else:
                checks.earlier.setdefault(host, []).append(run)
    return checks


def _manifests(out: Path) -> Iterator[Path]:
    return out.glob(f"{_CHECK_PATTERN}/*/{MANIFEST_NAME}")

"""The user's files: what paths, folders and globs name, and what their clips are called."""

import glob
import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from mezzmark.model.errors import FootageError
from mezzmark.model.inspection import Inspections
from mezzmark.model.jobs import JobFailed
from mezzmark.model.preparations import FoundFile, Shot, SortFilesJob
from mezzmark.runner.events import Event, LeftOut, Preparing


def find_files(patterns: Sequence[str]) -> tuple[FoundFile, ...]:
    """The files that paths, folders and globs name, each once, in the order given: a glob's by
    name, a folder's by name and then those of its sub-folders, which `**` reaches. A path that
    exists is taken as it is; a file named and found counts as named. FootageError where none is."""
    found: dict[str, FoundFile] = {}
    for pattern in patterns:
        path = Path(os.path.expanduser(pattern))
        if is_named := os.path.isfile(path):
            files = [(str(path), path.name)]
        elif os.path.isdir(path):
            files = [(file, os.path.relpath(file, path.absolute().parent)) for file in _walk(path)]
        else:
            matches = glob.glob(str(path), recursive=True)
            files = [(file, Path(file).name) for file in sorted(matches) if os.path.isfile(file)]
        if not files:
            where = "" if path.is_absolute() else f"; it was looked for in {Path.cwd()}"
            is_glob = glob.has_magic(pattern)
            what = "no file fits this pattern" if is_glob else "there is no such file"
            what = "no file lies in this folder" if os.path.isdir(path) else what
            raise FootageError(where=pattern, what=what, remedy=f"Check the path{where}.")
        for file, name in files:
            key = os.path.abspath(file)
            if key not in found or is_named:
                found[key] = FoundFile(path=_in_utf8(file), name=_in_utf8(name), is_named=is_named)
    return tuple(found.values())


def _in_utf8(name: str) -> str:
    """The name as text that can be stored; one that is none names no file, and is told so."""
    return os.fsencode(name).decode("utf-8", "backslashreplace")


def _walk(folder: Path) -> Iterator[str]:
    """All files below, links to folders not followed; and each sub-folder that cannot be read."""
    failed: list[str] = []
    for root, folders, files in os.walk(folder, onerror=lambda e: failed.append(e.filename)):
        folders.sort()
        yield from (os.path.join(root, file) for file in sorted(files))
    yield from failed


def name_clips(name: str, shots: Sequence[Shot]) -> dict[str, Shot]:
    """Clip name → shot: `name` for a single one, else `name/file name`, numbered if shared."""
    if len(shots) == 1:
        return {name: shots[0]}
    named: dict[str, Shot] = {}
    for shot in shots:
        plain = clip = f"{name}/{Path(shot.path).name}"
        number = 2
        while clip in named:
            clip = f"{plain} ({number})"
            number += 1
        named[clip] = shot
    return named


def fault_text(fault: JobFailed) -> str:
    """Why a file is left out, in words that begin with its name."""
    return f"{fault.where}: {fault.what}. {fault.remedy}"


def inspect_files(
    patterns: Sequence[str], *, seconds: float | None, tell: Callable[[Event], None]
) -> Inspections:
    """What each clip among the files is; `tell` is given how far it is, and every file that is left
    out or cannot be read with the reason. FootageError where no file is left."""
    from mezzmark.engines.media.inspection import inspect_media

    shots, faults = find_shots(patterns, tell)
    inspections = []
    for number, shot in enumerate(shots):
        if len(shots) > 1:
            message = f"reading {Path(shot.path).name}"
            tell(Preparing(message=message, done=number, total=len(shots)))
        try:
            inspection = inspect_media(shot.path, max_duration_s=seconds)
        except FootageError as error:
            if len(shots) + len(faults) == 1:
                raise
            faults.append(JobFailed.by(error))
            tell(LeftOut(reason=fault_text(faults[-1])))
        else:
            further = {"further_names": shot.further_names}
            inspections.append(inspection.model_copy(update=further))
    if not inspections:
        raise no_footage(patterns, faults)
    return Inspections(inspections)


def find_shots(
    patterns: Sequence[str], tell: Callable[[Event], None]
) -> tuple[Sequence[Shot], list[JobFailed]]:
    """The clips among the files, all of them where each was named, and why the others are none;
    `tell` is given how far it is, and what is left out. FootageError as of `find_files`."""
    files = find_files(patterns)
    if all(file.is_named for file in files):
        return [Shot(path=file.path) for file in files], []
    from mezzmark.engines.footage.folder import sort_files

    def advance(message: str, share: float) -> None:
        tell(Preparing(message=message, done_fraction=share, done=0, total=1))

    found = sort_files(SortFilesJob(files=files), advance)
    for fault in found.left_out:
        tell(LeftOut(reason=fault_text(fault)))
    if not found.shots:
        raise no_footage(patterns, found.left_out)
    return found.shots, list(found.left_out)


def no_footage(patterns: Sequence[str], faults: Sequence[JobFailed]) -> FootageError:
    """The error of files of which none is a clip; the first one's reason stands for all."""
    count = f"none of {len(faults)} files is a clip" if len(faults) > 1 else "there is no clip"
    what = f"{count} ({faults[0].where}: {faults[0].what})"
    remedy = "Give at least one file that `mezzmark inspect` can read."
    return FootageError(where=", ".join(patterns), what=what, remedy=remedy)

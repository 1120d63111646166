"""The user's own files: which ones a scenario means, and what each clip is called."""

import glob
from collections.abc import Sequence
from pathlib import Path

from mezzmark.facts.errors import FootageError
from mezzmark.facts.footage import ClipSpec


def expand_files(patterns: Sequence[str]) -> tuple[str, ...]:
    """The files that paths and globs name, each once, in the order given (a glob's by name).

    `**` reaches into sub-folders. A path that exists is taken as it is, brackets and all.
    FootageError names a path or glob without a file, and a folder.
    """
    found: dict[str, None] = {}
    for pattern in patterns:
        path = Path(pattern).expanduser()
        if path.is_file():
            found[str(path)] = None
            continue
        if path.is_dir():
            raise FootageError(
                where=pattern,
                what="it is a folder, and footage is named by its files",
                remedy=f'Write "{path / "*"}" for all files in it, in quotes.',
            )
        matches = sorted(m for m in glob.glob(str(path), recursive=True) if Path(m).is_file())
        if not matches:
            raise FootageError(
                where=pattern,
                what="there is no such file"
                if not glob.has_magic(pattern)
                else "no file fits this pattern",
                remedy="Check the path."
                if path.is_absolute()
                else f"Check the path; it was looked for in {Path.cwd()}.",
            )
        found.update(dict.fromkeys(matches))
    return tuple(found)


def name_own_clips(spec: ClipSpec) -> dict[str, str]:
    """Clip name → file, one clip a file: `name` for a single file, else `name/file name`, with a
    number where two files of different folders share it."""
    files = expand_files(spec.files)
    if len(files) == 1:
        return {spec.name: files[0]}
    named: dict[str, str] = {}
    for file in files:
        plain = name = f"{spec.name}/{Path(file).name}"
        number = 2
        while name in named:
            name = f"{plain} ({number})"
            number += 1
        named[name] = file
    return named


def own_file_names(clips: Sequence[ClipSpec]) -> list[str]:
    """The names of all own files that these clips mean, folders left out; FootageError as above."""
    return [Path(file).name for spec in clips if spec.files for file in expand_files(spec.files)]

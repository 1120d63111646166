"""Files and folders of our own: put in place whole, and removed only where we made and marked them.

A file is written beside its place under a random name that is created exclusively, so that no link
or file planted there is followed or lost; then it takes its place in one step. A folder that may be
removed with all it holds carries a marker from the moment it is made.
"""

import errno
import math
import os
import re
import secrets
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from mezzmark.model.errors import DestinationError, DiskFullError, MezzmarkError

MARKER_NAME: Final = ".mezzmark-temporary"
SCRATCH_PREFIX: Final = "scratch-"
"""Of a run's marked folders for files that live no longer than a trial."""

_MARKER_TEXT: Final = "mezzmark made this folder and removes it with everything in it.\n"
_RANDOM_BYTES: Final = 8
_NEW_SUFFIX: Final = ".new"

FULL_ERRORS: Final = frozenset({errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)})
"""No space left, or the user's quota is spent (which Windows does not know)."""

STORAGE_ERRORS: Final = FULL_ERRORS | {errno.EROFS, errno.EFBIG, errno.EMFILE, errno.ENFILE}
"""What only the machine is at fault for: also read-only disks, files too large or too many."""


@contextmanager
def translate_os_errors(
    path: Path, *, remedy: str, full: str = "", needed_bytes: int = 0
) -> Iterator[None]:
    """Turn an OSError of writing `path` into the error of `storage_error`, DestinationError: `full`
    is the remedy where there is no room, if it is another one."""
    try:
        yield
    except MezzmarkError:
        raise
    except OSError as error:
        how = {"remedy": full if full and error.errno in FULL_ERRORS else remedy}
        kind = DestinationError
        raise storage_error(error, path, kind=kind, needed_bytes=needed_bytes, **how) from None


def storage_error(
    error: OSError,
    path: Path | str,
    *,
    remedy: str,
    kind: type[MezzmarkError] = MezzmarkError,
    needed_bytes: int = 0,
    verb: str = "written",
) -> MezzmarkError:
    """The error of a write to `path`: DiskFullError, with what is missing of `needed_bytes`, where
    there is no room or no quota left, or else `kind`."""
    where = str(path)
    if error.errno not in FULL_ERRORS:
        what = f"it cannot be {verb} ({error.strerror or error})"
        return kind(where=where, what=what, remedy=remedy)
    folder = next(filter(Path.exists, (Path(path), *Path(path).parents)), Path())
    free_bytes = shutil.disk_usage(folder).free
    what = "there is no room left on the storage"
    if needed_bytes > free_bytes:
        sizes = (needed_bytes - free_bytes, needed_bytes, free_bytes)
        missing, needed, free = map(bytes_text, sizes)
        what += f": {missing} are missing ({needed} needed, {free} free)"
    return DiskFullError(where=where, what=what, remedy=remedy)


def bytes_text(count: int) -> str:
    """`12 kB`, `3.4 MB`, `1,200 MB`; rounded up, so that room for it is room enough."""
    if count < 10**6:
        return f"{math.ceil(count / 1e3)} kB"
    return f"{math.ceil(count / 1e5) / 10:,.{int(count < 10**8)}f} MB"


def safe_file_name(name: str) -> str:
    """The name as one that every file system takes: ASCII letters, digits, - and _, at most 80."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in name)[:80]


def replace_whole(path: Path, content: bytes, *, is_synced: bool = False) -> None:
    """`replace_all` of one file."""
    replace_all({path: content}, is_synced=is_synced)


def replace_all(contents: Mapping[Path, bytes], *, is_synced: bool = False) -> None:
    """Write each content beside its path and then, when all are written, put them in their places;
    what was there stays until then. Folders are made as they are needed. With `is_synced` it has
    reached the disk itself on return. What a failed write left, and one that Ctrl-C ended, is
    removed, folders too. Raises OSError."""
    written: dict[Path, Path] = {}
    undo: list[Callable[[], None]] = []
    try:
        for path, content in contents.items():
            undo += [folder.rmdir for folder in _make_folders(path.parent)]
            new = path.with_name(f".{path.name}.{secrets.token_hex(_RANDOM_BYTES)}{_NEW_SUFFIX}")
            write_new(new, content, is_synced=is_synced)
            written[path] = new
            undo.append(new.unlink)
        for path, new in written.items():  # Windows renames no open file
            is_first = not path.exists()
            os.replace(new, path)
            undo += [path.unlink] if is_first else []
    except BaseException:  # Ctrl-C too
        for step in reversed(undo):
            with suppress(OSError):
                step()
        raise
    if is_synced:
        for folder in {path.parent for path in written}:
            _sync_folder(folder)


def write_new(path: Path, content: bytes, *, is_synced: bool = False) -> None:
    """Make a new file, whole or not at all. OSError, also where anything has that name."""
    file = path.open("xb")
    try:
        with file:
            file.write(content)
            if is_synced:
                file.flush()
                os.fsync(file.fileno())
    except BaseException:  # Ctrl-C too
        with suppress(OSError):
            path.unlink()
        raise


def _make_folders(folder: Path) -> list[Path]:
    """Make the folder and those above it; those that were not there before, outermost first."""
    missing = [above for above in (folder, *folder.parents) if not above.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    return missing[::-1]


def is_beginning_of(name: str, target: str) -> bool:
    """Whether a file of this name is what a killed `replace_whole` of `target` left."""
    random = rf"[0-9a-f]{{{2 * _RANDOM_BYTES}}}"
    return re.fullmatch(rf"\.{re.escape(target)}\.{random}{_NEW_SUFFIX}", name) is not None


def make_marked_folder(parent: Path, prefix: str, end: str = "") -> Path:
    """A new folder in `parent` for `remove_marked`, named at random but for an `end`. OSError."""
    folder = parent / f"{prefix}{end or secrets.token_hex(_RANDOM_BYTES)}"
    folder.mkdir()
    try:
        write_new(folder / MARKER_NAME, _MARKER_TEXT.encode())
    except BaseException:  # unmarked, nobody would ever remove it
        with suppress(OSError):
            folder.rmdir()
        raise
    return folder


@contextmanager
def made_scratch(folder: Path) -> Iterator[None]:
    """A scratch folder, unless it is there, without those that killed trials left beside it."""
    if folder.exists():
        yield
        return
    with translate_os_errors(folder, remedy="Check that storage."):
        clear_marked(folder.parent, SCRATCH_PREFIX)
        make_marked_folder(folder.parent, "", folder.name)
    try:
        yield
    finally:
        remove_marked(folder)


def is_marked(folder: Path) -> bool:
    """Whether we made this folder for files that may go; a link to one is none."""
    marker = folder / MARKER_NAME
    if folder.is_symlink() or marker.is_symlink():
        return False
    try:
        return marker.read_text(encoding="utf-8") == _MARKER_TEXT
    except (OSError, UnicodeDecodeError):
        return False


def remove_marked(folder: Path) -> None:
    """Remove a folder of ours with all it holds; any other is left. The marker goes last: who is
    killed meanwhile leaves a folder that can still be removed."""
    if is_marked(folder):
        with suppress(OSError):
            for path in folder.iterdir():
                if path.is_dir() and not path.is_symlink():
                    shutil.rmtree(path)
                elif path.name != MARKER_NAME:
                    path.unlink()
            (folder / MARKER_NAME).unlink()
            folder.rmdir()


def clear_marked(parent: Path, prefix: str) -> bool:
    """Remove those folders of ours that begin so, which killed processes left; whether all went."""
    for folder in parent.glob(f"{prefix}*"):
        remove_marked(folder)
    return not any(map(is_marked, parent.glob(f"{prefix}*")))


def _sync_folder(folder: Path) -> None:
    """Make a renamed file's new name last; Windows has no such call and needs none."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)

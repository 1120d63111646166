"""Files and folders of our own: put in place whole, and removed only where we made and marked them.

A file is written beside its place under a random name that is created exclusively, so that no link
or file planted there is followed or lost; then it takes its place in one step. A folder that may be
removed with all it holds carries a marker from the moment it is made.
"""

import errno
import os
import re
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from mezzmark.model.errors import DestinationError, DiskFullError, RunError

MARKER_NAME: Final = ".mezzmark-temporary"
_MARKER_TEXT: Final = "mezzmark made this folder and removes it with everything in it.\n"
_RANDOM_BYTES: Final = 8
_NEW_SUFFIX: Final = ".new"

FULL_ERRORS: Final = frozenset({errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)})
"""No space left, or the user's quota is spent (which Windows does not know)."""


@contextmanager
def translate_os_errors(
    path: Path, *, kind: type[RunError] | type[DestinationError], full: str, other: str
) -> Iterator[None]:
    """Turn an OSError of writing `path` into DiskFullError with the remedy `full` where there is no
    room or quota left, and into `kind` with the remedy `other` for any other reason."""
    try:
        yield
    except OSError as error:
        if error.errno in FULL_ERRORS:
            raise DiskFullError(
                where=str(path), what="there is no room left on the storage", remedy=full
            ) from None
        raise kind(
            where=str(path), what=f"it cannot be written ({error.strerror})", remedy=other
        ) from None


def safe_file_name(name: str) -> str:
    """The name as one that every file system takes: ASCII letters, digits, - and _, at most 80."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in name)[:80]


def replace_whole(path: Path, content: bytes, *, is_synced: bool = False) -> None:
    """Write `content` beside `path`, then put it in its place; what was there stays until then.

    With `is_synced` it has reached the disk itself on return. What a failed write left, and one
    that Ctrl-C ended, is removed. Raises OSError.
    """
    new = path.with_name(f".{path.name}.{secrets.token_hex(_RANDOM_BYTES)}{_NEW_SUFFIX}")
    with new.open("xb") as file:  # exclusive: a link of that name is refused, not followed
        try:
            file.write(content)
            if is_synced:
                file.flush()
                os.fsync(file.fileno())
            file.close()  # Windows renames no open file
            os.replace(new, path)
        except BaseException:  # Ctrl-C too
            file.close()
            with suppress(OSError):
                new.unlink()
            raise
    if is_synced:
        _sync_folder(path.parent)


def is_beginning_of(name: str, target: str) -> bool:
    """Whether a file of this name is what a killed `replace_whole` of `target` left."""
    random = rf"[0-9a-f]{{{2 * _RANDOM_BYTES}}}"
    return re.fullmatch(rf"\.{re.escape(target)}\.{random}{_NEW_SUFFIX}", name) is not None


def make_marked_folder(parent: Path, prefix: str) -> Path:
    """A new folder in `parent` that `remove_marked` will remove. Raises OSError."""
    folder = parent / f"{prefix}{secrets.token_hex(_RANDOM_BYTES)}"
    folder.mkdir()
    with (folder / MARKER_NAME).open("x", encoding="utf-8") as marker:
        marker.write(_MARKER_TEXT)
    return folder


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
    """Remove a folder of ours with all it holds; anything else is left as it is."""
    if is_marked(folder):
        shutil.rmtree(folder, ignore_errors=True)


def _sync_folder(folder: Path) -> None:
    """Make a renamed file's new name last; Windows has no such call and needs none."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)

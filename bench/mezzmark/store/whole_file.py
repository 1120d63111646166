"""Files that are replaced in one step: readers see the older one or the new one, whole."""

import os
from contextlib import suppress
from pathlib import Path


def beside(path: Path) -> Path:
    """Where the next file is written before it takes the place of `path`."""
    return path.with_name(f".{path.name}.new")


def replace_whole(path: Path, content: bytes, *, is_synced: bool = False) -> None:
    """Write `content` beside `path`, then put it in its place; what was there stays until then.

    With `is_synced` it has reached the disk itself on return. What a failed write left, and one
    that Ctrl-C ended, is removed. Raises OSError.
    """
    new = beside(path)
    try:
        new.write_bytes(content)
        if is_synced:
            with new.open("r+b") as file:  # Windows synchronises only what is open for writing
                os.fsync(file.fileno())
        os.replace(new, path)
    except BaseException:  # Ctrl-C too
        with suppress(OSError):
            new.unlink()
        raise
    if is_synced:
        _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    """Make a renamed file's new name last; Windows has no such call and needs none."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)

"""Pages of a file in this machine's file cache: dropped, and counted without touching them. Only
Linux is asked; elsewhere, and of caches of servers, drives and hypervisors, nothing is known."""

import ctypes
import mmap
import os
import sys
from contextlib import suppress
from pathlib import Path
from typing import Final

from mezzmark.host.common import read_mount

UNTOLD: Final = ("fuse", "9p", "virtiofs")
"""File systems whose pages may lie elsewhere than where mincore looks."""


def drop_pages(path: str | Path) -> None:
    """Ask the system to forget the file's pages, written ones first reaching the storage."""
    if not hasattr(os, "posix_fadvise"):
        return
    descriptor = os.open(path, os.O_RDONLY)
    try:
        with suppress(OSError):  # on storage that is read only there is nothing to be written
            os.fsync(descriptor)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(descriptor)


def is_dropped(path: str | Path) -> bool:
    """Whether the file's pages, dropped now, are proved to be gone."""
    drop_pages(path)
    return resident_fraction(path) == 0


def resident_fraction(path: str | Path) -> float | None:
    """The share of the file's pages in the cache, 0 to 1, if known. mincore(2) looks at a mapping
    that is never read, so a cold file stays cold; to who neither owns the file nor may write it, it
    calls every page resident."""
    if sys.platform != "linux" or not _is_told(Path(path)):
        return None
    with Path(path).open("rb") as file:
        size = os.fstat(file.fileno()).st_size
        if not size:
            return None
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_COPY) as mapping:
            pages = (ctypes.c_ubyte * -(-size // mmap.PAGESIZE))()
            start = ctypes.c_char.from_buffer(mapping)
            address, length = ctypes.addressof(start), ctypes.c_size_t(size)
            failed = ctypes.CDLL(None).mincore(ctypes.c_void_p(address), length, pages)
            del start  # a mapping in use cannot be closed
    return None if failed else sum(page & 1 for page in pages) / len(pages)


def _is_told(path: Path) -> bool:
    is_ours = path.stat().st_uid == os.geteuid() or os.access(path, os.W_OK)
    return is_ours and not getattr(read_mount(path), "fstype", "").startswith(UNTOLD)

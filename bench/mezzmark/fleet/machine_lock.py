"""The machine's own lock: whoever measures holds it, and so does the process that is measured, so
that a worker that was killed frees the machine no sooner than its child has ended.

Stands alone because systems differ in it, and nothing else of the fleet does.
"""

import os
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path

from mezzmark.runner.workers import POLL_S

NAME = "mezzmark-machine.lock"
"""In the system's folder for temporary files, which all users of the machine share."""


@contextmanager
def machine_lock(
    is_wanted: Callable[[], bool], *, is_shared: bool = False
) -> Iterator[tuple[int, ...] | None]:
    """Hold the machine while the block runs: the open files that a child must hold too (none on
    Windows, where no lock is inherited), or None where the wish for it ended first. One that
    `is_shared` others may hold that share it too (not on Windows, where nobody is kept out)."""
    path = Path(tempfile.gettempdir()) / NAME
    take: Callable[[], object]
    held: tuple[int, ...] = ()
    if os.name == "nt" and is_shared:
        yield ()
        return
    if os.name == "nt":
        from filelock import FileLock

        lock = FileLock(path)
        take, release = partial(lock.acquire, timeout=0), partial(lock.release, force=True)
    else:
        import fcntl

        descriptor = _open_lock(path)
        kind = fcntl.LOCK_SH if is_shared else fcntl.LOCK_EX
        take = partial(fcntl.flock, descriptor, kind | fcntl.LOCK_NB)
        held, release = (descriptor,), partial(os.close, descriptor)
    try:
        while is_wanted():
            try:
                take()
            except OSError:  # somebody else holds it; filelock's is a TimeoutError
                time.sleep(POLL_S)
                continue
            yield held
            return
        yield None
    finally:
        release()


def _open_lock(path: Path) -> int:
    """Another user's file is only read: where anybody may write, Linux lets nobody create over a
    file of somebody else (fs.protected_regular)."""
    for flags in (os.O_RDONLY, os.O_RDONLY | os.O_CREAT | os.O_EXCL, os.O_RDONLY):
        with suppress(FileNotFoundError, FileExistsError):
            return os.open(path, flags | os.O_NOFOLLOW, 0o644)
    raise FileNotFoundError(path)

"""One writer a run: a lock of the operating system, which ends with the process that holds it."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from mezzmark.model.errors import RunError

LOCK_NAME = "run.lock"


@contextmanager
def lock_run(run_dir: Path) -> Iterator[None]:
    """Hold the run for writing; RunError when another process holds it.

    The lock file stays behind, empty; it means nothing by itself, so a killed process leaves
    nothing to clean up.
    """
    descriptor = os.open(run_dir / LOCK_NAME, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        try:
            _lock(descriptor)
        except OSError as error:
            raise RunError(
                where=str(run_dir),
                what=f"another process is writing this run ({error.strerror})",
                remedy="Wait for it to end, or measure into another folder with --out.",
            ) from None
        yield
    finally:
        os.close(descriptor)


if sys.platform == "win32":
    import msvcrt

    def _lock(descriptor: int) -> None:
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)

"""What the operating system says of a failed write, as an error that tells a person what to do."""

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from mezzmark.facts.errors import DestinationError, DiskFullError, RunError

_DISK_FULL = {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)}  # no quotas on Windows


@contextmanager
def told_disk_errors(
    path: Path, *, kind: type[RunError] | type[DestinationError], full: str, other: str
) -> Iterator[None]:
    """Turn an OSError of writing `path` into DiskFullError with the remedy `full` where there is no
    room or quota left, and into `kind` with the remedy `other` for any other reason."""
    try:
        yield
    except OSError as error:
        if error.errno in _DISK_FULL:
            raise DiskFullError(
                where=str(path), what="there is no room left on the storage", remedy=full
            ) from None
        raise kind(
            where=str(path), what=f"it cannot be written ({error.strerror})", remedy=other
        ) from None

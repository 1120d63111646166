"""The checks of a fleet in one folder: `OUT/<when>/<host>/` is a run, its folder's name the host.
Stands alone because nothing else knows this layout, which `fleet measure` fills."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from mezzmark.model.errors import RunError
from mezzmark.store.run_store import MANIFEST_NAME, Run, read_run

_NAME: Final = "%Y%m%dT%H%M%SZ"
_PATTERN: Final = f"{'[0-9]' * 8}T{'[0-9]' * 6}Z"

LOOKED_BACK: Final = 8
"""Earlier runs of a host that are read: some may not compare, and more take long to read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Checks:
    """The newest check by name; of it and of all before, each host's runs, the earliest first; and
    what of both cannot be read."""

    name: str
    newest: dict[str, Run] = field(default_factory=dict)
    earlier: dict[str, list[Run]] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)


def new_check(out: Path) -> Path:
    """The folder of a check that begins now (UTC)."""
    return out / f"{datetime.now(UTC):{_NAME}}"


def begun_check(out: Path) -> Path | None:
    """The folder of the check that began last, if only that."""
    return max((path for path in out.glob(_PATTERN) if path.is_dir()), default=None)


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
    return out.glob(f"{_PATTERN}/*/{MANIFEST_NAME}")

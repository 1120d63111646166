"""One thing asked of a host, and what hosts say of themselves."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final, TypeVar

import mezzmark
from mezzmark.fleet.scheduler import Fleet, HostLostError, lost
from mezzmark.model.fleet import Describe, Fetched, HostSummary, Performed
from mezzmark.model.jobs import JobFailed
from mezzmark.model.preparations import job_format
from mezzmark.runner.start import StopFlag, trap_signals

PRESENT_S: Final = 60.0
"""Within so long a host must say what it is before anything is measured: another's trial may have
to end first."""

Found = TypeVar("Found", HostSummary, Fetched, Performed)


def list_hosts(fleet: Fleet, *, is_probed: bool) -> dict[str, tuple[HostSummary | None, str]]:
    """Every worker's name → what its machine is, and why it cannot measure."""
    present, faults = fleet.look()
    with trap_signals() as flag:
        found = describe_hosts(fleet, [*present], flag, is_probed=is_probed)
    return {name: (None, fault) for name, fault in faults.items()} | found


def describe_hosts(
    fleet: Fleet, names: Sequence[str], flag: StopFlag, *, is_probed: bool = False
) -> dict[str, tuple[HostSummary | None, str]]:
    """What hosts say of themselves, all asked at once, and why one cannot measure; to what measures
    just now a minute is given."""

    def describe(name: str) -> tuple[HostSummary | None, str]:
        asked = Describe(name=name, is_probed=is_probed)
        limit_s = None if is_probed else PRESENT_S
        try:
            summary = ask(HostSummary, fleet, name, asked, flag, limit_s)
        except HostLostError as fault:
            return None, fault.what
        return summary, unlike(summary)

    with ThreadPoolExecutor(max(1, len(names))) as threads:
        return dict(zip(names, threads.map(describe, names), strict=True))


def unlike(summary: HostSummary) -> str:
    """Why its runs would not be what they would be here."""
    if (summary.mezzmark_version, summary.job_format) == (mezzmark.__version__, job_format()):
        return ""
    return f"mezzmark {summary.mezzmark_version} there, {mezzmark.__version__} here, or other jobs"


def ask(
    kind: type[Found],
    fleet: Fleet,
    name: str,
    asked: Any,
    flag: StopFlag,
    limit_s: float | None = None,
) -> Found:
    """The reply, of this kind; what a host complains of is told as its fault."""
    found = fleet.ask(name, asked, is_stopped=flag.is_set, limit_s=limit_s)
    if isinstance(found, kind):
        return found
    raise lost(
        name, f"{found.where}: {found.what}" if isinstance(found, JobFailed) else "no answer"
    )

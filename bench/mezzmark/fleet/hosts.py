"""How the hosts of a fleet are reached, what they say of themselves, and one thing asked of one."""

import logging
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Final, TypeVar

from distributed import Scheduler, Security, SpecCluster, Worker

import mezzmark
from mezzmark.fleet.scheduler import Fleet, HostLostError, connected, lost
from mezzmark.model.errors import UsageError
from mezzmark.model.fleet import RESOURCE, Describe, Fetched, HostSummary, Performed
from mezzmark.model.jobs import JobFailed
from mezzmark.model.preparations import job_format
from mezzmark.runner.start import StopFlag, trap_signals

PRESENT_S: Final = 60.0
"""Within so long a host must say what it is: another's trial may have to end first."""

Found = TypeVar("Found", HostSummary, Fetched, Performed)


@contextmanager
def opened(
    address: str, *, certificates: Path | None, is_insecure: bool, local_count: int
) -> Iterator[Fleet]:
    """The hosts behind the scheduler at `address`, or so many workers within this process, to try
    it out; these share one machine and its lock, so that they measure one after the other."""
    if bool(address) == bool(local_count):
        what = "the hosts are those of one scheduler, or so many within this machine"
        remedy = "Give either --scheduler ADDRESS or --local COUNT."
        raise UsageError(where="--scheduler", what=what, remedy=remedy)
    with ExitStack() as stack:
        security = None
        if address:
            security = read_security(address, certificates, is_insecure=is_insecure)
        else:
            here = {"protocol": "inproc://", "dashboard_address": "127.0.0.1:0"}
            offer = {"nthreads": 1, "memory_limit": 0, "resources": {RESOURCE: 1}, **here}
            names = [f"local-{number}" for number in range(1, local_count + 1)]
            options = [{"name": name, **offer} for name in names]
            cluster = SpecCluster(
                scheduler={"cls": Scheduler, "options": here},
                workers={one["name"]: {"cls": Worker, "options": one} for one in options},
                silence_logs=logging.CRITICAL,
            )
            address = stack.enter_context(cluster).scheduler_address
        yield stack.enter_context(connected(address, security))


def read_security(address: str, certificates: Path | None, *, is_insecure: bool) -> Security | None:
    """`ca.crt`, `client.crt` and `client.key` of a folder; None only where that was asked for."""
    if is_insecure:
        return None
    paths = [(certificates or Path()) / name for name in ("ca.crt", "client.crt", "client.key")]
    missing = [path.name for path in paths if not path.is_file()]
    if missing or not address.startswith("tls://"):
        raise UsageError(
            where=address,
            what="whoever reaches a scheduler runs programs on every host, so that home and hosts "
            f"show each other certificates; missing here: {', '.join(missing) or 'tls://'}",
            remedy="Name their folder with --certificates (README, Many machines), or add "
            "--insecure on a network that is closed to everybody else.",
        )
    names = ("tls_ca_file", "tls_client_cert", "tls_client_key")
    return Security(require_encryption=True, **dict(zip(names, map(str, paths), strict=True)))


def list_hosts(fleet: Fleet, *, is_probed: bool) -> dict[str, tuple[HostSummary | None, str]]:
    """Every worker's name → what its machine is, and why it cannot measure."""
    present, faults = fleet.look()
    with trap_signals() as flag:
        found = describe_hosts(fleet, [*present], flag, is_probed=is_probed)
    return {name: (None, fault) for name, fault in faults.items()} | found


def describe_hosts(
    fleet: Fleet, names: Sequence[str], flag: StopFlag, *, is_probed: bool = False
) -> dict[str, tuple[HostSummary | None, str]]:
    """What hosts say of themselves, asked at once, or why one cannot measure."""

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

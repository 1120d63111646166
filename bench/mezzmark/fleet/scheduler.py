"""The scheduler as home sees it: which hosts there are, and one request to one of them.

Dask carries a request at a time and nothing else: nothing is queued there, retried or resumed. A
task goes to the address that bears the host's name now; when that changes, or the scheduler is
lost, the request is lost with it, and whoever asked decides what to do.
"""

import logging
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, Final
from uuid import uuid4

from distributed import Client, Future, Security
from distributed.comm.addressing import get_address_host
from distributed.diagnostics.plugin import WorkerPlugin
from distributed.utils import get_ip
from distributed.versions import VersionMismatchWarning, get_versions

from mezzmark.fleet import on_host
from mezzmark.model.errors import InterruptedRunError, MezzmarkError, reason_of
from mezzmark.model.fleet import LONGEST_NAME, REPLY, RESOURCE, Request
from mezzmark.model.jobs import JobFailed, WorkerFailed
from mezzmark.store.record_text import MAX_RECORD_BYTES

POLL_S: Final = 0.2
LOOK_S: Final = 1.0
"""So old the list of workers may be: one message a second, however many hosts are waited for."""

CALL_S: Final = 10.0  # the scheduler answers within milliseconds; after so long it is gone

CONNECT_S: Final = 5.0

ALIKE: Final = ("dask", "distributed", "msgpack", "cloudpickle")
"""Packages of one version everywhere: a worker with another dask dies at its first task."""

OWN: Final[dict[str, Any]] = get_versions()["packages"]

QUIET: Final = frozenset(
    {"profile", "profile-cycle", "tick", "ticks", "monitor", "find-missing", "shift_counters"}
)
"""What a worker does a hundred times a second beside its heartbeat: 3 to 5 % of a core."""


class HostLostError(MezzmarkError):
    """A host, or the scheduler, does not answer as it must; it may come back."""


class TextClient(Client):
    """Loads nothing that a worker made: results are text, and errors are not looked into."""

    def _handle_task_erred(self, key: Any, exception: Any = None, traceback: Any = None) -> None:
        super()._handle_task_erred(key, exception=RuntimeError("the task raised"), traceback=None)


class Quiet(WorkerPlugin):
    """Stops what an idle worker does without need; whatever the host's own settings are."""

    name, idempotent = "mezzmark-quiet", True

    def setup(self, worker: Any) -> None:
        """Stop the callbacks; their names are Dask's own."""
        for name in worker.periodic_callbacks.keys() & QUIET:
            worker.periodic_callbacks[name].stop()


class Fleet:
    """The hosts behind a scheduler. Safe to be asked from several threads."""

    def __init__(self, address: str, security: Security | None) -> None:
        self.address, self.security = address, security
        self._lock = threading.RLock()
        self._client: TextClient | None = None
        self._looked_s = -LOOK_S
        self._addresses: dict[str, str] = {}
        self._faults: dict[str, str] = {}
        self._judged: dict[str, str] = {}
        self._refused: tuple[float, str] = -LOOK_S, ""

    def close(self) -> None:
        """Leave the scheduler, which goes on without us."""
        with self._lock, suppress(Exception):
            client, self._client = self._client, None
            if client is not None:
                client.close(timeout=2)

    def look(self) -> tuple[dict[str, str], dict[str, str]]:
        """Host name → address of those that can measure, and why each other worker cannot."""
        with self._lock:
            if time.monotonic() - self._looked_s >= LOOK_S:
                info = self._call("identity", n_workers=-1)
                self._addresses, self._faults = {}, {}
                for address, worker in info["workers"].items():
                    name = str(worker["name"])
                    if fault := self._judge(name, address, worker):
                        self._faults[name] = fault
                    else:
                        self._addresses[name] = address
                self._judged = {a: f for a, f in self._judged.items() if a in info["workers"]}
                self._looked_s = time.monotonic()
            return dict(sorted(self._addresses.items())), self._faults

    def ask(
        self, name: str, asked: Any, *, is_stopped: Callable[[], bool], limit_s: float | None = None
    ) -> Any:
        """What a host answers, of the kinds of `Reply`. HostLostError where it is gone, or does not
        answer within `limit_s`; InterruptedRunError once the wish for it ended."""
        address = self.look()[0].get(name)
        if address is None:
            raise lost(name, self._faults.get(name) or "there is no worker of this name")
        attempt, over = uuid4().hex, threading.Event()
        began_s = time.monotonic()
        future = self._submit(Request(attempt=attempt, asked=asked), address)
        future.add_done_callback(lambda _: over.set())
        try:
            while not over.wait(POLL_S):
                if is_stopped():
                    raise stopped()
                if self.look()[0].get(name) != address:
                    raise lost(name, "its worker went away")
                if limit_s is not None and time.monotonic() - began_s > limit_s:
                    raise lost(name, "it is busy")
            return _read(future, name, attempt)
        finally:
            with suppress(Exception), self._lock:
                future.cancel(force=True)

    @property
    def is_local(self) -> bool:
        """Whether all is within this process."""
        return self.address.startswith("inproc")

    def home_address(self, name: str) -> str:
        """The address of this machine by which that host reaches it."""
        address = self.look()[0].get(name, self.address)
        return "127.0.0.1" if self.is_local else str(get_ip(get_address_host(address)))

    def _connect(self) -> TextClient:
        if self._client is not None and self._client.status == "running":
            return self._client
        refused_s, refusal = self._refused
        if time.monotonic() - refused_s < LOOK_S:  # seen by another host's thread just now
            raise lost(self.address, refusal)
        self.close()
        how = {"serializers": ["msgpack"], "deserializers": ["msgpack"], "set_as_default": False}
        try:
            with warnings.catch_warnings(action="ignore", category=VersionMismatchWarning):
                client = TextClient(self.address, security=self.security, timeout=CONNECT_S, **how)
        except (OSError, TypeError, ValueError, RuntimeError) as error:  # TypeError: no certificate
            reason = f"it is not there, or knows no such certificate ({reason_of(error)})"
            self._refused = time.monotonic(), reason
            raise lost(self.address, reason) from None
        self._client, self._judged = client, {}
        try:
            with self._losses():
                versions = client.scheduler.versions
                found = client.sync(versions, packages=[], callback_timeout=CALL_S)
                client.register_plugin(Quiet())
            if fault := _version_fault(found):
                raise lost(self.address, fault)
        except HostLostError:
            self.close()
            raise
        return client

    def _call(self, operation: str, **given: Any) -> Any:
        """What the scheduler answers to one of its own operations."""
        client = self._connect()
        with self._losses():
            call = getattr(client.scheduler, operation)
            return client.sync(call, callback_timeout=CALL_S, **given)

    @contextmanager
    def _losses(self) -> Iterator[None]:
        try:
            yield
        except (OSError, RuntimeError, AttributeError) as error:
            what = f"the scheduler is lost ({type(error).__name__})"
            raise lost(self.address, what) from None

    def _submit(self, request: Request, address: str) -> Future:
        with self._lock, self._losses():
            return self._connect().submit(
                on_host.perform,
                request.model_dump_json(),
                key=f"mezzmark-{request.attempt}",
                workers=[address],
                allow_other_workers=False,
                resources={RESOURCE: 1},
                pure=False,
                retries=0,
            )

    def _judge(self, name: str, address: str, worker: dict[str, Any]) -> str:
        """Why a worker cannot measure; asked of each once, when it is first seen."""
        if len(name) > LONGEST_NAME:
            return f"its name is longer than {LONGEST_NAME} characters"
        if name in self._addresses:
            return "two workers bear this name"
        if worker.get("resources", {}).get(RESOURCE) != 1:
            return f"it was started without --resources {RESOURCE}=1"
        if address not in self._judged:
            asked = {"msg": {"op": "versions", "packages": []}, "workers": [address]}
            try:
                found = self._call("broadcast", **asked, on_error="ignore").get(address)
            except HostLostError:
                found = None
            if not found:  # asked again at the next look
                return "it does not answer"
            self._judged[address] = _version_fault(found)
        return self._judged[address]


def _version_fault(found: dict[str, Any]) -> str:
    theirs = found.get("packages", {})
    others = [(name, theirs.get(name), OWN.get(name)) for name in ALIKE]
    unlike = [f"{name} {there}, here {here}" for name, there, here in others if there != here]
    return f"other versions than here: {'; '.join(unlike)}" if unlike else ""


def lost(where: str, what: str) -> HostLostError:
    """The error of a host, or of the scheduler."""
    return HostLostError(
        where=where, what=what, remedy="Start it again; a run goes on when it is back."
    )


def named_of(host: str, answer: Any) -> Any:
    """A failure with the name of the host it happened on; anything else as it is."""
    if isinstance(answer, JobFailed):
        return answer.model_copy(update={"where": f"{host}: {answer.where}"})
    if isinstance(answer, WorkerFailed):
        return answer.model_copy(update={"reason": f"{host}: {answer.reason}"})
    return answer


def stopped() -> InterruptedRunError:
    """The error of a wish that ended."""
    return InterruptedRunError(
        where="fleet",
        what="stopped; finished trials are on disk here",
        remedy="The same command with --resume and this --out goes on.",
    )


def _read(future: Future, name: str, attempt: str) -> Any:
    """The reply of a task that is over, judged before it is believed."""
    if future.status == "error":
        what = "its worker could not take the request (is the same mezzmark there, and where the "
        raise lost(name, f"{what}scheduler runs?)")
    if future.status != "finished":
        raise lost(name, "the request was lost on the way")
    try:
        text = future.result(timeout=CALL_S)
        if not isinstance(text, str) or len(text) > MAX_RECORD_BYTES:
            raise ValueError("no text of an answer's size")
        reply = REPLY.validate_json(text)
    except Exception as error:  # no reply, an object that is refused, a connection that ended
        raise lost(name, f"its answer was refused ({type(error).__name__})") from None
    if reply.attempt != attempt:
        raise lost(name, "it answered another attempt")
    return reply.found


@contextmanager
def connected(address: str, security: Security | None) -> Iterator[Fleet]:
    """The hosts behind a scheduler; what Dask complains of is told in our words."""
    was_disabled = logging.root.manager.disable
    logging.disable()
    fleet = Fleet(address, security)
    try:
        yield fleet
    finally:
        fleet.close()
        logging.disable(was_disabled)

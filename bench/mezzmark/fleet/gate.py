"""Where the machines of one trial meet, at home: each comes with a request over HTTP, and all are
answered at the same time when the last one is there. Within which time all had begun is known
without any clock but home's: from the moment of that answer to the last word that somebody has.
"""

import ssl
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from http.server import BaseHTTPRequestHandler
from secrets import token_urlsafe
from typing import Any, Final

from mezzmark.engines.play.gate import SILENCE_S
from mezzmark.fleet.files import serving
from mezzmark.model.tasks.streams import GATE_WAIT, Gathered

ANSWER_S: Final = SILENCE_S / 3
"""Who waits is told so after so long, and asks again."""

MAX_TEXT_BYTES: Final = 2**20
"""What a machine's players came to takes 100 bytes a player."""


@dataclass(slots=True)
class Gate:
    """So many hosts meet at each step, until one of them failed and broke it."""

    hosts: int
    path: str = field(default_factory=lambda: f"/{token_urlsafe(24)}/")
    broken_by: str = ""
    _came: dict[str, dict[int, str]] = field(default_factory=lambda: defaultdict(dict))
    _released_ns: dict[str, int] = field(default_factory=dict)
    _begun_ns: int = 0
    _spread_ns: int = 0
    _condition: threading.Condition = field(default_factory=threading.Condition)

    def meet(self, step: str, place: int, text: str) -> str | None:
        """What all said at this step, `GATE_WAIT` where not all are there yet, None where it broke:
        the answer to a host."""
        with self._condition:
            came = self._came[step]
            came[place] = text
            if len(came) == self.hosts and step not in self._released_ns:
                self._released_ns[step] = time.monotonic_ns()
                self._spread_ns, self._begun_ns = self._begun_ns, 0
                self._condition.notify_all()
            self._condition.wait_for(
                lambda: len(came) == self.hosts or bool(self.broken_by), timeout=ANSWER_S
            )
            if self.broken_by:
                return None
            if len(came) < self.hosts:
                return GATE_WAIT
            texts = tuple(came[n] for n in range(self.hosts))
            return Gathered(texts=texts, spread_ns=self._spread_ns).model_dump_json()

    def note_begun(self, step: str) -> None:
        """A host's players have been let go."""
        with self._condition:
            passed_ns = time.monotonic_ns() - self._released_ns.get(step, time.monotonic_ns())
            self._begun_ns = max(self._begun_ns, passed_ns)

    def break_up(self, host: str) -> None:
        """Nobody waits any longer, for this one failed, or was the first to."""
        with self._condition:
            self.broken_by = self.broken_by or host
            self._condition.notify_all()


class _Doorkeeper(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"  # a connection stays open
    disable_nagle_algorithm = True
    timeout = 10 * SILENCE_S  # between two steps a trial plays

    def __init__(self, gate: Gate, *given: Any) -> None:
        self._gate = gate
        super().__init__(*given)

    def do_POST(self) -> None:
        """`STEP/PLACE`, or `STEP/PLACE/begun`, below the gate's own path."""
        size = self.headers.get("Content-Length", "")
        parts = self.path.removeprefix(self._gate.path).split("/")
        is_known = self.path.startswith(self._gate.path) and len(parts) in (2, 3)
        if not (is_known and size.isdecimal() and int(size) <= MAX_TEXT_BYTES):
            self.send_error(404)
            return
        text = self.rfile.read(int(size)).decode(errors="replace")
        if not (parts[1].isdecimal() and int(parts[1]) < self._gate.hosts):
            self.send_error(404)
            return
        answer: str | None = ""
        if len(parts) == 3:
            self._gate.note_begun(parts[0])
        else:
            answer = self._gate.meet(parts[0], int(parts[1]), text)
        if answer is None:
            self.send_error(410)
            return
        body = answer.encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: Any) -> None:
        """Nothing: whoever lost it says so."""


@contextmanager
def kept_gate(
    hosts: int, *, context: ssl.SSLContext | None, interface: str
) -> Iterator[tuple[Gate, int]]:
    """A gate for so many, and the port at which it stands while the block runs."""
    gate = Gate(hosts)
    with serving(partial(_Doorkeeper, gate), context=context, interface=interface) as port:
        try:
            yield gate, port
        finally:
            gate.break_up("home")

"""Where processes on several machines meet: at home, by a request each that is answered when all
have come. Stands alone, for nothing else that is measured speaks to another machine."""

import ssl
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from typing import Final

from mezzmark.engines.encode.process_pool import ProcessPool
from mezzmark.model.errors import EngineError, reason_of
from mezzmark.model.tasks.streams import GATE_WAIT, Gate, Gathered

SILENCE_S: Final = 30.0
"""Home answers a request within a third of this, if only that not all are there."""


class Meeting:
    """A place at the gate, over one connection that stays open: one answer lets each go."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate
        if gate.tls:
            authority, own, key = gate.tls
            context = ssl.create_default_context(cafile=authority)
            context.check_hostname = False  # the certificates name roles; the address is home's
            context.load_cert_chain(own, key)
            self._connection: HTTPConnection = HTTPSConnection(
                gate.source, timeout=SILENCE_S, context=context
            )
        else:
            self._connection = HTTPConnection(gate.source, timeout=SILENCE_S)

    def gather(self, step: str, text: str = "") -> Gathered:
        """What all said at this step, once they came. EngineError if home is gone or one failed."""
        while (answer := self._post(f"{step}/{self._gate.place}", text)) == GATE_WAIT:
            pass
        return Gathered.model_validate_json(answer)

    def tell_begun(self, step: str) -> None:
        """That those who waited here have been let go."""
        self._post(f"{step}/{self._gate.place}/begun", "")

    def _post(self, path: str, text: str) -> str:
        try:
            self._connection.request("POST", f"{self._gate.path}{path}", text)
            answer = self._connection.getresponse()
            body = answer.read().decode()
        except (OSError, HTTPException, UnicodeDecodeError) as error:
            raise _apart(self._gate.source, reason_of(error)) from None
        if answer.status != 200:
            raise _apart("together", "another machine failed, or all were stopped")
        return body


def _apart(where: str, what: str) -> EngineError:
    return EngineError(where=where, what=what, remedy="See what became of the others.")


def keep_gate(gate: Gate, count: int, pool: ProcessPool) -> int:
    """In a process beside the players, who meet twice where one machine's meet once: let them begin
    and end with those of the other machines; ns within which all began, as home saw it."""
    meeting = Meeting(gate)
    pool.meet()
    meeting.gather(f"{count}-start")
    pool.meet()
    meeting.tell_begun(f"{count}-start")
    pool.meet()
    found = meeting.gather(f"{count}-end")
    pool.meet()
    return found.spread_ns

"""Several processes at the same work: started fresh, released together, never left behind.

They are spawned, so that nothing of the parent's state (threads, codec libraries) is inherited.
A member that fails or dies breaks the barrier, so that no other waits for it for ever.
"""

import multiprocessing
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from typing import Any, Final, TypeVar

from mezzmark.model.errors import EngineError, MezzmarkError

_CONTEXT: Final = multiprocessing.get_context("spawn")

RELEASE_AHEAD_NS: Final = 20_000_000
"""Ten times what a barrier was seen to need to wake a few members on a busy machine."""

Payload = TypeVar("Payload")
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Crew:
    """What the members of a crew share: a barrier to meet at, the moment of their release, and
    the number of the next piece of work."""

    barrier: Any  # multiprocessing's types of shared objects are private
    release_ns: Any
    next_number: Any

    def meet(self) -> None:
        """Wait until all members are here. Raises BrokenBarrierError when one has failed."""
        self.barrier.wait()

    def start_together(self, clock_ns: Callable[[], int]) -> None:
        """Meet, then go at one moment of the machine's clock.

        A barrier wakes its waiters one after the other, milliseconds apart; spinning on a common
        moment ahead lets them go within microseconds, if each has a core.
        """
        if self.barrier.wait() == 0:
            self.release_ns.value = clock_ns() + RELEASE_AHEAD_NS
        self.barrier.wait()
        while clock_ns() < self.release_ns.value:
            pass

    def take_number(self) -> int:
        """0, 1, 2, …, each to one member only."""
        with self.next_number.get_lock():
            number = int(self.next_number.value)
            self.next_number.value = number + 1
        return number


def run_crew(
    work: Callable[[Payload, int, Crew], Result], payload: Payload, *, member_count: int
) -> list[Result]:
    """`work(payload, member number, crew)` in `member_count` processes; results in that order.

    `work` must be a module's own function, and payload and results picklable. A MezzmarkError of a
    member is raised here; a member that dies raises EngineError with its exit status. No process
    is left when this returns.
    """
    barrier = _CONTEXT.Barrier(member_count)
    crew = Crew(barrier, _CONTEXT.Value("q", 0), _CONTEXT.Value("q", 0))
    members = []
    receivers: dict[Connection, int] = {}
    try:
        for number in range(member_count):
            receiver, sender = _CONTEXT.Pipe(duplex=False)
            member = _CONTEXT.Process(
                target=_serve, args=(work, payload, number, crew, sender), daemon=True
            )
            member.start()
            sender.close()  # so that the end of the member is the end of the pipe
            members.append(member)
            receivers[receiver] = number
        answers = _collect(receivers, crew)
        for member in members:
            member.join()
    finally:
        for member in members:
            if member.is_alive():
                member.kill()
    return _results(answers, [member.exitcode for member in members])


def _collect(receivers: dict[Connection, int], crew: Crew) -> dict[int, Any]:
    """What each member sent; members that died without a word are missing."""
    answers: dict[int, Any] = {}
    open_receivers = dict(receivers)
    while open_receivers:
        for receiver in wait(list(open_receivers)):
            assert isinstance(receiver, Connection)
            number = open_receivers.pop(receiver)
            try:
                answers[number] = receiver.recv()
            except EOFError:
                crew.barrier.abort()
            receiver.close()
    return answers


def _results(answers: dict[int, Any], exit_codes: list[int | None]) -> list[Any]:
    for answer in answers.values():
        if isinstance(answer, MezzmarkError):
            raise answer
    for number, exit_code in enumerate(exit_codes):
        if number not in answers:
            raise EngineError(
                where=f"job {number + 1} of {len(exit_codes)}",
                what=f"its process ended without a result (exit status {exit_code})",
                remedy="Try fewer jobs or frames; if it happens again, leave the encoding out.",
            )
    return [answers[number] for number in range(len(exit_codes))]


def _serve(
    work: Callable[[Any, int, Crew], Any],
    payload: Any,
    number: int,
    crew: Crew,
    sender: Connection,
) -> None:
    _die_with_parent()
    try:
        answer = work(payload, number, crew)
    except MezzmarkError as error:
        crew.barrier.abort()
        answer = error
    except threading.BrokenBarrierError:
        answer = None  # another member failed, and says why itself
    sender.send(answer)
    sender.close()
    # Codec libraries can hang while their objects are freed; nothing is left to be done.
    os._exit(0)


def _die_with_parent() -> None:
    """Leave no orphan: end when the parent's process does."""
    parent = multiprocessing.parent_process()

    def watch() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=watch, daemon=True).start()

"""Several processes at the same work: spawned, so that nothing of the parent's state is inherited,
released together, never left behind. One that fails or dies breaks the barrier."""

import multiprocessing
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from typing import Any, Final, TypeVar

from mezzmark.host.common import end_with_parent
from mezzmark.model.errors import EngineError, MezzmarkError
from mezzmark.own_files import STORAGE_ERRORS

_CONTEXT: Final = multiprocessing.get_context("spawn")

RELEASE_AHEAD_NS: Final = 20_000_000
"""Ten times what a barrier was seen to need to wake a few workers on a busy machine."""

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class ProcessPool:
    """What workers share: a barrier, the moment of their release, how many pieces are taken."""

    barrier: Any  # multiprocessing's types of shared objects are private
    release_ns: Any
    taken_count: Any

    def meet(self) -> None:
        """Wait until all workers are here. Raises BrokenBarrierError when one has failed."""
        self.barrier.wait()

    def start_together(self, clock_ns: Callable[[], int]) -> None:
        """Meet, then go at one moment of the machine's clock: a barrier wakes its waiters
        milliseconds apart; spinning lets them go within microseconds, if each has a core."""
        if self.barrier.wait() == 0:
            self.release_ns.value = clock_ns() + RELEASE_AHEAD_NS
        self.barrier.wait()
        while clock_ns() < self.release_ns.value:
            pass

    def next_index(self) -> int:
        """0, 1, 2, …, each to one worker only."""
        with self.taken_count.get_lock():
            index = int(self.taken_count.value)
            self.taken_count.value = index + 1
        return index


def run_parallel(work: Callable[[int, ProcessPool], Result], *, worker_count: int) -> list[Result]:
    """`work(worker number, pool)` in `worker_count` processes; results in that order. `work` must
    be a module's own function or a `partial` of one, and its results picklable. A MezzmarkError of
    a worker is raised here, and an OSError of full or failing storage; a worker that dies raises
    EngineError with its exit status. No process is left when this returns."""
    barrier = _CONTEXT.Barrier(worker_count)
    pool = ProcessPool(barrier, _CONTEXT.Value("q", 0), _CONTEXT.Value("q", 0))
    workers = []
    receivers: dict[Connection, int] = {}
    try:
        for number in range(worker_count):
            receiver, sender = _CONTEXT.Pipe(duplex=False)
            worker = _CONTEXT.Process(target=_serve, args=(work, number, pool, sender), daemon=True)
            worker.start()
            sender.close()  # so that the end of the worker is the end of the pipe
            workers.append(worker)
            receivers[receiver] = number
        answers = _collect(receivers, pool)
        for worker in workers:
            worker.join()
    finally:
        for worker in workers:
            if worker.is_alive():
                worker.kill()
    for answer in answers.values():
        if isinstance(answer, MezzmarkError | OSError):
            raise answer
    for number, worker in enumerate(workers):
        if number not in answers:
            where = f"job {number + 1} of {worker_count}"
            what = f"its process ended without a result (exit status {worker.exitcode})"
            remedy = "Try fewer jobs or frames; if it happens again, leave the encoding out."
            raise EngineError(where=where, what=what, remedy=remedy)
    return [answers[number] for number in range(worker_count)]


def _collect(receivers: dict[Connection, int], pool: ProcessPool) -> dict[int, Any]:
    """What each worker sent; workers that died without a word are missing."""
    answers: dict[int, Any] = {}
    while receivers:
        for receiver in wait(list(receivers)):
            assert isinstance(receiver, Connection)
            number = receivers.pop(receiver)
            try:
                answers[number] = receiver.recv()
            except EOFError:
                pool.barrier.abort()
            receiver.close()
    return answers


def _serve(
    work: Callable[[int, ProcessPool], Any], number: int, pool: ProcessPool, sender: Connection
) -> None:
    parent = multiprocessing.parent_process()
    assert parent is not None
    end_with_parent(parent.join)
    try:
        answer = work(number, pool)
    except MezzmarkError as error:
        pool.barrier.abort()
        answer = error
    except OSError as error:
        if error.errno not in STORAGE_ERRORS:
            raise
        pool.barrier.abort()
        # A library's own kind of OSError may not travel.
        answer = OSError(error.errno, error.strerror, error.filename)
    except threading.BrokenBarrierError:
        answer = None  # another worker failed, and says why itself
    sender.send(answer)
    sender.close()
    # Codec libraries can hang while their objects are freed; nothing is left to be done.
    os._exit(0)

"""Preparations done several at a time, each by a worker process: what all say in one stream, and
what could not be done in words."""

import queue
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from functools import partial

from mezzmark.host.common import read_free_memory_bytes, read_usable_core_count
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import InterruptedRunError
from mezzmark.model.jobs import Job, JobFailed, ProgressUpdate, WorkerFailed
from mezzmark.model.preparations import Answer, PreparePicturesJob
from mezzmark.runner.events import LeftOut, Preparing
from mezzmark.runner.workers import NO_ANSWER, raise_machine_fault

MEMORY_EACH_BYTES = 3_000_000_000
"""At 2160p the most demanding preparation was seen to take 1.6 GB."""

Step = tuple[str, str]
"""A clip, and the encoding that is made of it or what it is stored as."""


def perform_all(
    jobs: dict[Step, Job],
    follow: Callable[[Step, Answer], dict[Step, Job]],
    ask: Callable[[Job], Iterator[Answer]],
    total: int,
    elsewhere: int = 0,
) -> Generator[Preparing | LeftOut, None, dict[Step, Answer]]:
    """The result of every job, several at a time (`elsewhere` more than this machine does), and of
    those that `follow` gives after a result. Each is asked in a thread of its own; what the workers
    say comes out here, one after the other. However this ends, no thread and no worker is left."""
    waiting = deque(jobs.items())
    answers: dict[Step, Answer] = {}
    said: queue.SimpleQueue[tuple[Step, Answer | BaseException]] = queue.SimpleQueue()
    fractions: dict[Step, float] = {}
    is_over = threading.Event()
    at_once = elsewhere + jobs_at_once(read_usable_core_count(), read_free_memory_bytes())

    def event(message: str, fraction: float = 0.0) -> Preparing:
        begun = sum(fractions.values())
        return Preparing(
            message=message, done_fraction=fraction, begun=begun, done=len(answers), total=total
        )

    with ThreadPoolExecutor(at_once) as threads, ExitStack() as at_end:
        at_end.callback(is_over.set)
        while waiting or fractions:
            while waiting and len(fractions) < at_once:
                step, job = waiting.popleft()
                fractions[step] = 0.0
                yield event(_name_of(step))
                threads.submit(_ask, step, partial(ask, job), said, is_over)
            step, answer = said.get()
            if isinstance(answer, BaseException):
                raise answer
            if isinstance(answer, ProgressUpdate):
                fractions[step] = answer.done_fraction
                yield event(answer.message, answer.done_fraction)
                continue
            del fractions[step]
            answers[step] = answer
            jobs = jobs | (following := follow(step, answer))
            waiting.extend(following.items())
            is_needed = not isinstance(jobs[step], PreparePicturesJob)
            if is_needed and isinstance(answer, JobFailed | WorkerFailed):
                raise_if_over(answer, _name_of(step))
                yield LeftOut(reason=refusal_of(step, answer))
    return answers


def _name_of(step: Step) -> str:
    clip, encoding = step
    return clip if encoding == ORIGINAL else f"{clip} → {encoding}"


def jobs_at_once(core_count: int, free_memory_bytes: int) -> int:
    """How many preparations run at a time: one for every two cores, since each works on one core
    for much of its time and on a few at most in the rest; at least two where there are
    two cores, and no more than find MEMORY_EACH_BYTES free when the first begins."""
    by_cores = min(core_count, max(2, core_count // 2))
    return max(1, min(by_cores, free_memory_bytes // MEMORY_EACH_BYTES))


def _ask(
    step: Step,
    ask: Callable[[], Iterator[Answer]],
    said: "queue.SimpleQueue[tuple[Step, Answer | BaseException]]",
    is_over: threading.Event,
) -> None:
    """Pass on what a worker says of a step; once all is over, end it at its next word."""
    answer: Answer = NO_ANSWER
    try:
        for answer in ask():
            if is_over.is_set():
                return
            if isinstance(answer, ProgressUpdate):
                said.put((step, answer))
        said.put((step, NO_ANSWER if isinstance(answer, ProgressUpdate) else answer))
    except BaseException as error:  # raised where the run is
        said.put((step, error))


def raise_if_over(answer: Answer, name: str) -> None:
    """What ends the whole preparation: an error of the machine, and the wish to stop."""
    raise_machine_fault(answer, name)
    if isinstance(answer, WorkerFailed) and answer.outcome == "cancelled":
        what = "stopped before measuring began; what was made is kept in the cache"
        remedy = "The same command with --resume and the same --out resumes from there."
        raise InterruptedRunError(where="preparing footage", what=what, remedy=remedy)


def refusal_of(step: Step, answer: Answer) -> str:
    """Why a step could not be done, in words."""
    clip, encoding = step
    if encoding == ORIGINAL:
        return refusal(answer, f'clip "{clip}"')
    return f'clip "{clip}", ' + refusal(answer, f'encoding "{encoding}"')


def refusal(answer: Answer, subject: str) -> str:
    """Why the subject cannot be made, in words that begin with it."""
    match answer:
        case JobFailed(where=where, what=what, remedy=remedy):
            place = "" if where == subject else f"{where}: "
            return f"{subject}: {place}{what}. {remedy}"
        case WorkerFailed(outcome=outcome, reason=reason):
            return f"{subject}: the worker {outcome.replace('_', ' ')} ({reason})"
        case _:
            return f"{subject}: the worker answered with {answer.kind}"

"""Work that is not timed, divided among hosts: each encoding is made, and each cell that is judged
is judged, by one of them for all.

An encoding that came home goes the way of one made there: decoded independently, indexed, proved,
kept in home's cache, and from there to every host. What a host cannot make, or sends wrong, is made
at home, whose word counts.
"""

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from itertools import dropwhile
from pathlib import Path
from typing import Any, Final

from mezzmark.fleet.scheduler import POLL_S, HostLostError, lost, named_of, stopped
from mezzmark.host.common import read_free_memory_bytes, read_usable_core_count
from mezzmark.model.errors import InterruptedRunError, NotMadeError
from mezzmark.model.fleet import Performed
from mezzmark.model.jobs import (
    Job,
    JobFailed,
    Measured,
    PreparedMedia,
    ProgressUpdate,
    WorkerFailed,
)
from mezzmark.model.preparations import Answer, PrepareEncodingJob
from mezzmark.model.run import HostFacts
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.spec import MediaReference
from mezzmark.own_files import MARKER_NAME
from mezzmark.runner.at_once import jobs_at_once, refusal
from mezzmark.runner.plan import plan_cells, plan_round
from mezzmark.runner.prepare import Footage
from mezzmark.runner.run import describe_job
from mezzmark.runner.workers import Dispatch, last_answer

HOME: Final = ""  # the name of this machine among the makers

KIND_FACTS: Final = ("library_versions", "operating_system", "cpu_model", "gpu_driver")
"""Alike where one host judges for another: the encoders' build, and what code chooses ways by."""


@dataclass(slots=True, kw_only=True)
class Makers:
    """A `Dispatch` of preparations: encodings that are not in the cache are made by hosts, one at a
    time each, or here, whoever is free; all else is done `here`. `make` has a host make one and
    send it to a path of `awaiting`, which tells into which folder; `say` is told what went wrong.
    """

    here: Dispatch
    make: Callable[[str, PrepareEncodingJob, str], Answer]
    awaiting: Callable[[], AbstractContextManager[tuple[str, Path]]]
    hosts: Sequence[str]
    is_stopped: Callable[[], bool]
    say: Callable[[str], None]
    _free: list[str] = field(init=False)
    _lost: set[str] = field(default_factory=set)
    _changed: threading.Condition = field(default_factory=threading.Condition)

    def __post_init__(self) -> None:
        here = jobs_at_once(read_usable_core_count(), read_free_memory_bytes())
        self._free = [*self.hosts, *[HOME] * here]

    def __call__(self, job: Job, timeout_s: float) -> Iterator[Answer]:
        """The answers of one worker, wherever it is."""
        try:
            if isinstance(job, PrepareEncodingJob):
                yield from self._encoding(job, timeout_s)
            else:
                yield from self._at_home(job, timeout_s)
        except InterruptedRunError as stop:
            yield WorkerFailed(outcome="cancelled", reason=stop.what)

    def _encoding(self, job: PrepareEncodingJob, timeout_s: float) -> Iterator[Answer]:
        sought = job.model_copy(update={"is_sought": True})
        found = last_answer(self._at_home(sought, timeout_s))
        if not (isinstance(found, JobFailed) and found.flags == NotMadeError.flags):
            yield found
            return
        only: tuple[str, ...] = ()
        with self.awaiting() as (to, folder):
            while True:
                with self._taken(*only) as maker:
                    if maker == HOME:
                        yield from self.here(job, timeout_s)
                        return
                    message = f"encoding to {job.encoding.name} on {maker}"
                    yield ProgressUpdate(message=message, done_fraction=0.0)
                    answer = self._sent_by(maker, job, to, folder)
                if isinstance(answer, PreparedMedia):
                    sent = {"made_path": str(folder / answer.fingerprint), "made_by": maker}
                    answer = last_answer(self._at_home(job.model_copy(update=sent), timeout_s))
                if isinstance(answer, PreparedMedia):
                    yield answer
                    return
                if answer is not None:
                    self.say(f"{refusal(named_of(maker, answer), job.encoding.name)} Made here.")
                    only = (HOME,)

    def _sent_by(self, host: str, job: PrepareEncodingJob, to: str, folder: Path) -> Answer | None:
        """What the host answered, whose file is there; None where it is lost, or sent another."""
        try:
            answer = self.make(host, job, to)
            sent = {*os.listdir(folder)} - {MARKER_NAME}
            if isinstance(answer, PreparedMedia) and answer.fingerprint not in sent:
                raise lost(host, "what it sent is not what it says that it made")
        except HostLostError as fault:
            self._lost.add(host)
            self.say(f"lost: {fault.where}: {fault.what}; others make its encodings.")
            return None
        return answer

    def _at_home(self, job: Job, timeout_s: float) -> Iterator[Answer]:
        with self._taken(HOME):
            yield from self.here(job, timeout_s)

    @contextmanager
    def _taken(self, *only: str) -> Iterator[str]:
        """Whoever is free for the time of the block, hosts before home, or one of `only` these."""
        with self._changed:
            while not (fit := [one for one in self._free if not only or one in only]):
                if self.is_stopped():
                    raise stopped()
                self._changed.wait(POLL_S)
            taken = next(filter(None, fit), HOME)
            self._free.remove(taken)
        try:
            yield taken
        finally:
            with self._changed:
                self._free += [taken] if taken not in self._lost else []
                self._changed.notify_all()


@dataclass(slots=True, kw_only=True)
class Judges:
    """Trials that are judged, each by one host for all alike; who must wait does what is next."""

    do: Callable[[str, Job, float], Performed]
    is_stopped: Callable[[], bool]
    _kinds: dict[str, str] = field(default_factory=dict)
    _coming: dict[str, dict[str, Job]] = field(default_factory=dict)
    _done: dict[str, Performed] = field(default_factory=dict)
    _under_way: set[str] = field(default_factory=set)
    _changed: threading.Condition = field(default_factory=threading.Condition)

    def expect(
        self, name: str, host: HostFacts, scenario: Scenario, footage: Footage, *, scratch_dir: str
    ) -> None:
        """What will be asked of a host, in its order."""
        self._kinds[name] = repr([getattr(host, fact) for fact in KIND_FACTS])
        media = [(one.clip, one.encoding) for one in footage.media_manifests]
        cells = plan_cells(scenario, media=media, core_count=host.usable_core_count)
        planned = [one for one in plan_round(cells, 0, scenario.seed) if _is_judged(one.cell.task)]
        jobs = [describe_job(one, scenario, footage, scratch_dir=scratch_dir) for one in planned]
        self._coming[name] = {self._key(name, job): job for job in jobs}

    def perform(self, name: str, job: Job, timeout_s: float) -> Performed:
        """The job done by this host, or what came of it on another one, which `judged_by` names."""
        if not _is_judged(job.task):
            return self.do(name, job, timeout_s)
        key = self._key(name, job)
        while mine := self._next(name, key):
            try:
                asked = self._coming[name].pop(mine, job)
                found = self.do(name, asked, timeout_s)
                if isinstance(found.answer, Measured):
                    self._done[mine] = found.model_copy(update={"judged_by": name})
                if mine == key:
                    return found
            finally:
                with self._changed:
                    self._under_way.remove(mine)
                    self._changed.notify_all()
        done = self._done[key]
        return done.model_copy(update={"judged_by": ""}) if done.judged_by == name else done

    def _next(self, name: str, key: str) -> str:
        """What this host does now, until `key` is done: that, or what it would come to later."""
        with self._changed:
            while key not in self._done:
                later = dropwhile(lambda one: one != key, self._coming[name])
                for mine in (key, *later):
                    if mine not in self._done.keys() | self._under_way:
                        self._under_way.add(mine)
                        return mine
                if self.is_stopped():
                    raise stopped()
                self._changed.wait(POLL_S)
            return ""

    def _key(self, name: str, job: Any) -> str:
        """The same for hosts that are alike, which call files by their bytes' SHA-256."""
        names = {field: Path(path).name for field, path in job.source}
        source = MediaReference.model_validate(names)
        told = job.model_copy(update={"scratch_dir": "", "source": source})
        return f"{self._kinds[name]}{told.model_dump_json()}"


def _is_judged(task: str) -> bool:
    return task in TASKS and TASKS[task].is_judged

"""One folder over many hosts: the grid of each, then rounds of the folder over all of them together
and each alone, in an ordinary run's folder whose trials are ingests.

The queue is at home. Whenever a host is free it is sent the next clips, as many as its fastest
split has jobs; Dask carries one such job at a host. Clips of a host that is lost go to the others.
"""

import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

from mezzmark.decide.size.over_hosts import fastest_first, grid_splits
from mezzmark.engines.encode.ingest import clip_order
from mezzmark.fleet.measure import FleetRun, measured_by
from mezzmark.fleet.scheduler import HostLostError, lost, named_of, stopped
from mezzmark.host.common import Clock
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import RunError, UsageError
from mezzmark.model.fleet import Performed
from mezzmark.model.jobs import Job, JobFailed, Measured, WorkerFailed
from mezzmark.model.records import HostMoment
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.grid import GridSettings
from mezzmark.model.tasks.ingest import HostSplit, IngestJob, IngestMeasurement, IngestSettings
from mezzmark.model.tasks.spec import ProcessFacts
from mezzmark.runner.events import Event, Noted
from mezzmark.runner.prepare import Footage
from mezzmark.store.run_store import MANIFEST_NAME, Run, read_manifest, read_run, reserve_run_dir

FOLDER: Final = "all-hosts"
"""Of the fleet's own run, beside those of its hosts, whose names end in a digest."""


def ingest_settings(scenario: Scenario) -> IngestSettings:
    """The scenario's [ingest], which a fleet needs; UsageError without."""
    if settings := scenario.settings(IngestSettings):
        return settings
    what = "it has no [ingest] table, so that there is no folder to ingest"
    remedy = "Add one (scenarios/README.md), or measure it with `mezzmark fleet measure`."
    raise UsageError(where=f'scenario "{scenario.name}"', what=what, remedy=remedy)


def only(scenario: Scenario, **tables: Any) -> Scenario:
    """The scenario with these tasks alone."""
    return scenario.but(**{**dict.fromkeys(scenario.tasks), **tables})


def grid_scenario(scenario: Scenario) -> Scenario:
    """What is measured on each host: the [grid], or one of the splits that [ingest] asks for."""
    wanted = ingest_settings(scenario)
    shares = wanted.model_dump(include={"jobs", "threads", "oversubscribe"})
    return only(scenario, grid=scenario.settings(GridSettings) or GridSettings(**shares))


def ingest_over_hosts(
    run: FleetRun,
    scenario: Scenario,
    hosts: Sequence[str],
    *,
    grids: Mapping[str, Path],
    is_alone: bool,
) -> dict[str, Path]:
    """Measure; `run` is of the grids, of which those in `grids` are there already. The folder is
    ingested by each host alone too if it `is_alone`. "" → the run of all hosts, host → that of its
    grid. Raises as `FleetRun.measure`."""
    with run.begun(hosts, at=grids) as run_dirs:
        for label in sorted(grids.keys() - run_dirs.keys()):
            run.say("", Noted(message=f'the grid of "{label}" is of no host that is measured.'))
        reserve_run_dir(run.out / FOLDER, resume=run.is_resumed)
        run.measure_each([name for name in run_dirs if name not in grids])
        runs = {name: read_run(run_dir) for name, run_dir in run_dirs.items()}
        _refuse_other_footage(run.footage, runs)
        whole = _OverHosts(run, _with_hosts(run.out / FOLDER, scenario, runs, is_alone=is_alone))
        run.patiently("", whole.session)
    return {"": run.out / FOLDER} | run_dirs


def _with_hosts(
    run_dir: Path, scenario: Scenario, runs: Mapping[str, Run], *, is_alone: bool
) -> Scenario:
    """The scenario of the fleet's own run: hosts with the fastest splits of their grids, or, where
    it is resumed, with those it began with. Its links are not of the hosts, but of what they
    share."""
    if (run_dir / MANIFEST_NAME).is_file():
        begun = read_manifest(run_dir).scenario.settings(IngestSettings)
        splits = list(begun.hosts) if begun else []
        if away := sorted({split.host for split in splits} - runs.keys()):
            what = f"it was begun over other hosts too: {', '.join(away)}"
            remedy = "Name them all with --hosts, or measure into another folder with --out."
            raise RunError(where=str(run_dir), what=what, remedy=remedy)
    else:
        encodings = scenario.encodings + tuple(one.name for one in scenario.custom_encodings)
        found = [split for name, one in runs.items() for split in grid_splits(name, encodings, one)]
        splits = fastest_first(found, runs)
    if not splits:
        what = "no host's grid has every clip in some encoding"
        remedy = "See why its trials failed (`mezzmark report`), and leave that encoding out."
        raise RunError(where=str(run_dir.parent), what=what, remedy=remedy)
    settings = {"hosts": tuple(splits), "alone": is_alone, "minutes": None}
    settings |= {"links": ("local",), "roots": ()}
    return only(scenario, ingest=ingest_settings(scenario).model_copy(update=settings))


def _refuse_other_footage(footage: Footage, runs: Mapping[str, Run]) -> None:
    prints = {clip.clip: clip.fingerprint for clip in footage.clips}
    for name, run in runs.items():
        if {clip.clip: clip.fingerprint for clip in run.manifest.clips} != prints:
            remedy = "Leave that run out of --grids: the grid is then measured anew."
            raise RunError(where=name, what="its grid was measured on other footage", remedy=remedy)


_PER_CLIP: Final = (
    "frame_count",
    "width_px",
    "height_px",
    "source_bytes",
    "cpu_ns",
    "file_bytes",
    "encoded_ns",
    "end_ns",
    "worker_index",
    "is_verified",
)


@dataclass(slots=True)
class ClipQueue:
    """The clips of a trial that wait, are under way and are done; asked by a thread a host."""

    waiting: list[int]
    clock: Clock
    start_ns: int
    under_way: int = 0
    done: dict[int, dict[str, Any]] = field(default_factory=dict)
    flags: list[str] = field(default_factory=list)
    failure: JobFailed | WorkerFailed | None = None
    error: BaseException | None = None
    changed: threading.Condition = field(default_factory=threading.Condition)

    def now_ns(self) -> int:
        """Since the trial began."""
        return self.clock.monotonic_ns() - self.start_ns

    def take(self, count: int) -> list[int]:
        """The next clips, waiting for those of other hosts that may come back; empty at the end."""
        with self.changed:
            while not self.waiting and self.under_way and not self.is_over:
                self.changed.wait()
            taken = [] if self.is_over else self.waiting[:count]
            del self.waiting[: len(taken)]
            self.under_way += bool(taken)
            return taken

    @property
    def is_over(self) -> bool:
        """Whether nothing is handed out any more, for it failed."""
        return self.failure is not None or self.is_broken

    @property
    def is_broken(self) -> bool:
        """Whether an error must be raised that is no loss of a host."""
        return self.error is not None and not isinstance(self.error, HostLostError)

    def note(
        self, host: str, first: int, taken: Sequence[int], answer: Any, *, begun_ns: int
    ) -> None:
        """What a host answered, its workers counted from `first`. HostLostError: of other clips."""
        ended_ns = self.now_ns()
        rows = _rows(answer, host, len(taken)) if isinstance(answer, Measured) else []
        last_ns = max((row["end_ns"] for row in rows), default=0)
        with self.changed:
            for clip, row in zip(taken, rows, strict=bool(rows)):
                own = {"hosts": host, "worker_index": first + row["worker_index"]}
                for name in ("encoded_ns", "end_ns"):  # the last one stood when home heard of it
                    own[name] = max(begun_ns + 1, ended_ns - (last_ns - row[name]))
                self.done[clip] = {**row, **own, "start_ns": begun_ns}
            if not isinstance(answer, Measured | JobFailed | WorkerFailed):
                answer = WorkerFailed(outcome="crashed", reason=f"it answered with {answer.kind}")
            if not isinstance(answer, Measured):
                self.failure = self.failure or named_of(host, answer)
            self.flags += answer.flags if isinstance(answer, Measured) else ()
            self.under_way -= 1
            self.changed.notify_all()

    def give_back(self, taken: Sequence[int], error: BaseException) -> None:
        """A host is gone, or worse: its clips are the next ones."""
        with self.changed:
            self.waiting[:0] = taken
            if not self.is_broken:
                self.error = error
            self.flags.append("host_lost")
            self.under_way -= 1
            self.changed.notify_all()

    def answer(self, job: IngestJob) -> Any:
        """What came of the trial; the error of a host where clips are left."""
        if self.is_broken or (self.waiting and not self.failure):
            assert self.error is not None
            raise self.error
        if self.failure:
            return self.failure
        rows = [self.done[clip] for clip in range(len(job.sources))]
        columns = {name: tuple(row[name] for row in rows) for name in rows[0]}  # of one job alike
        measurement = IngestMeasurement(
            clips=tuple(source.clip for source in job.sources),
            worker_count=sum(split.jobs for split in job.hosts),
            **columns,
        )
        process = ProcessFacts(cpu_ns=sum(measurement.cpu_ns))
        flags = tuple(dict.fromkeys(self.flags))
        return Measured(measurement=measurement, process=process, flags=flags)


def _rows(answer: Measured, host: str, count: int) -> list[dict[str, Any]]:
    """What a host measured, a row a clip. HostLostError where it is of other clips."""
    found: Any = answer.measurement
    columns = {name: getattr(found, name) for name in (*_PER_CLIP, "wait_ns")}
    if (len(found.clips), found.worker_count) != (count, count):
        raise lost(host, "it answered with what cannot have been measured")
    known = {name: values for name, values in columns.items() if values}
    return [dict(zip(known, row, strict=True)) for row in zip(*known.values(), strict=True)]


@dataclass(slots=True)
class _OverHosts:
    """The fleet as one machine that does a trial's job."""

    run: FleetRun
    scenario: Scenario
    there: dict[str, Footage] = field(default_factory=dict)

    def session(self) -> Iterator[Event]:
        """From hosts that are all there to the end of the run, or to the loss of one."""
        settings = ingest_settings(self.scenario)
        names = list(dict.fromkeys(split.host for split in settings.hosts))
        facts = {name: self.run.describe(name) for name in names}
        self.there = {name: self.run.footage_on(name) for name in names}
        first = facts[names[0]].model_copy(update={"host_label": f"all of {', '.join(names)}"})
        footage = replace(self.run.footage, noted=partial(measured_by, first))
        yield from self.run.follow(self.scenario, self.run.out / FOLDER, self.perform, footage)

    def perform(self, job: Job, timeout_s: float) -> Performed:
        """An ingest over its hosts; the reference kernel on the first host."""
        if not isinstance(job, IngestJob):
            return self.run.perform(next(iter(self.there)), job, timeout_s)
        for split in job.hosts:
            if split.host not in self.run.fleet.look()[0]:
                raise lost(split.host, "its worker went away")
        clock = Clock()
        started_utc, start_ns = clock.utc(), clock.monotonic_ns()
        queue = ClipQueue(clip_order(job), clock, start_ns)
        follow = partial(self._follow, job=job, queue=queue, timeout_s=timeout_s)
        self.run.at_once([partial(follow, number) for number in range(len(job.hosts))])
        if self.run.flag.is_set():
            raise stopped()
        moments = {"host_before": HostMoment(), "host_during": HostMoment()}
        wall_ns = clock.monotonic_ns() - start_ns
        answer = queue.answer(job)
        return Performed(answer=answer, started_utc=started_utc, wall_ns=wall_ns, **moments)

    def _follow(self, number: int, job: IngestJob, queue: ClipQueue, timeout_s: float) -> None:
        """Send the host clips until none is left, or it is lost."""
        split, first = job.hosts[number], sum(one.jobs for one in job.hosts[:number])
        while taken := queue.take(split.jobs):
            try:
                begun_ns = queue.now_ns()
                done = self.run.perform(split.host, self._part(job, split, taken), timeout_s)
                queue.note(split.host, first, taken, done.answer, begun_ns=begun_ns)
            except HostLostError as fault:
                self.run.say("", Noted(message=f"lost: {fault.where}: {fault.what}"))
                queue.give_back(taken, fault)
                return
            except BaseException as error:  # raised where the trial is
                queue.give_back(taken, error)
                return

    def _part(self, job: IngestJob, split: HostSplit, taken: Sequence[int]) -> IngestJob:
        """The job of these clips, as they lie on the host."""
        media = self.there[split.host].media
        sources = tuple(
            one.model_copy(update={"media": media[one.clip, ORIGINAL]})
            for one in (job.sources[clip] for clip in taken)
        )
        shares = {"job_count": len(taken), "thread_count": split.threads, "order": "fifo"}
        return job.model_copy(update={**shares, "sources": sources, "hosts": ()})

"""One scenario on many hosts: at home a run's folder for each, and the usual `run_scenario` that
fills it, its jobs done on the host.

The folder is the only truth. Whatever is lost (host, scheduler, network, this process) costs the
trial that was under way; the run is then resumed from its folder as any other. Long because hosts
by themselves and hosts together are followed in the same way.
"""

import threading
import time
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from mezzmark.engines.media.cache import all_library_versions
from mezzmark.fleet.divided import Judges, Makers
from mezzmark.fleet.files import Depot, kept_depot
from mezzmark.fleet.hosts import ask, describe_hosts, unlike
from mezzmark.fleet.scheduler import POLL_S, Fleet, HostLostError, lost, stopped
from mezzmark.fleet.together import TOGETHER, Together, hosts_as_one, scenario_together
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import DiskFullError, MezzmarkError, UsageError
from mezzmark.model.fleet import Describe, DoJob, Fetch, Fetched, HostSummary, Performed
from mezzmark.model.jobs import Job, JobFailed, Measured, PreparedMedia, WorkerFailed
from mezzmark.model.preparations import (
    Answer,
    PlacedFiles,
    PlaceFilesJob,
    PrepareEncodingJob,
    PreparePicturesJob,
)
from mezzmark.model.run import HostFacts, Manifest, host_id
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.encode import EncodeSettings
from mezzmark.model.tasks.spec import MediaReference
from mezzmark.own_files import safe_file_name
from mezzmark.runner.at_once import refusal
from mezzmark.runner.events import Event, Noted
from mezzmark.runner.prepare import PICTURES_LIMIT_BYTES, SILENCE_S, Footage, prepare_footage
from mezzmark.runner.roots import CLEARING_S, clearing_jobs
from mezzmark.runner.run import Elsewhere, Perform, run_scenario
from mezzmark.runner.start import StopFlag, trap_signals
from mezzmark.runner.workers import run_worker
from mezzmark.store.run_store import reserve_run_dir

AGAIN_S: Final = 2.0  # a host that was lost, or whose disk is full, is asked again after so long


def folder_name(host: str) -> str:
    """The folder of a host's run: a name may hold anything, so that it is only hinted at."""
    return f"{safe_file_name(host)[:40]}-{sha256(host.encode()).hexdigest()[:8]}"


@dataclass(slots=True, kw_only=True)
class FleetRun:
    """One measurement of a fleet. `tell` is given a host's name, empty for what concerns all, and
    what happened there, from one thread at a time; `patience_s` is how long a host may be away."""

    scenario: Scenario
    fleet: Fleet
    out: Path
    cache_dir: Path
    is_resumed: bool
    is_in_turn: bool = False
    is_together: bool = False
    is_divided: bool = False
    patience_s: float
    tell: Callable[[str, Event], None]
    flag: StopFlag = field(default_factory=StopFlag)
    _told: threading.Lock = field(default_factory=threading.Lock)
    _turn: threading.Lock = field(default_factory=threading.Lock)
    footage: Footage = field(init=False)
    _names: list[str] = field(default_factory=list)
    _makers: list[str] = field(default_factory=list)
    _judges: Judges = field(init=False)
    _depot: Depot = field(init=False)

    def measure(self, hosts: Sequence[str]) -> dict[str, Path]:
        """Measure on these hosts, or all that are there: host → its run's folder below `out`.

        Raises UsageError before anything is measured where a host cannot take part,
        InterruptedRunError when stopped, and MezzmarkError at the end where hosts are not done.
        """
        with self.begun(hosts) as run_dirs:
            self.measure_each(list(run_dirs))
        return run_dirs

    @contextmanager
    def begun(
        self, hosts: Sequence[str], at: Mapping[str, Path] | None = None
    ) -> Iterator[dict[str, Path]]:
        """While the block runs footage is ready and offered, and signals are heard: host → its
        run's folder, where it is not `at` a place of its own, where nothing is written."""
        with trap_signals() as self.flag:
            self._names = self._choose(hosts)
            if self.is_together:
                self.scenario = scenario_together(self.scenario, len(self._names))
            parties = [TOGETHER] if self.is_together else self._names
            given = {name: place for name, place in (at or {}).items() if name in parties}
            run_dirs = {name: self._run_dir(name) for name in parties} | given
            for name in parties:
                if name not in given:
                    reserve_run_dir(run_dirs[name], resume=self.is_resumed)
            self._judges = Judges(do=self.perform, is_stopped=self.flag.is_set)
            with kept_depot(**self._home) as self._depot:
                self.footage = self._pass_on("", self._prepared())
                yield run_dirs

    def _prepared(self) -> Generator[Event, None, Footage]:
        """Footage ready at home, made by workers there, or by the makers too."""
        here = partial(run_worker, is_cancelled=self.flag.is_set)
        makers = Makers(
            here=here,
            make=self._made_there,
            awaiting=partial(self._depot.awaiting, self.cache_dir),
            hosts=self._makers,
            is_stopped=self.flag.is_set,
            say=lambda message: self.say("", Noted(message=message)),
        )
        return prepare_footage(
            self.scenario,
            cache_dir=self.cache_dir,
            dispatch=makers if self._makers else here,
            elsewhere=len(self._makers),
        )

    def _made_there(self, name: str, job: PrepareEncodingJob, to: str) -> Answer:
        """What came of an encoding that the host is to make and send to this path."""
        [source] = self._there(name, [job.source])
        asked = job.model_copy(update={"source": source})
        return self.perform(name, asked, SILENCE_S, to=f"{self._depot_at(name)}{to}").answer

    def measure_each(self, names: Sequence[str]) -> None:
        """The run of each host, or of all together; raises as `measure`."""
        failures = self._all_at_once(names)
        if self.flag.is_set():
            raise stopped()
        if failures:
            raise MezzmarkError(
                where=f"{len(failures)} of {len(names)} hosts are not done",
                what="; ".join(f"{name}: {error}" for name, error in failures.items()),
                remedy="The same command with --resume and this --out goes on with them.",
            )

    @property
    def _home(self) -> dict[str, Any]:
        """How hosts are let in here."""
        security = self.fleet.security
        context = security and security.get_listen_args("client")["ssl_context"]
        return {"context": context, "interface": "127.0.0.1" if self.fleet.is_local else ""}

    def _run_dir(self, name: str) -> Path:
        return self.out / (TOGETHER if self.is_together else folder_name(name))

    def _choose(self, asked: Sequence[str]) -> list[str]:
        """The hosts that take part, each asked what it is; resumed runs wait for any away."""
        try:
            present, faults = self.fleet.look()
        except HostLostError:
            if not (self.is_resumed and asked):
                raise
            present, faults = {}, {}
        unfit = {name: fault for name, fault in faults.items() if not asked or name in asked}
        names = [name for name in dict.fromkeys(asked or present) if name not in unfit]
        for name, (summary, fault) in describe_hosts(self.fleet, names, self.flag).items():
            if fault := fault or self._root_fault(name):
                unfit |= {name: fault} if summary or not self.is_resumed else {}
            elif self.is_divided and summary:
                self._add_maker(name, summary.host)
        if unfit or not (asked or present):
            what = "; ".join(f"{n}: {fault}" for n, fault in unfit.items()) or "no worker is there"
            remedy = "Nothing was measured. Mend that, or name the others with --hosts."
            raise UsageError(where=self.fleet.address, what=what, remedy=remedy)
        return names

    def _add_maker(self, name: str, host: HostFacts) -> None:
        """A host with other libraries would make other files."""
        if host.library_versions == all_library_versions():
            self._makers.append(name)
        else:
            message = "its libraries are not those of here, so that it makes no encodings."
            self.say(name, Noted(message=message))

    def _root_fault(self, name: str) -> str:
        """Why the host has not all roots; empty where it has, and of a host that is lost."""
        for job in clearing_jobs(self.scenario.roots, self._run_dir(name)):
            try:
                answer = self.perform(name, job, CLEARING_S).answer
            except HostLostError:
                return ""
            if not isinstance(answer, PlacedFiles):
                return refusal(answer, f'root "{job.root.name}"')
        return ""

    def _pass_on(self, host: str, events: Iterator[Event]) -> Any:
        """Tell all that happens; what the generator of it returns."""
        while True:
            try:
                event = next(events)
            except StopIteration as end:
                return end.value
            self.say(host, event)

    def say(self, host: str, event: Event) -> None:
        """Tell what happened on a host, from any thread."""
        with self._told:
            self.tell(host, event)

    def _all_at_once(self, names: Sequence[str]) -> dict[str, MezzmarkError]:
        """Every host in a thread of its own: why each that is not done is not."""
        failures: dict[str, Any] = {}

        def follow(name: str) -> None:
            try:
                self.patiently(name, partial(self._session, name))
            except BaseException as error:  # raised where the command is
                failures[name] = error

        self.at_once([partial(follow, name) for name in names])
        for error in failures.values():
            if not isinstance(error, MezzmarkError):
                raise error
        return failures

    def at_once(self, works: Sequence[Callable[[], None]]) -> None:
        """Each in a thread of its own, while signals are heard here; no thread is ever left."""
        threads = [threading.Thread(target=work) for work in works]
        try:
            for thread in threads:
                thread.start()
            while any(thread.is_alive() for thread in threads):
                time.sleep(POLL_S)
        finally:
            if any(thread.is_alive() for thread in threads):
                self.flag.signal_name = self.flag.signal_name or "SIGINT"
            for thread in threads:
                thread.join()

    def patiently(self, name: str, session: Callable[[], Iterator[Event]]) -> None:
        """Measure until the run is over; a host that is lost is waited for, and the run resumed."""
        told, heard_s = "", time.monotonic()
        while True:
            asked_s = time.monotonic()
            try:
                with self._turn if self.is_in_turn else nullcontext():
                    heard_s += time.monotonic() - asked_s
                    for event in session():
                        self.say(name, event)
                        told, heard_s = "", time.monotonic()
                return
            except HostLostError as fault:
                if told != fault.what:
                    self.say(name, Noted(message=f"lost: {fault.where}: {fault.what}"))
                    told = fault.what
                if time.monotonic() - heard_s > self.patience_s:
                    raise
            until_s = time.monotonic() + AGAIN_S
            while time.monotonic() < until_s and not self.flag.is_set():
                time.sleep(POLL_S)
            if self.flag.is_set():
                raise stopped()

    def _session(self, name: str) -> Iterator[Event]:
        """From a host that is there, or all together, to the end of the run, or to a loss."""
        perform, footage = self._together() if self.is_together else self._alone(name)
        yield from self.follow(self.scenario, self._run_dir(name), perform, footage)

    def follow(
        self, scenario: Scenario, run_dir: Path, perform: Perform, footage: Footage
    ) -> Iterator[Event]:
        """A run whose jobs are done elsewhere, to its end or to a loss."""
        yield from run_scenario(
            scenario,
            run_dir=run_dir,
            cache_dir=self.cache_dir,
            resume=True,  # that the folder is free was seen at the beginning
            dispatch=Elsewhere(perform),
            footage=footage,
        )

    def _alone(self, name: str) -> tuple[Perform, Footage]:
        host = self.describe(name)
        footage = replace(self.footage_on(name), noted=partial(measured_by, host))
        if not self.is_divided:
            return partial(self.perform, name), footage
        scratch_dir = str(self.out / folder_name(name))
        self._judges.expect(name, host, self.scenario, footage, scratch_dir=scratch_dir)
        return partial(self._judges.perform, name), footage

    def _together(self) -> tuple[Perform, Footage]:
        host = hosts_as_one([self.describe(name) for name in self._names])
        here = self.footage.media
        paths: dict[str, dict[str, str]] = {name: {} for name in self._names}
        for name in self._names:
            for pair, there in self.footage_on(name).media.items():
                paths[name][here[pair].media_path] = there.media_path
                paths[name][here[pair].index_path] = there.index_path
        party = Together(do=self.perform, reach=self.fleet.home_address, paths=paths, **self._home)
        return party.perform, replace(self.footage, noted=partial(measured_by, host))

    def describe(self, name: str) -> HostFacts:
        """The host, if it is there and may measure; else HostLostError."""
        summary = ask(HostSummary, self.fleet, name, Describe(name=name), self.flag)
        if fault := unlike(summary):
            raise lost(name, fault)
        return summary.host

    def perform(self, name: str, job: Job, timeout_s: float, *, to: str = "") -> Performed:
        """A job done on the host, and what it makes sent `to` home. What is the host's fault and no
        job's is its loss. Copies are removed once all is to end, too."""
        scratch_dir = getattr(job, "scratch_dir", "")
        is_on_root = bool(scratch_dir) and self.out not in Path(scratch_dir).parents
        own = {
            "scratch_dir": scratch_dir and not is_on_root,
            "cache_dir": hasattr(job, "cache_dir"),
        }
        asked = DoJob(
            job=job.model_dump_json(),
            timeout_s=timeout_s,
            own_folders=tuple(field for field, is_own in own.items() if is_own),
            is_shared=self.is_together and self.fleet.is_local,
            to=to,
        )
        is_last = self.flag.is_set() and isinstance(job, PlaceFilesJob) and job.is_over
        how = (StopFlag(), CLEARING_S) if is_last else (self.flag, None)
        done = ask(Performed, self.fleet, name, asked, *how)
        match done.answer:
            case JobFailed(exit_code=DiskFullError.exit_code) as full if (
                job.task in TASKS and not is_on_root  # elsewhere there may be room
            ):
                raise lost(name, f"{full.where}: {full.what}")
            case WorkerFailed(outcome="cancelled"):
                raise lost(name, "the trial was ended there")
            case Measured(measurement=found):
                measured: Any = found
                if measured.task != job.task or TASKS[job.task].busy_ns(measured) > done.wall_ns:
                    raise lost(name, "it answered with what cannot have been measured")
        return done.model_copy(update={"judged_by": ""})  # no host speaks for another one

    def footage_on(self, name: str) -> Footage:
        """The footage as it lies on the host. Stored pictures are made there: decoding gives the
        same ones, and they are many times larger."""
        here = self.footage.media
        there = dict(zip(here, self._there(name, [*here.values()]), strict=True))
        settings, pictures = self.scenario.settings(EncodeSettings), {}
        for clip, pixel_format in self.footage.pictures if settings else ():
            job = PreparePicturesJob(
                source=there[clip, ORIGINAL],
                pixel_format=pixel_format,
                frame_count=settings.frames if settings else 0,
                limit_bytes=PICTURES_LIMIT_BYTES // len(self.footage.pictures),
                cache_dir="",
            )
            made = self.perform(name, job, SILENCE_S).answer
            if isinstance(made, PreparedMedia):
                pictures[clip, pixel_format] = made.media.media_path
        return replace(self.footage, media=there, pictures=pictures)

    def _depot_at(self, name: str) -> str:
        """Where files change hands, as the host reaches it."""
        return f"{self.fleet.home_address(name)}:{self._depot.port}"

    def _there(self, name: str, media: Sequence[MediaReference]) -> list[MediaReference]:
        """Media of home as they lie on the host, once it has them all."""
        wanted = {path: self._depot.offer(Path(path)) for one in media for _, path in one}
        files = tuple(dict.fromkeys(wanted.values()))
        asked = Fetch(source=self._depot_at(name), path=self._depot.path, files=files)
        paths = ask(Fetched, self.fleet, name, asked, self.flag).paths
        if {one.sha256 for one in files} - paths.keys():
            raise lost(name, "prepared files did not arrive")
        return [
            MediaReference.model_validate({f: paths[wanted[path].sha256] for f, path in one})
            for one in media
        ]


def measured_by(host: HostFacts, manifest: Manifest) -> Manifest:
    """The manifest of a run that this machine measures."""
    return manifest.model_copy(update={"host": host, "host_id": host_id(host)})

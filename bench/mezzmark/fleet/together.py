"""One trial on several machines at once: editors who sit at them and share one storage.

For `run_scenario` they are one machine: a job goes to all, and one answer comes of theirs. Files
lie elsewhere on each: what home's jobs call them is exchanged for what they are called there. They
meet at a gate at home: each comes with a request over HTTP, and all are answered at the same time
when the last one is there. Within which time all had begun is known without any clock but home's:
from the moment of that answer to the last word that somebody has. Long because gate and machines
make sense of each other only.
"""

import json
import ssl
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import partial
from hashlib import sha256
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from secrets import token_urlsafe
from typing import Any, Final

from mezzmark.engines.play.gate import SILENCE_S
from mezzmark.fleet.files import serving
from mezzmark.fleet.scheduler import named_of
from mezzmark.model.errors import EngineError, UsageError
from mezzmark.model.fleet import Performed
from mezzmark.model.jobs import Job, JobFailed, Measured, read_job
from mezzmark.model.preparations import Answer, PlacedFiles, PlaceFilesJob
from mezzmark.model.records import HostMoment
from mezzmark.model.run import HostFacts
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.editors import EditorsSettings
from mezzmark.model.tasks.spec import LOCAL, ProcessFacts
from mezzmark.model.tasks.streams import GATE_WAIT, Gathered, StreamsJob, StreamsMeasurement
from mezzmark.model.tasks.streams import Gate as GateAddress

TOGETHER: Final = "together"
"""The name of the run's folder, and of all machines where one is told of."""


def scenario_together(scenario: Scenario, host_count: int) -> Scenario:
    """The scenario whose editors sit at so many machines. UsageError for anything else."""
    table = scenario.settings(EditorsSettings)
    roots = [root.name for root in scenario.roots]
    if table and table.roots:
        roots = [name for name in table.roots if name != LOCAL]
    is_modelled = table is not None and table.links != ("local",)
    if table is None or len(scenario.tasks) > 1 or not roots or is_modelled:
        raise UsageError(
            where=f'scenario "{scenario.name}"',
            what="together machines measure editors on one root, over their own network, and "
            "nothing else",
            remedy="Give it the table [editors] alone, without links, and a root: [[roots]] or "
            "--root.",
        )
    own = table.model_copy(update={"hosts": host_count, "roots": tuple(roots)})
    return scenario.but(editors=own.model_dump())


ANSWER_S: Final = SILENCE_S / 3  # who waits is told so after so long, and asks again
MAX_TEXT_BYTES: Final = 2**20  # what a machine's players came to takes 100 bytes a player


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
        """What all said at this step, `GATE_WAIT` where not all are there, None where it broke."""
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


@dataclass(slots=True, kw_only=True)
class Together:
    """The machines: `do` has one do a job; `paths`, in the order in which editors take seats, is
    what each calls what home's jobs name."""

    do: Callable[[str, Job, float], Performed]
    reach: Callable[[str], str]
    context: ssl.SSLContext | None
    interface: str
    paths: dict[str, dict[str, str]]

    def perform(self, job: Job, timeout_s: float) -> Performed:
        """The job done by all at the same time; raises what one of them raised."""
        with ExitStack() as at_end:
            jobs, gate = {name: self._there(job, name) for name in self.paths}, None
            if isinstance(job, StreamsJob):
                kept = kept_gate(len(jobs), context=self.context, interface=self.interface)
                gate, port = at_end.enter_context(kept)
                jobs = {
                    name: one.model_copy(update={"gate": self._address(name, gate, port)})
                    for name, one in jobs.items()
                }
            threads = at_end.enter_context(ThreadPoolExecutor(len(jobs)))
            futures = [threads.submit(self._do, jobs[n], n, timeout_s, gate) for n in self.paths]
        found = [future.result() for future in futures if not future.exception()]
        for future in futures:
            future.result()
        if isinstance(job, PlaceFilesJob):
            self._learn([done.answer for done in found])
        return performed_together(
            dict(zip(self.paths, found, strict=True)), gate.broken_by if gate else ""
        )

    def _do(self, job: Job, name: str, timeout_s: float, gate: Gate | None) -> Performed:
        """A host that fails lets go those who wait for it."""
        done = None
        try:
            done = self.do(name, job, timeout_s)
        finally:
            if gate and (done is None or not isinstance(done.answer, Measured)):
                gate.break_up(name)
        return done

    def _address(self, name: str, gate: Gate, port: int) -> GateAddress:
        place, source = list(self.paths).index(name), f"{self.reach(name)}:{port}"
        return GateAddress(source=source, path=gate.path, place=place, hosts=gate.hosts)

    def _there(self, job: Job, name: str) -> Job:
        """The job in the words of the host: its paths, and on a root a folder of its own."""
        paths = self.paths[name]
        data = exchanged(json.loads(job.model_dump_json()), paths)
        folder = Path(data.get("scratch_dir") or "")
        if there := paths.get(str(folder.parent)):
            data["scratch_dir"] = f"{there}/{folder.name}"
        if isinstance(job, PlaceFilesJob):
            data["owner"] = sha256(f"{job.owner}{name}".encode()).hexdigest()[:12]
        return read_job(json.dumps(data).encode())

    def _learn(self, answers: Sequence[Answer]) -> None:
        """Where each has its copies: home calls them as the first does."""
        first = answers[0]
        for name, placed in zip(self.paths, answers, strict=True):
            if isinstance(first, PlacedFiles) and isinstance(placed, PlacedFiles):
                pairs = zip(first.files, placed.files, strict=True)
                self.paths[name] |= {ours.path: theirs.path for ours, theirs in pairs}
                self.paths[name][first.folder] = placed.folder


def exchanged(value: Any, paths: Mapping[str, str]) -> Any:
    """JSON in which every text that names one of the paths names the other one."""
    if isinstance(value, dict):
        return {key: exchanged(one, paths) for key, one in value.items()}
    if isinstance(value, list):
        return [exchanged(one, paths) for one in value]
    return paths.get(value, value) if isinstance(value, str) else value


def performed_together(by_host: Mapping[str, Performed], failed: str) -> Performed:
    """One result of all: times run from the first start to the longest; of moments the worst.
    `failed` is the host that failed first and let the others go, or empty."""
    found = list(by_host.values())
    return Performed(
        answer=answer_together({name: done.answer for name, done in by_host.items()}, failed)
        or max(found, key=lambda done: done.wall_ns).answer,
        started_utc=min(done.started_utc for done in found),
        wall_ns=max(done.wall_ns for done in found),
        host_before=worst_moment([done.host_before for done in found]),
        host_during=worst_moment([done.host_during for done in found]),
    )


def answer_together(by_host: Mapping[str, Answer], failed: str) -> Answer | None:
    """A failure of one is that of all, and the measurements of editors are one; None where that of
    the slowest machine counts. What was placed by the first is called as it calls it."""
    kinds = Measured | PlacedFiles
    bad = {name: one for name, one in by_host.items() if not isinstance(one, kinds)}
    if bad:
        name = failed if failed in bad else next(iter(bad))
        answer: Answer = named_of(name, bad[name])
        return answer
    answers = list(by_host.values())
    if isinstance(answers[0], Measured):
        is_joint = isinstance(answers[0].measurement, StreamsMeasurement)
        return measured_together(answers) if is_joint else None
    return next((one for one in answers if one != PlacedFiles()), PlacedFiles())


def measured_together(answers: Sequence[Any]) -> Answer:
    """All know the same numbers, and each has proved its own pictures."""
    measured = [answer.measurement for answer in answers]
    if any(one.levels != measured[0].levels for one in measured):
        what = "the machines do not agree on what they measured together"
        return JobFailed.by(EngineError(where=TOGETHER, what=what, remedy="Measure again."))
    proof = tuple(one for each in measured for one in each.proof)
    used = [answer.process for answer in answers]
    peaks = [one.peak_rss_bytes for one in used if one.peak_rss_bytes is not None]
    return Measured(
        measurement=measured[0].model_copy(update={"proof": proof}),
        process=ProcessFacts(
            cpu_ns=sum(one.cpu_ns for one in used), peak_rss_bytes=max(peaks, default=None)
        ),
        flags=tuple(dict.fromkeys(flag for answer in answers for flag in answer.flags)),
    )


def worst_moment(moments: Sequence[HostMoment]) -> HostMoment:
    """Field by field the most of what was told, of the frequency the least."""
    found = {}
    for name in HostMoment.model_fields:
        told = [value for one in moments if (value := getattr(one, name)) is not None]
        pick = min if name == "frequency_mhz" else max
        found[name] = pick(told) if told else None
    return HostMoment(**found)


def hosts_as_one(hosts: Sequence[HostFacts]) -> HostFacts:
    """What is alike is said once; of numbers that differ the least, of texts all."""
    names = HostFacts.model_fields
    found = {name: value_of_all([getattr(host, name) for host in hosts]) for name in names}
    versions = [host.library_versions for host in hosts]
    found["library_versions"] = {
        name: value_of_all([each.get(name, "none") for each in versions])
        for name in dict.fromkeys(name for each in versions for name in each)
    }
    return HostFacts(**found)


def value_of_all(values: Sequence[Any]) -> Any:
    """None where somebody does not tell, or values cannot be set beside each other."""
    if all(value == values[0] for value in values):
        return values[0]
    if all(isinstance(value, str) for value in values):
        return " + ".join(dict.fromkeys(values))
    return min(values) if all(isinstance(value, int | float) for value in values) else None

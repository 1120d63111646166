"""A fleet within this process: what comes home, what is refused, what a lost host costs."""

import logging
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from hashlib import sha256
from itertools import pairwise
from pathlib import Path

import pytest

pytest.importorskip("distributed")

from distributed import Scheduler, SpecCluster, Worker

from fixtures import planted_pickles
from fixtures.three_hosts import HERE, Hosts, make_certificates
from mezzmark import api
from mezzmark.cli.views import print_fleet
from mezzmark.engines.media.placed_files import place_files
from mezzmark.fleet import machine_lock, measure, on_host, scheduler
from mezzmark.fleet.files import kept_depot, pull
from mezzmark.fleet.hosts import read_security
from mezzmark.fleet.measure import folder_name
from mezzmark.fleet.scheduler import (
    Fleet,
    HostLostError,
    TextClient,
    connected,
)
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.errors import (
    DestinationError,
    InterruptedRunError,
    MezzmarkError,
    NotMadeError,
    UsageError,
)
from mezzmark.model.fleet import Describe, DoJob, Reply, WantedFile
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.jobs import JobFailed, PreparedMedia, WorkerFailed
from mezzmark.model.players import PLAYERS
from mezzmark.model.preparations import PrepareEncodingJob, job_format
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.kernel import KERNEL_CELL
from mezzmark.model.tasks.spec import MediaReference
from mezzmark.model.tasks.streams import StreamsJob
from mezzmark.runner.events import Noted
from mezzmark.runner.in_turn import Environment
from mezzmark.runner.prepare import Footage
from mezzmark.runner.run import run_scenario
from mezzmark.store import run_store
from mezzmark.store.run_store import read_run
from simulation import coverage_tables
from simulation.synthetic_engine import SyntheticEngine, Truth
from simulation.synthetic_footage import synthetic_footage

ENGINE = SyntheticEngine(usual=Truth(median_ms=0.0001), seed=5)
PLAN = Scenario(
    name="synthetic",
    seed=3,
    rounds=2,
    clips=(ClipSpec(name="a", recipe=Recipe()),),
    encodings=("original", "vc3-sq"),
    scrub={"requests": 3},
)


def synthetic_worker(job, timeout_s, **_) -> Iterator[object]:
    yield ENGINE(job, timeout_s)


def footage_in(folder: Path) -> Footage:
    """Prepared files that hold the name of their encoding."""
    footage = synthetic_footage(PLAN)
    for pair in footage.media:
        path = folder / f"{pair[1]}.mov"
        path.write_bytes(pair[1].encode())
        footage.media[pair] = MediaReference(media_path=str(path), index_path=str(path))
    footage.media_manifests = [
        one.model_copy(update={"fingerprint": sha256(one.encoding.encode()).hexdigest()})
        for one in footage.media_manifests
    ]
    return footage


@pytest.fixture
def own_machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A machine with a lock, a cache and footage of its own, whose trials are made up."""

    def prepared(scenario, **_):
        yield from ()
        return footage_in(tmp_path)

    import mezzmark

    here = Environment(
        job_format=job_format(), mezzmark=mezzmark.__version__, python="P", library_versions={}
    )
    monkeypatch.setenv("MEZZMARK_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr(on_host, "ask_environment", lambda _: here)
    monkeypatch.setattr(on_host, "run_worker", synthetic_worker)
    monkeypatch.setattr(measure, "prepare_footage", prepared)
    monkeypatch.setattr(measure, "AGAIN_S", 0.05)
    return tmp_path


def test_two_hosts_do_what_each_would_do_by_hand(own_machine: Path) -> None:
    """Equal places, cells, seeds, fingerprints; each host by its worker's name; no two trials of
    the machine at a time, since its workers share one lock."""
    found = api.fleet_measure(PLAN, local=2, out=own_machine / "out", cache=own_machine)
    runs = {name: read_run(run_dir) for name, run_dir in found.items()}
    alone = own_machine / "alone"
    given = {"footage": footage_in(own_machine), "dispatch": ENGINE.dispatch}
    list(run_scenario(PLAN, run_dir=alone, cache_dir=own_machine, **given))

    def plan(run):
        trials = sorted(run.trials, key=lambda t: (t.round_index, t.position))
        return run.manifest.media, [(t.position, t.cell.cell_id, t.seed) for t in trials]

    assert [*runs] == ["local-1", "local-2"]
    assert all(plan(run) == plan(read_run(alone)) for run in runs.values())
    assert {n: run.manifest.host.host_label for n, run in runs.items()} == {n: n for n in runs}
    spans = [
        (datetime.fromisoformat(t.started_utc), timedelta(microseconds=t.wall_ns // 1000))
        for run in runs.values()
        for t in run.trials
    ]
    assert len(spans) == 2 * len(read_run(alone).trials)
    assert all(a + took <= b for (a, took), (b, _) in pairwise(sorted(spans)))


def test_a_host_that_fails_is_resumed(own_machine: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A trial lost on the way is told by host and done again; none is doubled or missing."""
    count = 0

    def failing(job, timeout_s, **given):
        nonlocal count
        count += 1
        if count in (2, 5):
            raise OSError("storage broke")
        return synthetic_worker(job, timeout_s, **given)

    monkeypatch.setattr(on_host, "run_worker", failing)
    told = []
    asked = {"local": 1, "in_turn": True, "out": own_machine / "out", "cache": own_machine}
    [run_dir] = api.fleet_measure(PLAN, on_event=lambda *one: told.append(one), **asked).values()
    faults = [(host, e.message) for host, e in told if isinstance(e, Noted) and "lost" in e.message]
    assert [host for host, _ in faults] == ["local-1"] * 2
    trials = read_run(run_dir).trials
    assert len({(t.round_index, t.position) for t in trials}) == len(trials) == count - 2


def test_ctrl_c_ends_it_everywhere_and_resume_goes_on(
    own_machine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the fourth trial runs: the host hears that it is no longer wanted, InterruptedRunError,
    three trials are on disk; then the rest."""
    jobs, ended = [], []

    def hanging(job, timeout_s, *, is_cancelled, **_):
        jobs.append(job)
        if len(jobs) != 4:
            yield ENGINE(job, timeout_s)
            return
        signal.raise_signal(signal.SIGTERM)  # tests in the background ignore SIGINT
        while not is_cancelled():
            time.sleep(0.01)
        ended.append(job)
        yield WorkerFailed(outcome="cancelled", reason="")

    monkeypatch.setattr(on_host, "run_worker", hanging)
    asked = {"local": 1, "out": own_machine / "out", "cache": own_machine}
    with pytest.raises(InterruptedRunError):
        api.fleet_measure(PLAN, **asked)
    [run_dir] = (own_machine / "out").iterdir()
    before = read_run(run_dir).trials
    assert (len(before), len(ended)) == (3, 1)
    api.fleet_measure(PLAN, resume=True, **asked)
    assert read_run(run_dir).trials[:3] == before
    assert read_run(run_dir).manifest.stop_reason


def test_seed_and_time_budget_are_those_of_measure(own_machine: Path) -> None:
    """Both are stored in the host's run; to resume it with another seed is refused."""
    asked = {"local": 1, "out": own_machine / "out", "cache": own_machine}
    given = {"seed": 11, "time_budget": 500.0, "rounds": 1}
    [run_dir] = api.fleet_measure(PLAN, **given, **asked).values()
    stored = read_run(run_dir).manifest.scenario
    assert (stored.seed, stored.time_budget_s, stored.rounds) == (11, 500.0, 1)
    with pytest.raises(MezzmarkError, match="seed"):
        api.fleet_measure(PLAN, resume=True, seed=12, **asked)


def test_nothing_begins_where_a_host_cannot_take_part(
    own_machine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A host that is not there, one without the root: UsageError, and no folder is left."""
    asked = {"local": 1, "out": own_machine / "out", "cache": own_machine}
    with pytest.raises(UsageError):
        api.fleet_measure(PLAN, hosts="nobody", **asked)
    monkeypatch.setattr(on_host, "run_worker", OnShare())
    with pytest.raises(UsageError, match="share"):
        api.fleet_measure(on_share(own_machine / "not-mounted"), **asked)
    assert not (own_machine / "out").exists()


@pytest.mark.parametrize("is_honest", [True, False])
@pytest.mark.parametrize("libraries", [{}, {"libavcodec": "1"}])
def test_an_encoding_made_by_a_host_comes_home(
    own_machine: Path, monkeypatch: pytest.MonkeyPatch, libraries: dict[str, str], is_honest: bool
) -> None:
    """The host encodes the bytes that home has, and its file arrives for home's worker; one of
    another digest than the host says is refused, and home makes it, as where libraries differ."""
    answer = PreparedMedia(
        media=MediaReference(media_path=str(own_machine / "made there"), index_path=""),
        fingerprint=sha256(b"clip, encoded").hexdigest(),
        **{"file_bytes": 1, "frame_count": 1, "duration_s": 1, "was_cached": False},
    )
    came, told = [], []

    def there(job, timeout_s, **given):
        if isinstance(job, PrepareEncodingJob):
            text = f"{Path(job.source.media_path).read_text()}, {'encoded' if is_honest else 'cut'}"
            Path(answer.media.media_path).write_text(text)
            yield answer
            return
        yield from synthetic_worker(job, timeout_s, **given)

    def here(job, timeout_s, **_):
        if job.is_sought:
            yield JobFailed.by(NotMadeError(where="x", what="missing", remedy="-"))
            return
        came.append((job.made_by, job.made_path and Path(job.made_path).read_text()))
        yield answer

    def prepared(_scenario, *, dispatch, cache_dir, **_):
        yield from ()
        (own_machine / "clip.mov").write_text("clip")
        clip = dict.fromkeys(("media_path", "index_path"), str(own_machine / "clip.mov"))
        given = {"source": MediaReference(**clip), "encoding": find_encoding("ffv1")}
        list(dispatch(PrepareEncodingJob(**given, thread_count=4, cache_dir=""), 1.0))
        return footage_in(own_machine)

    monkeypatch.setattr(measure, "all_library_versions", lambda: libraries)
    monkeypatch.setattr(measure, "prepare_footage", prepared)
    monkeypatch.setattr(measure, "run_worker", here)
    monkeypatch.setattr(on_host, "run_worker", there)
    asked = {"local": 1, "out": own_machine / "out", "cache": own_machine / "home"}
    api.fleet_measure(
        PLAN, divide_work=True, on_event=lambda host, one: told.append((host, one)), **asked
    )
    is_used = is_honest and not libraries
    said = [one.message for _, one in told if isinstance(one, Noted)]
    assert came == ([("local-1", "clip, encoded")] if is_used else [("", "")]), said
    assert any("libraries" in text for text in said) is bool(libraries)
    assert any("not what it says" in text for text in said) is not (is_used or bool(libraries))
    assert not list((own_machine / "home").glob(".sent*"))


@pytest.fixture
def own_days(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each check begins on a day of its own."""
    days = iter(range(1, 9))
    named = lambda out: out / f"202603{next(days):02d}T100000Z"  # noqa: E731
    monkeypatch.setattr(run_store, "new_check", named)


@pytest.mark.usefixtures("own_days")
def test_a_check_is_measured_and_judged_by_the_one_before(own_machine: Path) -> None:
    """The first begins the history of both hosts; the second, in a folder of its own, compares each
    with its first; `resume` goes on with the newest and begins no other."""
    plan = PLAN.model_copy(update={"rounds": 3, "minimum_rounds": 3})
    asked = {"local": 2, "out": own_machine / "out", "cache": own_machine}
    first = api.fleet_check(plan, **asked)
    assert (first.verdict, first.exit_code, len(first.hosts)) == (None, 0, 2)
    second = api.fleet_check(plan, **asked)
    before = {run.parent.name: run for run in asked["out"].glob("20260301*/*/manifest.json")}
    assert {h.host: h.report.baseline_run_ids for h in second.hosts} == {
        host: (read_run(run.parent).manifest.run_id,) for host, run in before.items()
    }
    assert {host.label for host in second.hosts} == {"local-1", "local-2"}
    cells = {t.cell for t in read_run(next(iter(before.values())).parent).trials} - {KERNEL_CELL}
    assert [{c.cell for c in host.report.cells} for host in second.hosts] == [cells] * 2
    assert second.family == 2 * len(cells)
    assert api.fleet_check(plan, resume=True, **asked) == second
    assert api.fleet_check(judge_only=True, out=asked["out"]) == second
    assert len([*asked["out"].glob("2*Z")]) == 2


@pytest.mark.usefixtures("own_days")
def test_a_check_judges_the_others_where_a_host_is_lost(
    own_machine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A host that fails for good is told with its fault, and what it has is no pass; a stop is no
    answer."""

    def failing(job, timeout_s, **given):
        if os.environ.get("FAILING") == "1":
            raise OSError("storage broke")
        return synthetic_worker(job, timeout_s, **given)

    plan = PLAN.model_copy(update={"rounds": 3, "minimum_rounds": 3})
    monkeypatch.setattr(on_host, "run_worker", failing)
    asked = {"local": 1, "patience": 0, "out": own_machine / "out", "cache": own_machine}
    assert api.fleet_check(plan, **asked).exit_code == 0
    monkeypatch.setenv("FAILING", "1")
    found = api.fleet_check(plan, **asked)
    assert "storage broke" in found.faults[0]
    assert (found.exit_code, found.hosts[0].is_finished) == (12, False)
    with pytest.raises(UsageError):
        api.fleet_check(plan, hosts="nobody", **asked)


def on_share(path: Path) -> Scenario:
    table = {"requests": 3, "roots": ["local", "share"]}
    return PLAN.but(roots=[{"name": "share", "path": str(path)}], scrub=table)


class OnShare:
    """In place of workers: copies are made and removed, all else is made up; what was read."""

    def __init__(self) -> None:
        self.read: dict[str, str] = {}
        self.stops_at = 10**6

    def __call__(self, job, timeout_s, *, is_cancelled, **_):
        if job.task == "place-files":
            time.sleep(2 * scheduler.POLL_S if len(self.read) >= self.stops_at else 0)
            if is_cancelled():
                return
            try:
                yield place_files(job, lambda *_: None)
            except DestinationError as error:
                yield JobFailed.by(error)
            return
        if job.task == "scrub":
            path = Path(job.media[0].media_path)
            self.read[str(path.parent)] = path.read_text()
            if len(self.read) >= self.stops_at:
                signal.raise_signal(signal.SIGTERM)
                while not is_cancelled():
                    time.sleep(0.01)
                return
        yield ENGINE(job, timeout_s)


def test_each_host_has_a_root_in_its_own_place(
    own_machine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The place that the host names, and not the scenario's: each host reads copies of its own
    there, which are gone in the end, other files not; no run tells a path."""
    share = own_machine / "mounted"
    share.mkdir()
    (share / "film.mov").write_text("somebody's")
    workers = OnShare()
    monkeypatch.setattr(on_host, "run_worker", workers)
    monkeypatch.setenv(on_host.ROOTS_VARIABLE, f"other=/x{os.pathsep}share={share}")
    asked = {"local": 2, "out": own_machine / "out", "cache": own_machine}
    found = api.fleet_measure(on_share(Path("/nowhere/at/home")), **asked)
    copies = {folder for folder in workers.read if folder.startswith(str(share))}
    assert len(copies) == 2
    assert len({Path(folder).name.split("-")[1] for folder in copies}) == 2
    assert set(workers.read) - copies == {str(own_machine / "cache" / "fleet")}
    assert [path.name for path in share.iterdir()] == ["film.mov"]
    for run_dir in found.values():
        trials = [t for t in read_run(run_dir).trials if t.cell.setting["root"] == "share"]
        assert [t.outcome for t in trials] == ["finished"] * 4
        text = (run_dir / "manifest.json").read_text()
        assert str(share) not in text
        assert "nowhere" not in text


def test_a_stopped_fleet_leaves_no_copies(
    own_machine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Told to stop while a trial reads on the root: InterruptedRunError, and no copy is left."""
    share = own_machine / "mounted"
    share.mkdir()
    workers = OnShare()
    workers.stops_at = 2
    monkeypatch.setattr(on_host, "run_worker", workers)
    with pytest.raises(InterruptedRunError):
        api.fleet_measure(on_share(share), local=1, out=own_machine / "out", cache=own_machine)
    assert len(workers.read) == 2
    assert list(share.iterdir()) == []


def test_only_folders_of_home_become_the_hosts_own(
    own_machine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Streams read one file and have no folder on a host either; on a root a job's folder stays
    where the copies lie."""
    given = {
        "player": PLAYERS["slice"],
        "thread_count": 1,
        "viewer_height_px": 90,
        "refresh_hz": 60,
    }
    given |= {"seed": 1, "duration_s": 2, "most": 2}
    given["media"] = MediaReference(media_path="m", index_path="i")
    seen: list[str] = []

    def worker(job, _timeout_s, **_):
        seen.append(job.scratch_dir)
        yield WorkerFailed(outcome="crashed", reason="")

    monkeypatch.setattr(on_host, "run_worker", worker)
    with over_sockets() as address, connected(address, None) as fleet:
        run = measure.FleetRun(
            scenario=PLAN,
            fleet=fleet,
            out=own_machine / "out",
            cache_dir=own_machine,
            is_resumed=False,
            is_in_turn=False,
            patience_s=1,
            tell=lambda *_: None,
        )
        home = str(own_machine / "out" / folder_name("a") / "scratch-1")
        for folder in ("", home, "/share/mezzmark-1/scratch-1"):
            run.perform("a", StreamsJob(**given, scratch_dir=folder), 9)
    assert (seen[0], seen[2]) == ("", "/share/mezzmark-1/scratch-1")
    assert Path(seen[1]).parent == own_machine / "cache" / "fleet"


def test_a_machine_is_told_in_a_row(own_machine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With what it encodes where that was tried, and with the fault where it cannot measure."""
    found = api.fleet_list(local=1)
    summary, fault = found["local-1"]
    assert (summary.host.host_label, fault) == ("local-1", "")
    tried = summary.model_copy(update={"encodings": {"vc3-sq": "", "av1-long": "no encoder"}})
    print_fleet({"a": (tried, ""), "b": (None, "it is busy")})
    said = capsys.readouterr().out
    assert "1 encoding, not av1-long" in said
    assert "it is busy" in said


def test_a_request_never_raises() -> None:
    """Neither text that is none of ours nor one outside a worker: the reply says what was wrong."""
    for text in ("nonsense", '{"attempt": "x", "asked": {"kind": "describe", "name": "a"}}'):
        reply = Reply.model_validate_json(on_host.perform(text))
        assert reply.found.kind == "job_failed"


@pytest.mark.parametrize("name", ["../../etc", "a/b", "<script>", "\x1b[2J\n", "ä" * 90, ""])
def test_a_host_name_is_only_hinted_at_in_a_folder(name: str) -> None:
    """One part of a path, of letters, digits and dashes, and not that of a similar name."""
    folder = folder_name(name)
    assert Path(folder).name == folder
    assert folder.isascii()
    assert len(folder) <= 60
    assert folder != folder_name(f"{name} ")


def file_of(content: bytes) -> WantedFile:
    digest = sha256(content).hexdigest()
    return WantedFile(sha256=digest, file_bytes=len(content), suffix=".mov")


def test_files_arrive_whole_or_not_at_all(tmp_path: Path) -> None:
    """A file is pulled, found again, and pulled anew when its bytes changed; one of other bytes
    than were asked for is refused, and leaves nothing."""
    content = os.urandom(3_000_000)
    right, other = file_of(content), file_of(b"other")
    source = tmp_path / "source.mov"
    source.write_bytes(content)
    with kept_depot(context=None, interface="127.0.0.1") as depot:
        assert depot.offer(source) == right
        depot.offered[f"{depot.path}{other.sha256}"] = source
        given = {"source": f"127.0.0.1:{depot.port}", "path": depot.path, "context": None}
        given |= {"is_wanted": lambda: True, "folder": tmp_path / "there"}
        [there] = map(Path, pull([right], **given).values())
        assert there.read_bytes() == content
        there.write_bytes(bytes(len(content)))
        pull([right], **given)
        assert there.read_bytes() == content
        for wrong in ([other], [file_of(b"unknown")]):
            with pytest.raises(MezzmarkError):
                pull(wrong, **given)
        with pytest.raises(MezzmarkError):
            pull([other], **{**given, "path": "/guessed/"})
    assert list((tmp_path / "there").iterdir()) == [there]


@pytest.mark.skipif(os.name == "nt", reason="no process inherits a lock")
def test_a_child_keeps_the_machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The machine is held until the process that was handed the lock has ended, too."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr(machine_lock, "POLL_S", 0.01)
    with machine_lock.machine_lock(lambda: True) as held:
        waiting = (sys.executable, "-c", "input()")
        child = subprocess.Popen(waiting, stdin=subprocess.PIPE, pass_fds=held)
    looks = iter((True, True, False))
    with machine_lock.machine_lock(lambda: next(looks)) as held:
        assert held is None
    child.communicate(b"\n")
    with machine_lock.machine_lock(lambda: True) as held:
        assert held


@contextmanager
def over_sockets(security=None, name: str = "a", *, count: int = 1) -> Iterator[str]:
    """A scheduler and a worker (or none) that are reached as real ones are: its address."""
    place = {"host": "127.0.0.1", "dashboard_address": "127.0.0.1:0", "security": security}
    protocol = {"protocol": "tls" if security else "tcp"}
    offer = {"name": name, "nthreads": 1, "memory_limit": 0, "resources": {"mezzmark": 1}}
    with SpecCluster(
        scheduler={
            "cls": Scheduler,
            "options": {"port": 0, **place, **protocol},
        },
        workers={n: {"cls": Worker, "options": {**offer, **place}} for n in range(count)},
        silence_logs=logging.CRITICAL,
        security=security,
    ) as cluster:
        yield cluster.scheduler_address


def asked(fleet: Fleet, name: str = "a"):
    return fleet.ask(name, Describe(name=name), is_stopped=lambda: False, limit_s=20)


def test_nothing_that_a_worker_made_is_loaded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An object returned, an object raised, the answer of another attempt: HostLostError. What
    loading it runs did run in the worker's process, which made it, and not at home."""
    planted = tmp_path / "loaded"
    monkeypatch.setenv(planted_pickles.VARIABLE, str(planted))
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(sys.path))
    with over_sockets(count=0) as address, connected(address, None) as fleet:
        hosts = Hosts(tmp_path, {"": HERE, "a": HERE}, port=int(address.split(":")[-1]))
        hosts.start("a")
        try:
            while "a" not in fleet.look()[0]:
                time.sleep(0.1)
            for made in planted_pickles.MADE:
                monkeypatch.setattr(scheduler.on_host, "perform", made)
                with pytest.raises(HostLostError):
                    asked(fleet)
        finally:
            hosts.close()
    assert planted.read_text().split() == [str(hosts.processes["a"].pid)]


def test_a_worker_must_offer_the_resource_and_a_short_name(own_machine: Path) -> None:
    """A name that is a path or moves a cursor is data; one too long is refused, with the reason."""
    hostile = "../<b>\x1b[2J"
    with over_sockets(name=hostile) as address, connected(address, None) as fleet:
        assert asked(fleet, hostile).host.host_label == hostile
    with over_sockets(name="a" * 101) as address, connected(address, None) as fleet:
        assert [*fleet.look()[1]] == ["a" * 101]


def test_without_a_certificate_nobody_is_let_in(tmp_path: Path, own_machine: Path) -> None:
    """With one of the authority's the host answers; without, and with another authority's, not."""
    from distributed import Security

    folder, other = make_certificates(tmp_path / "certs"), make_certificates(tmp_path / "other")
    server = Security(
        tls_ca_file=str(folder / "ca.crt"),
        require_encryption=True,
        **{
            f"tls_{role}_{kind}": str(folder / f"{role}.{end}")
            for role in ("scheduler", "worker", "client")
            for kind, end in (("cert", "crt"), ("key", "key"))
        },
    )
    with over_sockets(server) as address:
        known = read_security(address, folder, is_insecure=False)
        with connected(address, known) as fleet:
            assert asked(fleet).host.host_label == "a"
        for unknown in (None, read_security(address, other, is_insecure=False)):
            with connected(address, unknown) as fleet, pytest.raises(HostLostError):
                asked(fleet)
    with pytest.raises(UsageError):
        read_security("tcp://127.0.0.1:1", folder, is_insecure=False)
    with pytest.raises(UsageError):
        read_security(address, None, is_insecure=False)


def test_a_worker_of_other_versions_is_refused(
    own_machine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Told with both versions, before any task."""
    with over_sockets() as address, connected(address, None) as fleet:
        assert fleet.look()[1] == {}
        fleet._judged.clear()
        monkeypatch.setitem(scheduler.OWN, "msgpack", "0.1")
        fleet._looked_s = 0.0
        assert "0.1" in fleet.look()[1]["a"]


def test_a_worker_that_did_not_answer_is_asked_again(
    own_machine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A machine that was too busy to say its versions is no machine of other versions for ever."""
    with over_sockets() as address, connected(address, None) as fleet:
        call = fleet._call
        monkeypatch.setattr(
            fleet, "_call", lambda op, **kw: {} if kw.get("msg") else call(op, **kw)
        )
        assert fleet.look() == ({}, {"a": "it does not answer"})
        monkeypatch.setattr(fleet, "_call", call)
        fleet._looked_s = 0.0
        present, faults = fleet.look()
        assert ([*present], faults) == (["a"], {})


def test_simulated_tables_are_those_of_one_machine(
    own_machine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Made on a host: the same rows in the same order."""
    every = coverage_tables.tables()
    monkeypatch.setattr(coverage_tables, "tables", lambda: every[5:8])
    given = {"serializers": ["msgpack"], "deserializers": ["msgpack"]}
    with over_sockets() as address, TextClient(address, **given) as client:
        spread = [list(map(tuple, rows)) for rows in coverage_tables.spread_rows(client, 4)]
    alone = [list(map(tuple, coverage_tables.rows_of(place, 4))) for place in range(3)]
    assert spread == alone
    assert all(alone)


def test_what_submit_is_given_travels_by_name() -> None:
    """Functions by value die on another Python: it is one of the installed package."""
    assert on_host.perform.__module__ == "mezzmark.fleet.on_host"
    assert DoJob(job="{}", timeout_s=1).kind == "do"

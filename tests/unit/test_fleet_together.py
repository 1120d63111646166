"""Several machines at one trial: they meet, judge alike, and one that fails lets the others go."""

import time
from concurrent.futures import ThreadPoolExecutor
from http.client import HTTPConnection
from itertools import chain
from pathlib import Path

import pytest

pytest.importorskip("distributed")

from mezzmark import api
from mezzmark.engines.play.gate import Meeting
from mezzmark.fleet import together as home
from mezzmark.fleet.together import (
    Together,
    exchanged,
    hosts_as_one,
    kept_gate,
    performed_together,
    scenario_together,
)
from mezzmark.host.common import read_host_facts
from mezzmark.model.errors import EngineError, UsageError
from mezzmark.model.fleet import Performed
from mezzmark.model.jobs import JobFailed, Measured, WorkerFailed
from mezzmark.model.players import PLAYERS
from mezzmark.model.preparations import PlacedFile, PlacedFiles, PlaceFilesJob
from mezzmark.model.records import HostMoment
from mezzmark.model.scenario import RootSettings, Scenario
from mezzmark.model.tasks.kernel import KernelJob, KernelMeasurement
from mezzmark.model.tasks.spec import MediaReference, ProcessFacts
from mezzmark.model.tasks.streams import Gate, Level, StreamsJob, StreamsMeasurement

OWN = {"context": None, "interface": "127.0.0.1"}
PLAN = {
    "name": "shared",
    "seed": 1,
    "clips": [{"name": "a", "recipe": {}}],
    "roots": [{"name": "share", "path": "/mnt/share"}],
    "editors": {"most": 4},
}


def places(gate: home.Gate, port: int) -> list[Meeting]:
    source = f"127.0.0.1:{port}"
    given = {"source": source, "path": gate.path, "hosts": gate.hosts}
    return [Meeting(Gate(place=place, **given)) for place in range(gate.hosts)]


def test_all_hear_what_all_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """In the order of their places, however long the last one takes, at each step anew; and how far
    apart they had begun at the step before."""
    monkeypatch.setattr(home, "ANSWER_S", 0.05)
    with kept_gate(3, **OWN) as (gate, port), ThreadPoolExecutor(3) as threads:

        def say(place: int, meeting: Meeting) -> list[object]:
            time.sleep(0.2 * (place == 0))
            first = meeting.gather("1-start", f"text {place}")
            time.sleep(0.05 * place)
            meeting.tell_begun("1-start")
            return [first, meeting.gather("1-end", str(place))]

        heard = list(threads.map(say, range(3), places(gate, port)))
    assert heard[0] == heard[1] == heard[2]
    first, second = heard[0]
    assert first.texts == ("text 0", "text 1", "text 2")
    assert first.spread_ns == 0
    assert second.texts == ("0", "1", "2")
    assert second.spread_ns >= 100_000_000


def test_who_waits_for_a_host_that_failed_is_let_go() -> None:
    """EngineError at once, and for whoever comes later."""
    with kept_gate(2, **OWN) as (gate, port), ThreadPoolExecutor(1) as threads:
        waiting, late = places(gate, port)
        future = threads.submit(waiting.gather, "1-start")
        gate.break_up("b")
        gate.break_up("a")
        with pytest.raises(EngineError):
            future.result(timeout=5)
        with pytest.raises(EngineError):
            late.gather("1-start")
    assert gate.broken_by == "b"


@pytest.mark.parametrize("path", ["1-start/0", "{}1-start/2", "{}1-start/x", "{}1/2/3/4", "{}"])
def test_nobody_else_comes_in(path: str) -> None:
    """Who does not know the gate's path, or has no place there, is not found and not counted."""
    with kept_gate(2, **OWN) as (gate, port):
        connection = HTTPConnection("127.0.0.1", port)
        connection.request("POST", "/" + path.format(gate.path).lstrip("/"), "text")
        assert connection.getresponse().status == 404
        connection.close()
        assert not any(gate._came.values())


def streams_job(**own: object) -> StreamsJob:
    given = {"player": PLAYERS["slice"], "thread_count": 1, "viewer_height_px": 90}
    given |= {"refresh_hz": 60, "seed": 1, "duration_s": 2, "most": 2, "task": "editors"}
    return StreamsJob(
        media=MediaReference(media_path="/home/m", index_path="/home/i"), **given | own
    )


@pytest.mark.parametrize("hosts", [1, 2, 3, 5])
def test_every_editor_has_one_seat(hosts: int) -> None:
    """Of any number of them each sits at one machine, the first ones each at another, and no two
    machines differ by more than one; the ingest is at the first."""
    at = {"source": "h:1", "path": "/", "hosts": hosts}
    jobs = [
        streams_job(hosts=hosts, gate=Gate(place=place, **at), ingest_mb_per_s=5)
        for place in range(hosts)
    ]
    for count in range(1, 12):
        seats = [list(job.numbers(count)) for job in jobs]
        assert sorted(chain.from_iterable(seats)) == list(range(count))
        assert max(map(len, seats)) - min(map(len, seats)) <= 1
    assert [job.has_ingest for job in jobs] == [True] + [False] * (hosts - 1)


def measured(*, late: int = 0, flags: tuple[str, ...] = ()) -> Measured:
    level = Level(2, 100, late, late)
    found = StreamsMeasurement(task="editors", duration_s=2, levels=(level,), proof=("right",))
    facts = ProcessFacts(cpu_ns=5, peak_rss_bytes=7)
    return Measured(measurement=found, process=facts, flags=flags)


def performed(answer: object, *, wall_ns: int = 10, busy: float | None = 0.5) -> Performed:
    return Performed(
        answer=answer,
        started_utc=f"2026-01-01T00:00:{wall_ns:02}",
        wall_ns=wall_ns,
        host_before=HostMoment(frequency_mhz=1000 * wall_ns),
        host_during=HostMoment(busy_fraction=busy),
    )


def test_one_result_comes_of_all() -> None:
    """Proofs of all, the flags of any, the first start, the longest time, the worst moment; and of
    machines that disagree a failure."""
    two = {"a": performed(measured()), "b": performed(measured(flags=("suspended",)), wall_ns=20)}
    found = performed_together(two, "")
    assert found.answer.measurement.proof == ("right", "right")
    assert found.answer.flags == ("suspended",)
    assert found.answer.process == ProcessFacts(cpu_ns=10, peak_rss_bytes=7)
    assert (found.started_utc, found.wall_ns) == ("2026-01-01T00:00:10", 20)
    assert (found.host_before.frequency_mhz, found.host_during.busy_fraction) == (10_000, 0.5)
    apart = performed_together({**two, "b": performed(measured(late=9))}, "")
    assert isinstance(apart.answer, JobFailed)


def test_the_host_that_failed_first_is_told() -> None:
    """By name, and not the one that was let go for it; the reference kernel is that of the
    slowest."""
    let_go = JobFailed(where="together", what="another failed", remedy="", exit_code=1)
    crashed = WorkerFailed(outcome="crashed", reason="killed")
    found = performed_together({"a": performed(let_go), "b": performed(crashed)}, "b")
    assert found.answer == crashed.model_copy(update={"reason": "b: killed"})
    told = performed_together({"a": performed(let_go), "b": performed(let_go)}, "b").answer
    assert told.where == "b: together"
    kernels = {
        name: performed(
            Measured(measurement=KernelMeasurement(wall_ns=(ns,)), process=ProcessFacts(cpu_ns=1)),
            wall_ns=ns,
        )
        for name, ns in (("a", 30), ("b", 40))
    }
    assert performed_together(kernels, "").answer.measurement.wall_ns == (40,)


class Desks:
    """Machines that place files in name only, and say what they were asked."""

    def __init__(self) -> None:
        self.asked: dict[str, list[object]] = {"a": [], "b": []}

    def do(self, name, job, _timeout_s):
        self.asked[name].append(job)
        if isinstance(job, PlaceFilesJob):
            folder = f"/{name}/share/mezzmark-{job.owner}"
            files = [one.model_copy(update={"path": f"{folder}/0"}) for one in job.files]
            return performed(PlacedFiles(folder=folder, files=tuple(files)))
        return performed(measured())

    def together(self) -> Together:
        paths = {n: {"/home/m": f"/{n}/m", "/home/i": f"/{n}/i"} for n in self.asked}
        return Together(do=self.do, reach=lambda _: "h", paths=paths, **OWN)


def test_each_is_told_its_own_places() -> None:
    """Copies in folders of owners of their own on one root; then each reads its own copy, with its
    own index, and has a folder beside it; and each knows its place at the gate."""
    desks = Desks()
    party = desks.together()
    one = PlacedFile(
        **{"clip": "a", "encoding": "e", "file_bytes": 1, "fingerprint": "f", "frame_count": 1},
        bitrate_bps=1,
        path="/home/m",
    )
    root = RootSettings(name="share", path="/mnt")
    placed = party.perform(PlaceFilesJob(root=root, owner="0", files=(one,)), 9).answer
    media = MediaReference(media_path=placed.files[0].path, index_path="/home/i")
    job = streams_job(hosts=2, scratch_dir=f"{placed.folder}/scratch-1")
    party.perform(job.model_copy(update={"media": media}), 9)
    (place_a, job_a), (place_b, job_b) = desks.asked.values()
    assert (place_a.files[0].path, place_b.files[0].path) == ("/a/m", "/b/m")
    assert place_a.owner != place_b.owner
    for name, job, own in (("a", job_a, place_a), ("b", job_b, place_b)):
        folder = f"/{name}/share/mezzmark-{own.owner}"
        assert job.media == MediaReference(media_path=f"{folder}/0", index_path=f"/{name}/i")
        assert job.scratch_dir == f"{folder}/scratch-1"
    assert [job.gate.place for job in (job_a, job_b)] == [0, 1]
    assert job_a.gate.path == job_b.gate.path


def test_only_whole_texts_are_exchanged() -> None:
    """A path that only begins so, or is part of a text, stays."""
    found = exchanged({"a": ["/m", "/m/x", 3], "b": {"c": "see /m"}}, {"/m": "/there"})
    assert found == {"a": ["/there", "/m/x", 3], "b": {"c": "see /m"}}


def test_machines_are_described_as_one(tmp_path: Path) -> None:
    """What is alike once, of numbers the least, of texts all."""
    one = read_host_facts(tmp_path, library_versions={"av": "1"})
    one = one.model_copy(update={"host_label": "a", "memory_bytes": 5, "gpu_driver": None})
    other = {
        "host_label": "b",
        "memory_bytes": 3,
        "gpu_driver": "x",
        "library_versions": {"av": "2"},
    }
    found = hosts_as_one([one, one.model_copy(update=other)])
    assert (found.host_label, found.memory_bytes, found.gpu_driver) == ("a + b", 3, None)
    assert found.library_versions == {"av": "1 + 2"}
    assert found.cpu_model == one.cpu_model


def test_editors_alone_are_measured_together_on_roots() -> None:
    """With so many hosts, on all roots; not other tasks, without a root, over a modelled link."""
    table = scenario_together(Scenario(**PLAN), 3).tasks["editors"]
    assert (table.hosts, table.roots, table.most) == (3, ("share",), 4)
    for wrong in (
        {"scrub": {"requests": 3}},
        {"roots": []},
        {"editors": {"links": [{"rate": "1 Gbit/s"}]}},
        {"editors": {"roots": ["local"]}},
        {"editors": None, "scrub": {"requests": 3}},
    ):
        with pytest.raises(UsageError):
            scenario_together(Scenario(**PLAN | wrong), 3)
    with pytest.raises(UsageError):
        api.fleet_measure(Scenario(**PLAN), local=2, in_turn=True, together=True)


def test_a_kernel_goes_to_all() -> None:
    """A job that is no one's in particular is done by each, without a gate."""
    desks = Desks()
    desks.together().perform(KernelJob(repeats=1), 9)
    assert desks.asked == {"a": [KernelJob(repeats=1)], "b": [KernelJob(repeats=1)]}

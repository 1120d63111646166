"""Encodings and fidelity trials divided among hosts: done once, and by whom where one fails."""

import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from http.client import HTTPConnection
from pathlib import Path

import pytest

pytest.importorskip("distributed")

from fixtures.fabricated_run import Fabrication, fabricate_host, fabricate_run
from mezzmark.fleet.divided import Judges, Makers
from mezzmark.fleet.files import kept_depot, push
from mezzmark.fleet.scheduler import lost
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.errors import EncodingError, InterruptedRunError, MezzmarkError, NotMadeError
from mezzmark.model.fleet import Performed
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.jobs import JobFailed, Measured, PreparedMedia, WorkerFailed
from mezzmark.model.preparations import PrepareEncodingJob, SortFilesJob
from mezzmark.model.records import HostMoment
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.kernel import KernelMeasurement
from mezzmark.model.tasks.spec import MediaReference, ProcessFacts
from mezzmark.report.prose.method import method_sentences
from mezzmark.report.view import RunView
from simulation.synthetic_footage import synthetic_footage

SOURCE = MediaReference(media_path="m", index_path="i")
MISSING = JobFailed.by(NotMadeError(where="x", what="missing", remedy="Make it."))
UNFIT = JobFailed.by(EncodingError(where="x", what="too small", remedy="Leave it out."))


def encoding_job(name: str = "ffv1") -> PrepareEncodingJob:
    given = {"source": SOURCE, "thread_count": 4, "cache_dir": ""}
    return PrepareEncodingJob(encoding=find_encoding(name), **given)


def made(made_by: str = "", fingerprint: str = "f") -> PreparedMedia:
    facts = {"file_bytes": 1, "frame_count": 1, "duration_s": 1.0, "was_cached": False}
    return PreparedMedia(media=SOURCE, fingerprint=fingerprint, made_by=made_by, **facts)


class Shop:
    """Makers of two hosts over invented workers: what each was asked for, and what was said."""

    def __init__(self, folder: Path, *, cached: bool = False, proof: object = None) -> None:
        self.folder, self.cached, self.proof = folder, cached, proof
        self.asked: list[tuple[str, str]] = []
        self.said: list[str] = []
        self.is_stopped = False
        self.makers = Makers(
            here=self.here,
            make=self.make,
            awaiting=self.awaiting,
            hosts=("a", "b"),
            is_stopped=lambda: self.is_stopped,
            say=self.said.append,
        )

    def here(self, job, timeout_s: float) -> Iterator[object]:
        if getattr(job, "is_sought", False):
            yield made() if self.cached else MISSING
            return
        self.asked.append(("", job.encoding.name if hasattr(job, "encoding") else job.task))
        is_proved = getattr(job, "made_by", "") and self.proof
        yield self.proof if is_proved else made(getattr(job, "made_by", ""))

    def make(self, host: str, job: PrepareEncodingJob, to: str):
        self.asked.append((host, job.encoding.name))
        (self.folder / "f").write_text("sent")
        return made()

    @contextmanager
    def awaiting(self):
        yield "/to", self.folder

    def get(self, job) -> object:
        *_, last = self.makers(job, 1.0)
        return last


def test_a_host_makes_what_is_not_in_the_cache_and_home_proves_it(tmp_path: Path) -> None:
    """Asked of one host, then of home with its file; with whose name the answer comes."""
    shop = Shop(tmp_path)
    assert shop.get(encoding_job()) == made("a")
    assert shop.asked == [("a", "ffv1"), ("", "ffv1")]
    assert not shop.said


def test_what_is_in_the_cache_and_what_is_no_encoding_stays_at_home(tmp_path: Path) -> None:
    """No host is asked."""
    shop = Shop(tmp_path, cached=True)
    assert shop.get(encoding_job()) == made()
    assert shop.asked == []
    shop.get(SortFilesJob(files=()))
    assert shop.asked == [("", "sort-files")]


def test_hosts_and_home_work_at_the_same_time(tmp_path: Path) -> None:
    """Two hosts and home, which does one at a time, make three encodings while none is done."""
    shop, meeting = Shop(tmp_path), threading.Barrier(3, timeout=20)
    shop.makers._free = ["a", "b", ""]

    def make(host: str, job: PrepareEncodingJob, to: str):
        meeting.wait()
        return Shop.make(shop, host, job, to)

    def here(job, timeout_s: float):
        if not job.is_sought and not job.made_by:
            meeting.wait()
        yield from Shop.here(shop, job, timeout_s)

    shop.makers.make, shop.makers.here = make, here
    with ThreadPoolExecutor(3) as threads:
        jobs = map(encoding_job, ("ffv1", "vc3-sq", "avc-long"))
        found = list(threads.map(shop.get, jobs))
    assert sorted(one.made_by for one in found) == ["", "a", "b"]


def test_a_lost_host_is_asked_for_nothing_more(tmp_path: Path) -> None:
    """Its encoding is made by the other one, as are those after it; it is told once."""
    shop = Shop(tmp_path)

    def make(host: str, job: PrepareEncodingJob, to: str):
        found = Shop.make(shop, host, job, to)
        if host == "a":
            raise lost(host, "its worker went away")
        return found

    shop.makers.make = make
    assert [shop.get(encoding_job(name)) for name in ("ffv1", "vc3-sq")] == [made("b")] * 2
    assert [host for host, _ in shop.asked if host] == ["a", "b", "b"]
    assert len(shop.said) == 1
    assert "a: its worker went away" in shop.said[0]


@pytest.mark.parametrize("fingerprint", ["g", "../f", ".mezzmark-temporary"])
def test_a_false_digest_is_refused(tmp_path: Path, fingerprint: str) -> None:
    """A host that says that it made another file than came is lost; others make it."""
    (tmp_path / ".mezzmark-temporary").write_text("marks the folder")
    shop = Shop(tmp_path)

    def make(host: str, job: PrepareEncodingJob, to: str):
        found = Shop.make(shop, host, job, to)
        return found.model_copy(update={"fingerprint": fingerprint}) if host == "a" else found

    shop.makers.make = make
    assert shop.get(encoding_job()) == made("b")
    assert "not what it says" in shop.said[0]


@pytest.mark.parametrize("where", ["at the host", "in the proof"])
def test_what_a_host_cannot_make_is_made_at_home(tmp_path: Path, where: str) -> None:
    """Whether the host failed or home could not use its file: made here, told with the host's name;
    the host is asked again for others."""
    shop = Shop(tmp_path, proof=UNFIT if where == "in the proof" else None)
    if where == "at the host":
        shop.makers.make = lambda *_: UNFIT
    assert shop.get(encoding_job()) == made()
    assert "a: x" in shop.said[0]
    assert "a" in shop.makers._free


def test_a_wish_to_stop_ends_who_waits(tmp_path: Path) -> None:
    """While nobody is free: the answer of a worker that was cancelled, so that the preparation ends
    as it does without hosts."""
    shop = Shop(tmp_path)
    shop.makers._free, shop.is_stopped = [], True
    assert shop.get(encoding_job()).outcome == "cancelled"

    def make(*_):
        raise InterruptedRunError(where="fleet", what="stopped", remedy="-")

    shop.makers._free, shop.makers.make = ["a", ""], make
    assert shop.get(encoding_job()).outcome == "cancelled"


def test_what_is_sent_arrives_whole_or_not_at_all(tmp_path: Path) -> None:
    """By its SHA-256 in the folder that awaits it, which goes in the end; with another digest, to
    another address, or broken off, nothing is kept."""
    path, cache = tmp_path / "made.mov", tmp_path / "cache"
    path.write_bytes(bytes(range(256)) * 9_000)
    given = {"context": None, "is_wanted": lambda: True}
    with kept_depot(context=None, interface="127.0.0.1") as depot:
        home = f"127.0.0.1:{depot.port}"
        with depot.awaiting(cache) as (to, folder):
            before = {*folder.iterdir()}
            for place, how in (("/x", given), (to, {**given, "is_wanted": lambda: False})):
                with pytest.raises(MezzmarkError):
                    push(path, f"{home}{place}", **how)
            for body, digest in ((b"other", "0" * 64), (b"plain", "planted")):
                connection = HTTPConnection(home)
                connection.request("PUT", f"{to}/{digest}", body)
                assert connection.getresponse().status in {400, 404}
                connection.close()
            for _ in range(1_000):  # home may learn a little later that somebody broke off
                if {*folder.iterdir()} == before:
                    break
                time.sleep(0.01)
            assert {*folder.iterdir()} == before
            push(path, f"{home}{to}", **given)
            [sent] = {*folder.iterdir()} - before
            assert (sent.name, sent.read_bytes()) == (depot.offer(path).sha256, path.read_bytes())
        with pytest.raises(MezzmarkError):
            push(path, f"{home}{to}", **given)
    assert not list(cache.iterdir())


PLAN = Scenario(
    name="judged",
    seed=3,
    rounds=1,
    clips=(ClipSpec(name="a", recipe=Recipe()),),
    encodings=("original", "vc3-sq", "ffv1", "avc-long", "mjpeg-fine"),
    fidelity={"generations": 1, "frames": 4},
)
HOST = fabricate_host("desk")


class Bench:
    """Judges over invented hosts: who did what; `strike` comes before a job is done."""

    def __init__(self, kinds: dict[str, str], strike=lambda _host, _job: None) -> None:
        self.strike = strike
        self.did: list[tuple[str, str]] = []
        self.judges = Judges(do=self.do, is_stopped=lambda: False)
        for name, cpu_model in kinds.items():
            host = HOST.model_copy(update={"cpu_model": cpu_model})
            self.judges.expect(name, host, PLAN, synthetic_footage(PLAN), scratch_dir="s")
        self.jobs = [*self.judges._coming[next(iter(kinds))].values()]

    def do(self, name: str, job, timeout_s: float) -> Performed:
        self.did.append((name, job.encoding.name))
        measurement = KernelMeasurement(wall_ns=(len(self.did),))
        told = Measured(measurement=measurement, process=ProcessFacts(cpu_ns=1))
        answer = self.strike(name, job) or told
        moments = {"host_before": HostMoment(), "host_during": HostMoment()}
        return Performed(answer=answer, started_utc="t", wall_ns=1, **moments)

    def all_of(self, name: str) -> list[Performed]:
        return [self.judges.perform(name, job, 1.0) for job in self.jobs]


def test_each_cell_is_judged_once_by_hosts_that_are_alike() -> None:
    """Two hosts that come to the same cells at the same time share them: nothing is done twice,
    both have the same answers, and each knows which it did not do itself."""
    meeting = threading.Barrier(2, timeout=20)
    bench = Bench(dict.fromkeys("ab", "cpu"), strike=lambda *_: meeting.wait() and None)
    with ThreadPoolExecutor(2) as threads:
        one, other = threads.map(bench.all_of, "ab")
    assert len(bench.jobs) == len(bench.did) == len({name for _, name in bench.did}) == 4
    assert Counter(host for host, _ in bench.did) == {"a": 2, "b": 2}
    assert [done.answer for done in one] == [done.answer for done in other]
    assert sorted(done.judged_by for done in one) == ["", "", "b", "b"]
    assert all(bool(x.judged_by) is not bool(y.judged_by) for x, y in zip(one, other, strict=True))


def test_unlike_hosts_judge_for_themselves() -> None:
    """Another processor may take another way through an encoder."""
    bench = Bench({"a": "cpu", "b": "other"})
    found = bench.all_of("a") + bench.all_of("b")
    assert Counter(host for host, _ in bench.did) == {"a": 4, "b": 4}
    assert {done.judged_by for done in found} == {""}


def test_a_failure_is_nobody_elses() -> None:
    """A cell that failed on one host is tried by the other; a lost host's is free again."""
    failed = WorkerFailed(outcome="crashed", reason="")

    def strike(host: str, job):
        if host == "a" and job.encoding.name == "vc3-sq":
            raise lost(host, "its worker went away")
        return failed if host == "a" else None

    bench = Bench(dict.fromkeys("ab", "cpu"), strike)
    with pytest.raises(MezzmarkError):
        bench.judges.perform("a", bench.jobs[0], 1.0)
    assert bench.judges.perform("a", bench.jobs[1], 1.0).answer == failed
    assert all(isinstance(done.answer, Measured) for done in bench.all_of("b"))
    assert [name for host, name in bench.did if host == "b"] == [*PLAN.encodings[1:]]


def test_other_trials_are_each_hosts_own() -> None:
    """What is timed is never taken from another host."""
    bench = Bench(dict.fromkeys("ab", "cpu"))
    timed = bench.jobs[0].model_copy(update={"task": "encode"})
    bench.judges.do = lambda name, *_: bench.did.append((name, "timed"))
    for name in "ab":
        bench.judges.perform(name, timed, 1.0)
    assert bench.did == [("a", "timed"), ("b", "timed")]


def test_a_report_says_who_did_what() -> None:
    """Files made and cells judged elsewhere are counted by host, whose name is data; where the
    run's own host and home did all, nothing is said."""
    manifest, trials = fabricate_run(Fabrication(rounds=2))
    assert not any("host" in text for text in method_sentences(RunView(manifest, trials)))
    made = [one.model_copy(update={"made_by": "desk-a"}) for one in manifest.media[:2]]
    manifest = manifest.model_copy(update={"media": (*made, *manifest.media[2:])})
    judged = trials[0].model_copy(update={"judged_by": "b\x1b[2J"})
    told = method_sentences(RunView(manifest, (judged, *trials[1:])))
    assert "Files made by hosts of the fleet: desk-a (2)." in told
    [text] = [text for text in told if text.startswith("Cells judged on hosts")]
    assert "(1)" in text
    assert "\x1b" not in text

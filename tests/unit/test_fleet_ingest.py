"""A folder over a fleet within this process: the queue, lost hosts, faults, and what is kept."""

import signal
import tempfile
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import pytest

pytest.importorskip("distributed")

import mezzmark
from mezzmark import api
from mezzmark.cli.views import print_makespans
from mezzmark.fleet import ingest, measure, on_host
from mezzmark.fleet.ingest import FOLDER, ClipQueue
from mezzmark.fleet.scheduler import HostLostError
from mezzmark.host.common import Clock
from mezzmark.model.errors import DestinationError, InterruptedRunError, RunError, UsageError
from mezzmark.model.fact import grouped
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.jobs import JobFailed, Measured, WorkerFailed
from mezzmark.model.preparations import job_format
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.grid import GridJob, GridMeasurement
from mezzmark.model.tasks.ingest import IngestJob, IngestMeasurement
from mezzmark.model.tasks.kernel import KernelJob
from mezzmark.model.tasks.spec import MediaReference, ProcessFacts
from mezzmark.runner.events import Noted
from mezzmark.runner.in_turn import Environment
from mezzmark.store.run_store import read_run
from simulation.synthetic_engine import SyntheticEngine, Truth
from simulation.synthetic_footage import synthetic_footage

KERNELS = SyntheticEngine(usual=Truth(median_ms=0.0001), seed=5)
NAMES = ("a", "b", "c", "d", "e")
PLAN = Scenario(
    name="folder",
    seed=3,
    rounds=2,
    clips=tuple(ClipSpec(name=name, recipe=Recipe()) for name in NAMES),
    encodings=("vc3-sq",),
    ingest={"jobs": (2,), "threads": (1,), "oversubscribe": True, "orders": ("fifo",)},
)
HOSTS = ("local-1", "local-2")


def made_up(job: object) -> object:
    """What an engine would measure of the job, within microseconds; the kernel's as ever."""
    if isinstance(job, KernelJob):
        return KERNELS(job, 1.0)
    if isinstance(job, GridJob):
        each = (1,) * job.job_count
        per_job = {"cpu_ns": each, "peak_rss_bytes": each, "window_packets": each}
        per_job |= {"packet_count": each, "file_bytes": each, "decoded_frame_count": each}
        per_job |= {"end_ns": (100,) * job.job_count, "start_ns": (0,) * job.job_count}
        per_job |= {"load_ns": each, "verify_ns": each, "stamps_in_order": (True,) * job.job_count}
        sizes = {"frame_count": 8, "frame_rate": "24", "width_px": 64, "height_px": 64}
        found = GridMeasurement(window_ns=100, **sizes, **per_job)
    elif not isinstance(job, IngestJob):
        return JobFailed(where="memory", what="not measured", remedy="None.", exit_code=23)
    else:
        ones = dict.fromkeys(("width_px", "height_px", "source_bytes", "cpu_ns", "file_bytes"))
        count = len(job.sources)
        found = IngestMeasurement(
            clips=tuple(source.clip for source in job.sources),
            frame_count=tuple(source.frame_count for source in job.sources),
            start_ns=(0,) * count,
            encoded_ns=(50,) * count,
            end_ns=(100,) * count,
            worker_index=tuple(range(count)),
            is_verified=(True,) * count,
            worker_count=job.job_count,
            **dict.fromkeys(ones, (1,) * count),
        )
    return Measured(measurement=found, process=ProcessFacts(cpu_ns=1))


@pytest.fixture
def fleet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, object]:
    """Arguments of a fleet of two hosts whose trials are made up; `work` may be replaced."""
    footage = synthetic_footage(PLAN)
    for clip, encoding in footage.media:
        path = tmp_path / f"{clip} {encoding}.mov"
        path.write_bytes(path.name.encode())
        media = MediaReference(media_path=str(path), index_path=str(path))
        footage.media[clip, encoding] = media

    def prepared(scenario, **_):
        yield from ()
        return footage

    def worker(job, timeout_s, **_) -> Iterator[object]:
        yield made_up(job)

    here = Environment(
        job_format=job_format(), mezzmark=mezzmark.__version__, python="P", library_versions={}
    )
    monkeypatch.setenv("MEZZMARK_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr(on_host, "ask_environment", lambda _: here)
    monkeypatch.setattr(on_host, "run_worker", worker)
    monkeypatch.setattr(measure, "prepare_footage", prepared)
    monkeypatch.setattr(measure, "AGAIN_S", 0.05)
    monkeypatch.setattr(ingest, "clip_order", lambda job: list(range(len(job.sources))))
    return {"local": 2, "out": tmp_path / "out", "cache": tmp_path}


def ingests(fleet: dict[str, object]) -> list[object]:
    """The trials of the folder, in the order they ran."""
    trials = read_run(fleet["out"] / FOLDER).trials
    return [trial for trial in trials if trial.cell.task == "ingest"]


def test_every_clip_is_ingested_once_by_a_host_that_was_free(
    fleet: dict[str, object], capsys: pytest.CaptureFixture[str]
) -> None:
    """All hosts and each alone, two clips at a time; what a host is sent begins after what it was
    sent before has ended; no makespan is longer than its trial; each has its prediction."""
    found = api.fleet_ingest(PLAN, **fleet)
    assert [*found.run_dirs] == ["", *HOSTS]
    trials = ingests(fleet)
    groups = {trial.cell.setting["hosts"] for trial in trials}
    assert (len(trials), len(groups)) == (6, 3)
    assert {f"only {name}" for name in HOSTS} < groups
    for trial in trials:
        seen, is_alone = trial.measurement, trial.cell.setting["hosts"].startswith("only")
        assert (seen.clips, seen.frame_count) == (NAMES, (96,) * 5)
        assert seen.worker_count == (2 if is_alone else 4)
        assert max(seen.end_ns) <= trial.wall_ns
        workers = set(zip(seen.worker_index, seen.hosts, strict=True))
        assert len(workers) == len({number for number, _ in workers} & {*range(seen.worker_count)})
        for host in set(seen.hosts):
            mine = zip(seen.hosts, seen.start_ns, seen.end_ns, strict=True)
            ends = grouped((start, end) for name, start, end in mine if name == host)
            assert all(max(ends[a]) <= b for a, b in pairwise(sorted(ends)))
    whole = next(one for one in found.makespans if len(one.hosts) == 2 and not one.more)
    assert whole.measured.round_count == 2
    print_makespans(found.makespans)
    said = capsys.readouterr().out
    assert "local-1 alone" in said
    assert "one more" in said


def test_a_host_with_more_workers_than_clips_was_not_measured() -> None:
    """It is sent a clip for each of its workers, whose numbers go on with those of the next host:
    what it says of another worker is of no trial."""
    queue = ClipQueue([0], Clock(), 0)
    job = IngestJob.model_construct(sources=(SimpleNamespace(clip="a", frame_count=1),))
    found = made_up(job.model_copy(update={"job_count": 1}))
    more = found.measurement.model_copy(update={"worker_count": 9, "worker_index": (8,)})
    answer = found.model_copy(update={"measurement": more})
    with pytest.raises(HostLostError, match="cannot have been measured"):
        queue.note("h", 0, queue.take(1), answer, begun_ns=0)
    queue.note("h", 0, [0], found, begun_ns=0)
    assert queue.done[0]["worker_index"] == 0


@pytest.mark.parametrize("count", [1, 2])
def test_clips_of_a_lost_host_go_to_the_others(
    count: int, fleet: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of two, the other does its clips, and the trial is whole and set apart. A host that is alone
    is waited for, and its folder begun again. Both are told, and no trial is missing."""
    lost = []
    usual = ingest._OverHosts._part

    def part(whole, job, split, taken):
        if len(job.hosts) == count and not lost:
            lost.append(split.host)
            raise measure.lost(split.host, "planted")
        return usual(whole, job, split, taken)

    monkeypatch.setattr(ingest._OverHosts, "_part", part)
    told = []
    plan = PLAN.but(rounds=1, minimum_rounds=1)
    api.fleet_ingest(plan, on_event=lambda *one: told.append(one), **fleet)
    trials = ingests(fleet)
    assert [t.measurement.clips for t in trials] == [NAMES] * 3
    assert any(isinstance(e, Noted) and f"{lost[0]}: planted" in e.message for _, e in told)
    struck = [t for t in trials if t.flags]
    assert [(t.flags, lost[0] in t.measurement.hosts) for t in struck] == (
        [(("host_lost",), False)] if count == 2 else []
    )


def test_why_a_folder_failed_is_told_with_its_host(
    fleet: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A clip that an engine refuses fails the trial; nothing more is handed out."""

    def failing(job, timeout_s, **_):
        if isinstance(job, IngestJob):
            yield JobFailed(where="clip", what="no", remedy="None.", exit_code=26)
        else:
            yield made_up(job)

    monkeypatch.setattr(on_host, "run_worker", failing)
    api.fleet_ingest(PLAN.but(rounds=1, minimum_rounds=1), **fleet)
    reasons = {t.reason for t in ingests(fleet)}
    assert all(reason.endswith("clip: no") and reason.startswith("local-") for reason in reasons)
    assert {t.outcome for t in ingests(fleet)} == {"failed"}


def test_ctrl_c_ends_it_and_resume_goes_on(
    fleet: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the second folder is under way: InterruptedRunError, the first is on disk, and no grid
    is measured again."""
    jobs = []

    def hanging(job, timeout_s, *, is_cancelled, **_):
        jobs.append(job)
        if isinstance(job, IngestJob) and any(len(t.measurement.clips) for t in done()):
            signal.raise_signal(signal.SIGTERM)
            while not is_cancelled():
                pass
            yield WorkerFailed(outcome="cancelled", reason="")
        else:
            yield made_up(job)

    def done():
        return ingests(fleet) if (fleet["out"] / FOLDER / "trials.jsonl").is_file() else []

    usual = on_host.run_worker
    monkeypatch.setattr(on_host, "run_worker", hanging)
    with pytest.raises(InterruptedRunError):
        api.fleet_ingest(PLAN, **fleet)
    before = ingests(fleet)
    assert len(before) == 1
    monkeypatch.setattr(on_host, "run_worker", usual)
    grids = [read_run(d).trials for d in fleet["out"].iterdir() if d.name != FOLDER]
    with pytest.raises(RunError, match="local-2"):
        api.fleet_ingest(PLAN, resume=True, hosts=["local-1"], **fleet)
    api.fleet_ingest(PLAN, resume=True, **fleet)
    assert ingests(fleet)[:1] == before
    assert len(ingests(fleet)) == 6
    assert [read_run(d).trials for d in fleet["out"].iterdir() if d.name != FOLDER] == grids


def test_grids_that_are_there_are_not_measured_again(
    fleet: dict[str, object], tmp_path: Path
) -> None:
    """Taken by the host's label, and left as they are; of other footage they are refused."""
    first = api.fleet_ingest(PLAN, **fleet)
    given = {"grids": [first.run_dirs[name] for name in HOSTS]}
    again = api.fleet_ingest(PLAN, **fleet | given | {"out": tmp_path / "again"})
    assert [path.name for path in (tmp_path / "again").iterdir()] == [FOLDER]
    assert again.run_dirs[HOSTS[0]] == first.run_dirs[HOSTS[0]]
    told = []
    asked = {"hosts": HOSTS[0], "on_event": lambda _, event: told.append(event)}
    asked["out"] = tmp_path / "one"
    api.fleet_ingest(PLAN, **fleet | given | asked)
    assert [one.message for one in told if isinstance(one, Noted) and HOSTS[1] in one.message]
    with pytest.raises(DestinationError):  # and nothing is gone on with unasked
        api.fleet_ingest(PLAN, **fleet | given | {"out": tmp_path / "again"})
    path = first.run_dirs[HOSTS[0]] / "manifest.json"
    path.write_text(path.read_text().replace('"synthetic a"', '"other"'))
    with pytest.raises(RunError):
        api.fleet_ingest(PLAN, **fleet | given | {"out": tmp_path / "other"})


def test_a_scenario_without_a_folder_is_refused(fleet: dict[str, object]) -> None:
    """No [ingest]: UsageError, and nothing is measured."""
    with pytest.raises(UsageError):
        api.fleet_ingest(PLAN.but(ingest=None, scrub={"requests": 3}), **fleet)
    assert not fleet["out"].exists()


def test_one_machine_does_not_ingest_for_several() -> None:
    """A job for hosts is refused by the engine: only a fleet hands it out."""
    from mezzmark.engines.encode.ingest import run_ingest
    from mezzmark.model.catalogue.core import find_encoding
    from mezzmark.model.errors import EngineError
    from mezzmark.model.tasks.ingest import HostSplit

    split = HostSplit(host="a", encoding="vc3-sq", jobs=1, threads=1)
    counts = {"thread_count": 1, "job_count": 1, "order": "fifo", "height_px": None}
    given = {"sources": (), "encoding": find_encoding("vc3-sq"), "scratch_dir": "", **counts}
    with pytest.raises(EngineError):
        run_ingest(IngestJob(**given, hosts=(split,)), lambda: 0)

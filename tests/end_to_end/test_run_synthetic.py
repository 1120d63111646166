"""Whole runs with the synthetic engine: what is told, stored, stopped and gone on with."""

import errno
from pathlib import Path

import pytest

from mezzmark.host.common import Clock, read_clock_ns
from mezzmark.model.errors import (
    DiskFullError,
    FootageError,
    InterruptedRunError,
    RunError,
)
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.jobs import JobFailed, Measured, WorkerFailed
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.encode import EncodeJob, EncodeSettings
from mezzmark.model.tasks.scrub import ScrubJob, ScrubMeasurement, ScrubSettings
from mezzmark.own_files import MARKER_NAME
from mezzmark.runner.events import (
    CellGivenUp,
    Prepared,
    RoundFinished,
    RoundsForecast,
    RoundStarted,
    Stopped,
    TrialFinished,
    TrialStarted,
)
from mezzmark.runner.run import run_scenario
from mezzmark.store import run_store
from mezzmark.store.run_store import TRIALS_NAME, read_run
from simulation.synthetic_engine import SyntheticEngine, Truth
from simulation.synthetic_footage import synthetic_footage

S_NS = 1_000_000_000


def scenario(**changes: object) -> Scenario:
    settings: dict[str, object] = {
        "name": "synthetic",
        "seed": 3,
        "rounds": 4,
        "minimum_rounds": 2,
        "clips": (ClipSpec(name="a", recipe=Recipe()),),
        "encodings": ("original", "vc3-sq"),
        "scrub": ScrubSettings(patterns=("jump",), requests=400, threads=(1,)),
        "encode": EncodeSettings(threads=(1,), frames=10),
    }
    return Scenario.model_validate(settings | changes)


def events_of(plan: Scenario, folder: Path, execute=None, **options):
    answer = execute or SyntheticEngine(seed=1)
    worked_ns = [0]

    def dispatch(job, timeout_s):
        """Time passes as the made-up work would have it, for no trial is shorter than its work."""
        found = answer(job, timeout_s)
        if isinstance(found, Measured):
            worked_ns[0] += TASKS[job.task].busy_ns(found.measurement)
        yield found

    settings = {
        "run_dir": folder / "run",
        "cache_dir": folder,
        "dispatch": dispatch,
        "clock": Clock(monotonic_ns=lambda: read_clock_ns() + worked_ns[0]),
        "stop_when": lambda trials: "",
        "footage": synthetic_footage(plan),
    }
    return run_scenario(plan, **(settings | options))


class Ticks:
    """A clock that each trial moves on by `trial_s`, and nothing else does."""

    def __init__(self, trial_s: float) -> None:
        self.now_s = 0.0
        self.trial_s = trial_s
        self.engine = SyntheticEngine(seed=1, usual=Truth(median_ms=0.0001))

    def execute(self, job, timeout_s):
        self.now_s += self.trial_s
        return self.engine(job, timeout_s)

    def options(self) -> dict[str, object]:
        clock = Clock(monotonic_ns=lambda: round(self.now_s * S_NS), utc=lambda: f"at {self.now_s}")
        return {"clock": clock, "execute": self.execute}


@pytest.fixture(autouse=True)
def no_waiting_for_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """What must survive a loss of power is shown elsewhere; here it would only take time."""
    monkeypatch.setattr(run_store.os, "fsync", lambda _: None)


def test_events_tell_each_step_once_and_in_order(tmp_path: Path) -> None:
    """Prepared, then per round: start, each trial's start and end, end (after the first, how long
    the others take); then the reason. The 3
    cells and 2 kernels of each of 4 rounds make 20 trials, and `done` counts them."""
    events = list(events_of(scenario(), tmp_path))
    kinds = [type(event).__name__ for event in events]
    one_round = ["RoundStarted", *["TrialStarted", "TrialFinished"] * 5, "RoundFinished"]
    assert kinds == ["Prepared", *one_round, "RoundsForecast", *one_round * 3, "Stopped"]
    assert [e.done for e in events if isinstance(e, TrialFinished)] == list(range(1, 21))
    assert {e.total for e in events if isinstance(e, TrialFinished | Prepared)} == {20}
    assert events[-1] == Stopped(reason="all 4 rounds are done")
    assert read_run(tmp_path / "run").manifest.stop_reason == "all 4 rounds are done"


def test_a_trial_is_on_disk_before_anyone_hears_of_it(tmp_path: Path) -> None:
    """Whenever a finished trial is told of, the store already holds it; the manifest even before
    the first."""
    told = 0
    for event in events_of(scenario(rounds=2), tmp_path):
        if isinstance(event, Prepared):
            assert read_run(tmp_path / "run").manifest.stop_reason == ""
        if isinstance(event, TrialFinished):
            told += 1
            assert read_run(tmp_path / "run").trials[-1] == event.trial
            assert len(read_run(tmp_path / "run").trials) == told


def test_what_was_measured_is_what_the_engine_knows(tmp_path: Path) -> None:
    """Latencies without spread come back as planted: 30 ms for the original, 5 ms for the other,
    each the sum of its three spans; 10 frames of 5 ms take 50 ms to encode."""
    truths = {
        name: Truth(median_ms=median_ms, sample_log_sd=0, trial_log_sd=0)
        for name, median_ms in (("original", 30), ("vc3-sq", 5))
    }
    engine = SyntheticEngine(seed=1, truths=truths)
    list(events_of(scenario(), tmp_path, execute=engine))
    for trial in read_run(tmp_path / "run").trials:
        measured = trial.measurement
        if isinstance(measured, ScrubMeasurement):
            spans = zip(measured.locate_ns, measured.decode_ns, measured.present_ns, strict=True)
            expected_ns = 30_000_000 if trial.cell.encoding == "original" else 5_000_000
            assert {sum(span) for span in spans} == {expected_ns}
        elif trial.cell.task == "encode":
            assert measured.wall_ns == 50_000_000


def test_planned_and_actual_order_are_both_kept(tmp_path: Path) -> None:
    """Lines stand in the order the trials ran; their positions say the order that was planned,
    and their stamps when each began."""
    list(events_of(scenario(), tmp_path, **Ticks(0.25).options()))
    trials = read_run(tmp_path / "run").trials
    assert [(t.round_index, t.position) for t in trials] == [
        (index, place) for index in range(4) for place in range(5)
    ]
    starts = [float(t.started_utc.removeprefix("at ")) for t in trials]
    assert starts == [place * 0.25 for place in range(20)]
    assert {t.wall_ns for t in trials} == {S_NS // 4}


@pytest.mark.parametrize(
    ("failure", "outcome", "reason"),
    [
        ("crash", "crashed", "planted crash"),
        ("hang", "timed_out", "no answer within 300 s; killed"),
        ("refuse", "failed", "synthetic: planted refusal"),
    ],
)
def test_a_failing_cell_is_recorded_given_up_and_costs_no_other(
    tmp_path: Path, failure: str, outcome: str, reason: str
) -> None:
    """Its first three trials are on disk with the reason; then it is left out, and every other
    cell has all its rounds."""
    engine = SyntheticEngine(seed=1, truths={"original": Truth(failure=failure)})
    events = list(events_of(scenario(rounds=5), tmp_path, execute=engine))
    trials = read_run(tmp_path / "run").trials
    failed = [t for t in trials if t.outcome != "finished"]
    assert [(t.outcome, t.reason) for t in failed] == [(outcome, reason)] * 3
    assert {t.measurement for t in failed} == {None}
    assert len([t for t in trials if t.outcome == "finished"]) == 5 * 4
    given_up = [event for event in events if isinstance(event, CellGivenUp)]
    assert [(e.cell.encoding, e.reason) for e in given_up] == [("original", reason)]


def test_a_run_in_which_everything_fails_ends_and_says_so(tmp_path: Path) -> None:
    """When each cell has been given up no further round begins."""
    answer = WorkerFailed(outcome="crashed", reason="odd")
    *_, last = events_of(scenario(rounds=9), tmp_path, execute=lambda *_: answer)
    assert last == Stopped(reason="no cell can be measured: each failed again and again")
    trials = read_run(tmp_path / "run").trials
    assert {(t.round_index, t.outcome) for t in trials} == {(k, "crashed") for k in range(3)}


@pytest.mark.parametrize(
    ("changes", "beside_s", "reason"),
    [
        ({"rounds": 100, "time_budget_s": 43}, 0, "8 rounds took 40 s"),
        ({"rounds": 100, "time_budget_s": 43}, 1, "4 rounds took 40 s"),
        (
            {"time_budget_s": 7},
            0,
            "2 rounds took 10 s, and no fewer than 2 are measured whatever the budget",
        ),
    ],
)
def test_no_round_begins_that_would_overrun_the_budget(
    tmp_path: Path, changes: dict, beside_s: int, reason: str
) -> None:
    """Rounds of five trials of 1 s: 43 s hold eight of them, or four where as much passes beside
    each trial; the two rounds of the minimum come whatever the budget."""
    ticks = Ticks(1.0)
    for last in events_of(scenario(**changes), tmp_path, **ticks.options()):
        ticks.now_s += beside_s * isinstance(last, TrialFinished)
    assert last.reason == (
        f"another round would end after the time budget of {changes['time_budget_s']} s ({reason})"
    )
    assert len(read_run(tmp_path / "run").trials) == 5 * int(reason[0])


def test_a_resumed_run_has_what_is_left_of_its_budget(tmp_path: Path) -> None:
    """Of 43 s, 20 were spent in an earlier session, so four of eight rounds are left."""
    list(events_of(scenario(rounds=4), tmp_path, **Ticks(1.0).options()))
    more = scenario(rounds=100, time_budget_s=43)
    *_, last = events_of(more, tmp_path, resume=True, **Ticks(1.0).options())
    assert "(8 rounds took 40 s)" in last.reason


@pytest.mark.parametrize(
    ("changes", "most", "most_s", "budget_s"),
    [({}, 6, 30, None), ({"time_budget_s": 23}, 4, 20, 23), ({"time_budget_s": 7}, 2, 10, 7)],
)
def test_after_the_first_round_it_is_told_how_long_the_rest_takes(
    tmp_path: Path, changes: dict, most: int, most_s: float, budget_s: float | None
) -> None:
    """Rounds of 5 s: two at least in 10 s; six in 30 s, or as many as end within the budget. It is
    told right after the first round; that the budget holds one round of the two, and then a round
    takes 5 s, also after two of its five trials, for one is less than a quarter."""
    plan = scenario(rounds=6, **changes)
    events = list(events_of(plan, tmp_path, **Ticks(1.0).options()))
    told = [place for place, event in enumerate(events) if isinstance(event, RoundsForecast)]
    assert events[told[-1] - 1] == RoundFinished(round_index=0)
    found = events[told[-1]]
    early = [events[place] for place in told[:-1]]
    finished = sum(isinstance(event, TrialFinished) for event in events[: told[0]])
    assert (len(early), finished) == ((1, 2) if budget_s == 7 else (0, 5))
    assert all(one.affordable_rounds == 1 and one.minimum_s == pytest.approx(10) for one in early)
    assert (found.minimum_rounds, found.most_rounds) == (2, most)
    assert (found.round_s, found.minimum_s, found.most_s) == pytest.approx((5, 10, most_s))
    assert found.time_budget_s == budget_s


def test_time_left_shrinks_to_nothing(tmp_path: Path) -> None:
    """Nothing is expected before the first trial; after it 19 s of 20 are left, at last 1 s; and of
    the minimum, two rounds of 5 s, 9 s are left, and none in the third round."""
    events = events_of(scenario(), tmp_path, **Ticks(1.0).options())
    started = [event for event in events if isinstance(event, TrialStarted)]
    assert (started[0].eta_s, started[0].minimum_eta_s) == (None, None)
    assert [event.eta_s for event in started[1:]] == pytest.approx(range(19, 0, -1))
    minimum_s = [event.minimum_eta_s for event in started[1:]]
    assert minimum_s == pytest.approx([9, 8, 7, 6, 5, 4, 3, 2, 1] + [0] * 10)


def test_after_the_minimum_nothing_is_left_of_it(tmp_path: Path) -> None:
    """Where the clock moves on at each look, none of the minimum is left from the third round on:
    not a microsecond, of which "about 1 s" would be told."""
    ticks = Ticks(1.0)

    def later_ns() -> int:
        ticks.now_s += 1e-6
        return round(ticks.now_s * S_NS)

    clock = Clock(monotonic_ns=later_ns, utc=lambda: f"at {ticks.now_s}")
    events = events_of(scenario(), tmp_path, clock=clock, execute=ticks.execute)
    started = [event for event in events if isinstance(event, TrialStarted)]
    assert [event.minimum_eta_s for event in started[10:]] == [0] * 10


@pytest.mark.parametrize("is_new", [True, False])
def test_a_start_that_fails_leaves_no_folder_of_its_own(tmp_path: Path, is_new: bool) -> None:
    """Footage that is not there: the folder made for the run is gone, one that stood there before
    stays, empty as it was."""
    folder = tmp_path / "run"
    if not is_new:
        folder.mkdir()
    plan = scenario(clips=(ClipSpec(name="own", files=(f"{tmp_path}/absent.mov",)),))
    with pytest.raises(FootageError, match="absent"):
        list(events_of(plan, tmp_path, footage=None))
    assert folder.exists() is not is_new
    assert is_new or list(folder.iterdir()) == []


def test_another_run_is_told_before_anything_is_prepared(tmp_path: Path) -> None:
    """A run of two files, resumed with one of them, under another name or with another seed: one
    sentence names the difference, and the run stays as it was."""
    names = ("C0001.MP4", "C0002.MP4")
    for name in names:
        (tmp_path / name).write_bytes(b"")
    files = [f"{tmp_path}/{name}" for name in names]
    plan = scenario(clips=(ClipSpec(name="own", files=tuple(files)),))
    footage = synthetic_footage(plan)
    footage.clips[:] = [
        clip.model_copy(
            update={"source": "own", "original": clip.original.model_copy(update={"path": name})}
        )
        for clip in footage.clips
        for name in names
    ]
    list(events_of(plan, tmp_path, footage=footage))
    before = {p: p.read_bytes() for p in (tmp_path / "run").iterdir()}
    for other, text in (
        (
            {"clips": (ClipSpec(name="own", files=tuple(files[:1])),)},
            "this run measured C0001.MP4 and C0002.MP4, you passed C0001.MP4. Measure",
        ),
        ({"name": "other"}, 'of the scenario "synthetic", and "other" was asked'),
        ({"clips": plan.clips, "seed": 4}, "the scenario's seed differs"),
    ):
        with pytest.raises(RunError, match=text):
            list(events_of(scenario(**other), tmp_path, resume=True, footage=None))
    assert {path: path.read_bytes() for path in before} == before


@pytest.mark.parametrize("stop_at", [1, 5, 13])
def test_an_interrupted_run_goes_on_where_it_stopped(tmp_path: Path, stop_at: int) -> None:
    """Ctrl-C during trial n keeps the n − 1 before it; resumed, the run has every trial once and
    the same seeds as one that was never stopped."""
    plan = scenario()
    engine = SyntheticEngine(seed=1)

    def interrupted(job, timeout_s):
        if engine.trial_count == stop_at:
            raise KeyboardInterrupt
        return engine(job, timeout_s)

    with pytest.raises(InterruptedRunError, match=f"{stop_at} finished trials are on disk"):
        list(events_of(plan, tmp_path, execute=interrupted))
    assert len(read_run(tmp_path / "run").trials) == stop_at
    resumed = list(events_of(plan, tmp_path, resume=True))
    assert resumed[0].done == stop_at
    list(events_of(plan, tmp_path, run_dir=tmp_path / "whole"))
    run, whole = read_run(tmp_path / "run"), read_run(tmp_path / "whole")
    assert [(t.round_index, t.position, t.cell, t.seed) for t in run.trials] == [
        (t.round_index, t.position, t.cell, t.seed) for t in whole.trials
    ]
    assert run.manifest.stop_reason == "all 4 rounds are done"


def test_a_finished_run_resumed_with_more_rounds_adds_just_those(tmp_path: Path) -> None:
    """The same plan goes on: rounds 0 to 3 stay, 4 and 5 come."""
    list(events_of(scenario(), tmp_path))
    before = (tmp_path / "run" / TRIALS_NAME).read_bytes()
    events = list(events_of(scenario(rounds=6), tmp_path, resume=True))
    assert [e.round_index for e in events if isinstance(e, RoundStarted)] == [4, 5]
    assert (tmp_path / "run" / TRIALS_NAME).read_bytes().startswith(before)
    assert read_run(tmp_path / "run").manifest.scenario.rounds == 6


def test_a_full_disk_ends_the_run_and_is_no_fault_of_the_cell(tmp_path: Path) -> None:
    """A worker without room for its file stops the run; the trial is done again on resuming."""
    engine = SyntheticEngine(seed=1)

    def full(job, timeout_s):
        if isinstance(job, EncodeJob):
            return JobFailed(where="scratch", what="no room", remedy="Free some.", exit_code=24)
        return engine(job, timeout_s)

    with pytest.raises(DiskFullError, match="no room"):
        list(events_of(scenario(), tmp_path, execute=full))
    assert {t.outcome for t in read_run(tmp_path / "run").trials} <= {"finished"}
    *_, last = events_of(scenario(), tmp_path, resume=True)
    assert last == Stopped(reason="all 4 rounds are done")


def test_all_cells_of_a_round_get_the_same_requests(tmp_path: Path) -> None:
    """Both encodings and the null arm replay one list of requests a round; rounds differ."""
    jobs: list[ScrubJob] = []
    engine = SyntheticEngine(seed=1)

    def noting(job, timeout_s):
        if isinstance(job, ScrubJob):
            jobs.append(job)
        return engine(job, timeout_s)

    list(events_of(scenario(null_arm=True), tmp_path, execute=noting))
    rounds = [jobs[place : place + 3] for place in range(0, len(jobs), 3)]
    assert len(rounds) == 4
    assert [len({job.requests for job in group}) for group in rounds] == [1] * 4
    assert len({group[0].requests for group in rounds}) == 4


def test_blocks_are_stored_and_stay_when_a_run_is_resumed(tmp_path: Path) -> None:
    """The first round plays one block of 8 moves. Rounds stopped within the second and resumed have
    one number of blocks a cell from the second on: of moves of 35 ms three or so sets fill one
    second, of moves of 1 ms the 17 are played that a p95 wants. Each move says its block."""
    plan = scenario(scrub=ScrubSettings(patterns=("jump",), requests=8, threads=(1,)))
    truths = {"original": Truth(median_ms=35), "vc3-sq": Truth(median_ms=1)}
    engine = SyntheticEngine(seed=1, truths=truths)

    def interrupted(job, timeout_s):
        if engine.trial_count == 8:
            raise KeyboardInterrupt
        return engine(job, timeout_s)

    with pytest.raises(InterruptedRunError):
        list(events_of(plan, tmp_path, execute=interrupted))
    list(events_of(plan, tmp_path, resume=True, execute=engine))
    scrubbed = [t for t in read_run(tmp_path / "run").trials if t.cell.task == "scrub"]
    for trial in scrubbed:
        assert trial.request_design == "hypercube"
        assert list(trial.measurement.block) == [k // 8 for k in range(8 * trial.blocks)]
    for encoding, expected in (("original", (2, 3, 4)), ("vc3-sq", (17,))):
        blocks = [t.blocks for t in scrubbed if t.cell.encoding == encoding]
        assert blocks[0] == 1
        assert len(set(blocks[1:])) == 1
        assert blocks[1] in expected


def test_scratch_of_trials_is_gone_after_each(tmp_path: Path) -> None:
    """A trial finds a folder of its own with nothing but the marker; what it leaves is removed."""
    engine = SyntheticEngine(seed=1)
    folders = []

    def littering(job, timeout_s):
        if isinstance(job, EncodeJob):
            folders.append(Path(job.scratch_dir))
            assert [path.name for path in folders[-1].iterdir()] == [MARKER_NAME]
            (folders[-1] / "big.mov").write_bytes(b"x")
        return engine(job, timeout_s)

    list(events_of(scenario(), tmp_path, execute=littering))
    assert len(set(folders)) == 4
    assert not any(folder.exists() for folder in folders)
    assert {p.name for p in (tmp_path / "run").iterdir()} == {
        "manifest.json",
        "trials.jsonl",
        "run.lock",
    }


def test_a_disk_full_at_the_manifest_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The half manifest goes with the lock and the folder that was made for the run; the folder
    above it, made too, stays."""

    def refuse(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(run_store.os, "replace", refuse)
    with pytest.raises(DiskFullError):
        list(events_of(scenario(), tmp_path, run_dir=tmp_path / "above" / "run"))
    assert list((tmp_path / "above").iterdir()) == []

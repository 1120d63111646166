"""How steady the machine was over a run, what disturbed it, where its spread comes from."""

import pytest

from fixtures.fabricated_run import THREE, Fabrication, Spread, fabricate_run
from fixtures.snapshot import assert_matches_snapshot
from mezzmark.decide.estimate.observed_run import ObservedRun
from mezzmark.decide.machine.noise import Disturbance
from mezzmark.decide.machine.state import (
    ForeignLoad,
    MachineState,
    ScrubSpread,
    judge_machine,
    judge_steadiness,
)
from mezzmark.model.cell import KERNEL_CLIP, KERNEL_ENCODING, Cell
from mezzmark.model.records import HostMoment, Trial
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.kernel import KernelMeasurement
from mezzmark.report.prose.answer import run_answer
from mezzmark.report.prose.machine import machine_predicate, machine_warnings
from mezzmark.report.prose.method import disturbance_text, steadiness_sentences, steadiness_warnings
from mezzmark.report.view import RunView

STEADY_MS = (16.0, 16.1, 15.9, 16.05, 15.95, 16.0)
STEP_MS = (25.0, 25.2, 24.9, 25.1, 12.5, 12.4, 12.6, 12.5)


def _kernel(times_ms: tuple[float, ...]) -> list[Trial]:
    """The reference kernel once a round."""
    cell = Cell(task="kernel", clip=KERNEL_CLIP, encoding=KERNEL_ENCODING)
    return [
        Trial(
            round_index=index,
            position=99,
            cell=cell,
            seed=0,
            started_utc="",
            wall_ns=1,
            outcome="finished",
            measurement=KernelMeasurement(wall_ns=(round(1e6 * time),)),
        )
        for index, time in enumerate(times_ms)
    ]


def _state(times_ms: tuple[float, ...]) -> MachineState:
    manifest, _ = fabricate_run()
    return judge_machine(ObservedRun(manifest, tuple(_kernel(times_ms))))


def _spread(spread: Spread) -> ScrubSpread:
    manifest, trials = fabricate_run(Fabrication(spread=spread, rounds=10))
    found = judge_steadiness(ObservedRun(manifest, tuple(trials))).scrub_spread
    assert found is not None
    return found


def test_a_steady_kernel_is_a_steady_machine() -> None:
    """Times within one percent of each other: steady, with the range they span."""
    state = _state(STEADY_MS)
    assert (state.kind, state.is_steady) == ("steady", True)
    assert (state.low_ms, state.high_ms) == (15.9, 16.1)
    assert state.spread_fraction == pytest.approx(0.0044, abs=2e-4)


def test_three_wild_times_are_no_steady_machine() -> None:
    """Too few for a course, but 18, 25 and 34 ms of one piece of work are not steady."""
    state = _state((18.0, 25.0, 34.0))
    assert (state.kind, state.is_steady, state.change_fraction) == ("spread", False, None)


def test_a_step_has_its_round_and_size() -> None:
    """From the fifth round on half the time."""
    state = _state(STEP_MS)
    assert (state.kind, state.is_steady, state.step_round) == ("step", False, 4)
    assert state.change_fraction == pytest.approx(-0.5, abs=0.01)


def test_a_drift_has_its_size_and_no_round() -> None:
    """Every round 1 % slower than the one before, over eight."""
    state = _state(tuple(20 * 1.01**index for index in range(9)))
    assert (state.kind, state.is_steady, state.step_round) == ("drift", False, None)
    assert 0.07 <= state.change_fraction <= 0.085


@pytest.mark.parametrize(("share", "is_steady"), [(0.03, True), (0.06, False)])
def test_a_step_matters_from_five_percent_on(share: float, is_steady: bool) -> None:
    """A clear step of 3 % leaves the machine steady for our purposes, one of 6 % does not."""
    wobble = (1.0, 1.0004, 0.9997, 1.0002, 0.9998, 1.0001)
    times = (*(20 * w for w in wobble), *(20 * (1 - share) * w for w in wobble))
    assert _state(times).is_steady is is_steady


def test_without_a_kernel_steadiness_is_not_known() -> None:
    """Two times are too few for any verdict."""
    state = _state((16.0, 25.0))
    assert (state.kind, state.is_steady, state.kernel_count) == ("unknown", None, 2)


def _loaded(load: float, *, threads: int = 4) -> tuple[Manifest, list[Trial]]:
    """A run of so many threads on four cores, with that load before each trial."""
    made = Fabrication(rounds=8, scrub_threads=(threads,), encode_threads=(threads,))
    manifest, trials = fabricate_run(made)
    moment = HostMoment(load_average_1m=load)
    return manifest, [t.model_copy(update={"host_before": moment}) for t in trials]


def _load(load: float, *, threads: int = 4) -> ForeignLoad | None:
    manifest, trials = _loaded(load, threads=threads)
    return judge_machine(ObservedRun(manifest, tuple(trials))).foreign_load


def test_the_load_of_other_programs_is_the_first_caution() -> None:
    """Four threads of the run's own make a load of 4; 9 is somebody else's. Wrong pictures alone
    go before it."""
    assert _load(4.0) is None
    assert _load(9.0) == ForeignLoad(low=9.0, high=9.0, most_own=4, core_count=4)
    manifest, trials = _loaded(9.0)
    found = judge_steadiness(ObservedRun(manifest, tuple(trials)))
    assert run_answer(RunView(manifest, trials)).cautions[0] == steadiness_warnings(found)[0]


@pytest.mark.parametrize("threads", [1, 2, 4])
@pytest.mark.parametrize("load", [1.1, 4.4])
def test_an_ordinary_load_is_no_warning(threads: int, load: float) -> None:
    """A run that uses all cores shows a load of about the cores; one of a single thread may do so
    too, since preparing its encodings takes several. Neither is another program."""
    assert _load(load, threads=threads) is None


def test_the_most_that_a_run_can_make() -> None:
    """One thread makes no load of 4, which is named as the most; eight threads on four cores make 8
    by themselves: 9 is no warning, 11 is, with 8 named."""
    assert _load(9.0, threads=1).most_own == 4
    assert _load(9.0, threads=8) is None
    assert _load(11.0, threads=8).most_own == 8


def test_the_box_holds_the_bad_verdict() -> None:
    """An unsteady machine is the first caution of the answer; a steady one is none."""
    manifest, trials = fabricate_run(Fabrication(rounds=8))
    assert run_answer(RunView(manifest, [*trials, *_kernel(STEADY_MS)])).cautions == ()
    (caution,) = run_answer(RunView(manifest, [*trials, *_kernel(STEP_MS)])).cautions
    assert caution == machine_warnings(_state(STEP_MS))[0]


def _calm(rounds: int = 8) -> tuple[Manifest, list[Trial]]:
    manifest, trials = fabricate_run(
        Fabrication(rounds=rounds, spread=Spread(sample=0.1, trial=0.005, round=0.02))
    )
    return manifest, [t.model_copy(update={"host_during": HostMoment()}) for t in trials]


def _disturbance(trials: list[Trial], manifest: Manifest) -> Disturbance:
    return judge_steadiness(ObservedRun(manifest, tuple(trials))).disturbance


def test_a_disturbed_trial_is_counted_with_its_weight() -> None:
    """One trial with a third of its time stolen is counted, kept, and changes no leader; that is
    no reason for a warning."""
    manifest, calm = _calm()
    assert _disturbance(calm, manifest).disturbed_count == 0
    stolen = calm[0].model_copy(update={"host_during": HostMoment(steal_fraction=0.3)})
    found = _disturbance([stolen, *calm[1:]], manifest)
    assert (found.disturbed_count, found.trial_count) == (1, len(calm))
    assert found.leaders == found.leaders_without != frozenset()
    assert not found.is_warning


def test_many_disturbed_trials_are_a_warning() -> None:
    """Every second round stolen: a warning though the same encoding leads."""
    manifest, calm = _calm()
    moment = HostMoment(steal_fraction=0.3)
    trials = [
        t.model_copy(update={"host_during": moment}) if t.round_index % 2 else t for t in calm
    ]
    found = _disturbance(trials, manifest)
    assert found.disturbed_count == len(trials) // 2
    assert found.leaders == found.leaders_without
    assert found.is_warning


def _hit(trial: Trial) -> Trial:
    """A scrub trial whose every move took three times as long under other work."""
    moves = trial.measurement
    slower = {
        name: tuple(3 * ns for ns in getattr(moves, name))
        for name in ("locate_ns", "decode_ns", "present_ns")
    }
    return trial.model_copy(
        update={
            "measurement": moves.model_copy(update=slower),
            "host_during": HostMoment(steal_fraction=0.6),
        }
    )


def test_a_leader_that_rests_on_disturbed_trials_is_a_warning() -> None:
    """Most trials of the true fastest take three times as long, disturbed, so that another one
    leads: the warning names both."""
    manifest, calm = _calm()
    fast, other = THREE[1].name, THREE[2].name
    trials = [
        _hit(t) if (t.cell.task, t.cell.encoding) == ("scrub", fast) and t.round_index % 4 else t
        for t in calm
    ]
    found = _disturbance(trials, manifest)
    assert (found.leaders, found.leaders_without) == ({other}, {fast})
    assert found.is_warning


def test_spread_between_process_starts_asks_for_rounds() -> None:
    """Planted trial effects of 20 % over moves of 1 %: nearly all of it is between starts, and few
    moves a round are enough."""
    found = _spread(Spread(sample=0.01, trial=0.2, round=0.0))
    assert found.between_fraction > 0.9


def test_spread_between_moves_asks_for_moves() -> None:
    """Planted moves of 60 % without any trial effect: the spread is inside the trials."""
    assert _spread(Spread(sample=0.6, trial=0.0, round=0.0)).between_fraction < 0.5


def test_no_plan_has_more_rounds_than_anyone_waits_for() -> None:
    """However wild the trials, no number of rounds above 24 is given."""
    assert _spread(Spread(sample=0.05, trial=0.9, round=0.3)).round_count is None
    calm = _spread(Spread(sample=0.05, trial=0.01, round=0.0)).round_count
    assert calm <= 24


def test_steadiness_in_words() -> None:
    """Every kind of state, with and without other programs; disturbed trials by what changes in the
    lead; where the spread comes from."""
    load = ForeignLoad(low=9.0, high=11.2, most_own=4, core_count=4)
    states = [
        _state(times)
        for times in (
            STEADY_MS,
            STEP_MS,
            tuple(20 * 1.01**k for k in range(9)),
            (18.0, 25.0, 34.0),
            (16.0,) * 3,
            (16.0,),
        )
    ]
    lines = [f"The machine {machine_predicate(state)}." for state in states]
    for state in states[:2]:
        busy = state.model_copy(update={"foreign_load": load})
        lines += [*machine_warnings(busy), *machine_warnings(busy, "desk")]
    for leaders in (("ab", "a"), ("a", "ab"), ("a", "b"), ("a", "a"), ("a", ""), ("", "")):
        before, after = (frozenset(names) for names in leaders)
        counts = {"disturbed_count": 1, "trial_count": 90, "is_choice": leaders[1] == "b"}
        found = Disturbance(leaders=before, leaders_without=after, **counts)
        assert found.is_warning is (before != after)
        lines.append(disturbance_text(found))
    manifest, trials = _calm()
    steady = judge_steadiness(ObservedRun(manifest, (*trials, *_kernel(STEADY_MS))))
    for share, rounds in ((0.5, 12), (0.33, 1), (0.2, None)):
        spread = steady.scrub_spread.model_copy(
            update={"between_fraction": share, "round_count": rounds, "moves_a_round": 12}
        )
        with_spread = steady.model_copy(update={"scrub_spread": spread, "precision": None})
        lines += steadiness_sentences(with_spread, manifest)
    assert_matches_snapshot("\n".join(lines), "steadiness")

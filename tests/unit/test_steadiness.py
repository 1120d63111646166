"""A run says how steady the machine was, once; what disturbed it; where its spread comes from."""

import re
from itertools import pairwise

import pytest

from fixtures.fabricated_run import THREE, Fabrication, Spread, fabricate_run
from mezzmark.decide.estimate.observations import observe
from mezzmark.decide.machine.noise import Disturbance
from mezzmark.decide.machine.state import judge_machine
from mezzmark.decide.machine.steadiness import judge_steadiness
from mezzmark.model.cell import KERNEL_CLIP, KERNEL_ENCODING, Cell
from mezzmark.model.records import HostMoment, Trial
from mezzmark.model.run import HostFacts, Manifest
from mezzmark.model.tasks.kernel import KernelMeasurement
from mezzmark.report.view import view_run

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


def _verdict(times_ms: tuple[float, ...]) -> tuple[bool | None, str]:
    manifest, _ = fabricate_run()
    trials = _kernel(times_ms)
    state = judge_machine(manifest.host, trials)
    assert state.warnings == ((state.words,) if state.is_steady is False else ())
    return state.is_steady, state.words


def _text(spread: Spread, rounds: int = 10) -> str:
    manifest, trials = fabricate_run(Fabrication(spread=spread, rounds=rounds))
    return " ".join(judge_steadiness(manifest, trials, observe(trials)).sentences)


def test_a_steady_kernel_is_a_steady_machine() -> None:
    """Times within one percent of each other: steady, with the range they span."""
    assert _verdict(STEADY_MS) == (
        True,
        "The machine was steady: the same small piece of work (the reference kernel) took 15.9 to "
        "16.1 ms, typically ±0.4 %.",
    )


def test_three_wild_times_are_no_steady_machine() -> None:
    """Too few for a course, but 18, 25 and 34 ms of one piece of work are not steady."""
    is_steady, words = _verdict((18.0, 25.0, 34.0))
    assert is_steady is False
    assert words.startswith("The machine was not steady: ")
    assert words.endswith("Close other programs and measure again.")


def test_a_step_is_told_with_its_round_and_size() -> None:
    """From the fifth round on half the time: told as such, and as the only verdict."""
    is_steady, words = _verdict(STEP_MS)
    assert is_steady is False
    assert words == (
        "The machine changed suddenly in round 5: from then on the same small piece of work (the "
        "reference kernel) took 50 % less time. Close other programs and measure again."
    )


def test_a_drift_is_told_as_one_sentence() -> None:
    """Every round 1 % slower than the one before, over eight: said to be gradual, with its size,
    and without a round."""
    is_steady, words = _verdict(tuple(20 * 1.01**index for index in range(9)))
    assert is_steady is False
    assert re.fullmatch(
        r"The machine changed little by little: the same small piece of work \(the reference "
        r"kernel\) came to take [78] % more time\. Close other programs and measure again\.",
        words,
    )


@pytest.mark.parametrize(("share", "is_steady"), [(0.03, True), (0.06, False)])
def test_a_step_matters_from_five_percent_on(share: float, is_steady: bool) -> None:
    """A clear step of 3 % leaves the machine steady for our purposes, one of 6 % does not."""
    wobble = (1.0, 1.0004, 0.9997, 1.0002, 0.9998, 1.0001)
    times = (*(20 * w for w in wobble), *(20 * (1 - share) * w for w in wobble))
    assert _verdict(times)[0] is is_steady


def test_without_a_kernel_steadiness_is_not_known() -> None:
    """Two times are too few for any verdict."""
    is_steady, words = _verdict((16.0, 25.0))
    assert is_steady is None
    assert "is not known" in words


def _loaded(load: float, *, threads: int = 4) -> tuple[Manifest, list[Trial]]:
    """A run of so many threads on four cores, with that load before each trial."""
    made = Fabrication(rounds=8, scrub_threads=(threads,), encode_threads=(threads,))
    manifest, trials = fabricate_run(made)
    moment = HostMoment(load_average_1m=load)
    return manifest, [t.model_copy(update={"host_before": moment}) for t in trials]


def test_the_load_of_other_programs_is_told_first() -> None:
    """Four threads of the run's own make a load of 4; 9 is somebody else's. Wrong pictures alone
    go before it."""
    assert not [text for text in view_run(*_loaded(4.0)).answer.cautions if "load" in text]
    manifest, trials = _loaded(9.0)
    assert (
        view_run(manifest, trials)
        .answer.cautions[0]
        .startswith(
            "Other programs were at work: a load of 9.0 to 9.0 before trials, where this run by "
            "itself makes at most about 4 on 4 cores."
        )
    )


@pytest.mark.parametrize("threads", [1, 2, 4])
@pytest.mark.parametrize("load", [1.1, 4.4])
def test_an_ordinary_load_is_no_warning(threads: int, load: float) -> None:
    """A run that uses all cores shows a load of about the cores; one of a single thread may do so
    too, since preparing its encodings takes several. Neither is another program."""
    assert judge_machine(*_judged(_loaded(load, threads=threads))).warnings == ()


def test_a_run_of_one_thread_is_told_the_most_it_can_make() -> None:
    """One thread makes no load of 4: the warning names 4 as the most, not as what it made."""
    (told,) = judge_machine(*_judged(_loaded(9.0, threads=1))).warnings
    assert "makes at most about 4 on 4 cores" in told


def test_more_threads_than_cores_raise_the_most_a_run_can_make() -> None:
    """Eight threads on four cores make 8 by themselves: 9 is no warning, 11 is, with 8 named."""
    assert judge_machine(*_judged(_loaded(9.0, threads=8))).warnings == ()
    (told,) = judge_machine(*_judged(_loaded(11.0, threads=8))).warnings
    assert "makes at most about 8 on 4 cores" in told


def _judged(made: tuple[Manifest, list[Trial]]) -> tuple[HostFacts, list[Trial]]:
    manifest, trials = made
    return manifest.host, trials


def test_the_box_holds_the_bad_verdict() -> None:
    """An unsteady machine is the first caution of the answer; a steady one is none."""
    manifest, trials = fabricate_run(Fabrication(rounds=8))
    assert view_run(manifest, [*trials, *_kernel(STEADY_MS)]).answer.cautions == ()
    cautions = view_run(manifest, [*trials, *_kernel(STEP_MS)]).answer.cautions
    assert cautions[0].startswith("The machine changed suddenly in round 5:")


def test_no_two_sentences_disagree_on_steadiness() -> None:
    """Whatever the kernel did, one sentence judges the machine."""
    manifest, trials = fabricate_run(Fabrication(rounds=8))
    for times_ms in (STEADY_MS, STEP_MS, (18.0, 25.0, 34.0)):
        all_trials = [*trials, *_kernel(times_ms)]
        told = judge_steadiness(manifest, all_trials, observe(all_trials)).sentences
        assert sum("steady" in text or "changed" in text for text in told) == 1


def _calm(rounds: int = 8) -> tuple[Manifest, list[Trial]]:
    manifest, trials = fabricate_run(
        Fabrication(rounds=rounds, spread=Spread(sample=0.1, trial=0.005, round=0.02))
    )
    return manifest, [t.model_copy(update={"host_during": HostMoment()}) for t in trials]


def test_a_disturbed_trial_is_counted_and_its_weight_told() -> None:
    """One trial with a third of its time stolen is counted, kept, and said not to matter; that is
    no reason for a warning."""
    manifest, calm = _calm()
    assert "No trial was disturbed" in " ".join(
        judge_steadiness(manifest, calm, observe(calm)).sentences
    )
    stolen = calm[0].model_copy(update={"host_during": HostMoment(steal_fraction=0.3)})
    trials = [stolen, *calm[1:]]
    found = judge_steadiness(manifest, trials, observe(trials))
    told = f"1 of {len(trials)} trials were disturbed by other work and are kept; without them the "
    assert [text for text in found.sentences if text.startswith(told)]
    assert found.warnings == ()


def test_many_disturbed_trials_are_a_warning() -> None:
    """Every second round stolen: told in the box though the same encoding leads."""
    manifest, calm = _calm()
    moment = HostMoment(steal_fraction=0.3)
    trials = [
        t.model_copy(update={"host_during": moment}) if t.round_index % 2 else t for t in calm
    ]
    (warning,) = judge_steadiness(manifest, trials, observe(trials)).warnings
    assert warning.startswith(f"{len(trials) // 2} of {len(trials)} trials were disturbed")
    assert warning.endswith("without them the same may be the fastest.")


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
    (warning,) = judge_steadiness(manifest, trials, observe(trials)).warnings
    assert f"without them {fast} may be the fastest, in place of {other}." in warning


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("ab", "a", "only a may be the fastest"),
        ("a", "ab", "b may be the fastest too"),
        ("a", "b", "b may be the fastest, in place of a"),
        ("a", "a", "the same may be the fastest"),
    ],
)
def test_leaders_are_told_by_what_changes(before: str, after: str, told: str) -> None:
    """Fewer, more, others or the same: each in its own words."""
    found = Disturbance(
        disturbed_count=1,
        trial_count=90,
        leaders=frozenset(before),
        leaders_without=frozenset(after),
    )
    assert found.words.endswith(f"; without them {told}.")
    assert found.is_warning is (before != after)


def test_spread_between_process_starts_asks_for_rounds() -> None:
    """Planted trial effects of 20 % over moves of 1 %: more rounds help."""
    assert "more rounds help" in _text(Spread(sample=0.01, trial=0.2, round=0.0))


def test_spread_between_moves_asks_for_moves() -> None:
    """Planted moves of 60 % without any trial effect: the spread is inside the trials."""
    text = _text(Spread(sample=0.6, trial=0.0, round=0.0))
    assert "more rounds help, more moves" not in text
    assert "move" in text


def test_no_plan_speaks_of_more_rounds_than_anyone_waits_for() -> None:
    """However wild the trials, no number of rounds above 24 is written."""
    text = _text(Spread(sample=0.05, trial=0.9, round=0.3))
    assert max(int(word) for word in _numbers_before(text, "round")) <= 24


def _numbers_before(text: str, noun: str) -> list[str]:
    words = text.replace(",", "").split()
    return [a for a, b in pairwise(words) if b.startswith(noun) and a.isdigit()]

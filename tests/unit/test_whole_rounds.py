"""A run that was stopped within a round has so many whole ones and part of another."""

from dataclasses import replace
from pathlib import Path

from test_choose import TWO, Run, choose, encoding, made, without

from fixtures.two_sides import KERNEL
from mezzmark.decide.estimate.observed_run import complete_round_count, truncated_round
from mezzmark.report.prose.choice import rounds_text
from mezzmark.report.prose.method import run_basis
from mezzmark.report.prose.numbers import round_count_text
from mezzmark.report.view import RunView
from mezzmark.store.run_store import read_run

EXAMPLES = Path(__file__).parents[2] / "results"


def stopped(run: Run) -> Run:
    """The run as if it had been killed: it does not say why it ended."""
    return replace(run, manifest=run.manifest.model_copy(update={"stop_reason": ""}))


def giving_up(run: Run, *, name: str, after: int) -> Run:
    """The run where trials of an encoding all fail, and none is made after so many rounds."""
    return replace(
        run,
        trials=tuple(
            trial.model_copy(update={"outcome": "failed", "measurement": None})
            if trial.cell.encoding == name
            else trial
            for trial in run.trials
            if trial.cell.encoding != name or trial.round_index < after
        ),
    )


def test_a_last_round_with_fewer_trials_is_part_of_one() -> None:
    """Six rounds, the last without one encoding: five whole ones, as the choice says too."""
    run = made(TWO)
    assert (truncated_round(run), complete_round_count(run)) == (None, 6)
    cut = stopped(without(run, encoding="small", round_index=5))
    assert (truncated_round(cut), complete_round_count(cut)) == (5, 5)
    assert round_count_text(5, 6).startswith(rounds_text(choose(cut)))


def test_a_run_that_ended_by_itself_has_only_whole_rounds() -> None:
    """The reason why it ended is written after the last trial of the last round: what is lacking
    there was given up, not cut off."""
    lacking = without(made(TWO), encoding="small", round_index=5)
    assert lacking.manifest.stop_reason
    assert complete_round_count(lacking) == 6


def test_a_cell_that_was_given_up_cuts_nothing_short() -> None:
    """An encoding that failed in three rounds and is left out of the fourth and last: four
    rounds, even where the run was stopped right then."""
    run = giving_up(made((*TWO, encoding("frail", 30, 150)), rounds=4), name="frail", after=3)
    assert complete_round_count(stopped(run)) == 4
    cut = stopped(without(run, encoding="small", round_index=3))
    assert complete_round_count(cut) == 3


def test_a_loss_in_the_middle_cuts_nothing_short() -> None:
    """An encoding that lost an earlier round leaves the last one whole."""
    run = stopped(without(made(TWO), encoding="small", round_index=2))
    assert complete_round_count(run) == 6


def test_one_round_and_none() -> None:
    """The only round is never truncated; nothing measured is no round."""
    run = stopped(made(TWO, rounds=1))
    assert complete_round_count(run) == 1
    assert complete_round_count(replace(run, trials=())) == 0


def test_rounds_in_words() -> None:
    """Complete ones by their number, a truncated one beside them."""
    assert [round_count_text(*counts) for counts in ((6, 6), (1, 1), (5, 6), (0, 1))] == [
        "6 rounds",
        "1 round",
        "5 whole rounds and part of another",
        "part of the first round",
    ]


def test_an_example_cut_short() -> None:
    """The shipped example has five rounds of 179 trials, the last ones in their place: without the
    last hundred, and the reason why it ended, four are whole."""
    run = read_run(EXAMPLES / "example-uhd-ingest")
    assert {trial.round_index for trial in run.trials[-179:]} == {4}
    assert (truncated_round(run), complete_round_count(run)) == (None, 5)
    manifest = run.manifest.model_copy(update={"stop_reason": ""})
    cut = replace(run, manifest=manifest, trials=run.trials[:-100])
    assert (truncated_round(cut), complete_round_count(cut)) == (4, 4)


def test_of_a_first_round_that_was_cut_short_none_is_whole() -> None:
    """Pilot trials alone are no round yet, and a round that was stopped before its last kernel is
    part of one; up to that kernel, or in a run that ended by itself, it is whole."""
    run = made(TWO, rounds=1)
    first, last = (
        run.trials[0].model_copy(update={"cell": KERNEL, "position": place})
        for place in (0, len(run.trials))
    )
    timed = (first, *run.trials[1:])
    pilots = tuple(trial.model_copy(update={"arm": "pilot"}) for trial in run.trials)
    for trials, count in (
        (pilots, 0),
        ((*pilots, first), 0),
        (timed[:3], 0),
        (timed, 0),
        ((*timed, last), 1),
    ):
        cut = stopped(replace(run, trials=trials))
        assert complete_round_count(cut) == count
        basis = run_basis(RunView(cut.manifest, trials))
        assert (" · part of the first round · " in basis) is (count == 0)
        assert (" · 1 round · " in basis) is (count == 1)
    assert complete_round_count(replace(run, trials=timed)) == 1

"""A run that was stopped within a round has so many whole ones and part of another."""

from dataclasses import replace
from pathlib import Path

from test_choose import TWO, Run, choose, encoding, made, without

from mezzmark.decide.estimate.complete_rounds import (
    begun_rounds_text,
    cut_short_round,
    whole_round_count,
)
from mezzmark.report.prose.choice import rounds_text
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
    assert (whole_round_count(run), begun_rounds_text(run)) == (6, "6 rounds")
    cut = stopped(without(run, encoding="small", round_index=5))
    assert (cut_short_round(cut), whole_round_count(cut)) == (5, 5)
    assert begun_rounds_text(cut) == "5 whole rounds and part of another"
    assert begun_rounds_text(cut).startswith(rounds_text(choose(cut)))


def test_a_run_that_ended_by_itself_has_only_whole_rounds() -> None:
    """The reason why it ended is written after the last trial of the last round: what is lacking
    there was given up, not cut off."""
    lacking = without(made(TWO), encoding="small", round_index=5)
    assert lacking.manifest.stop_reason
    assert begun_rounds_text(lacking) == "6 rounds"


def test_a_cell_that_was_given_up_cuts_nothing_short() -> None:
    """An encoding that failed in three rounds and is left out of the fourth and last: four
    rounds, even where the run was stopped right then."""
    run = giving_up(made((*TWO, encoding("frail", 30, 150)), rounds=4), name="frail", after=3)
    assert begun_rounds_text(stopped(run)) == "4 rounds"
    cut = stopped(without(run, encoding="small", round_index=3))
    assert begun_rounds_text(cut) == "3 whole rounds and part of another"


def test_a_loss_in_the_middle_cuts_nothing_short() -> None:
    """An encoding that lost an earlier round leaves the last one whole."""
    run = stopped(without(made(TWO), encoding="small", round_index=2))
    assert begun_rounds_text(run) == "6 rounds"


def test_one_round_and_none() -> None:
    """The only round cannot be told to be cut short; nothing measured is no round."""
    run = stopped(made(TWO, rounds=1))
    assert begun_rounds_text(run) == "1 round"
    empty = replace(run, trials=())
    assert whole_round_count(empty) == 0
    assert begun_rounds_text(empty) == "0 rounds"


def test_the_example_that_was_stopped() -> None:
    """Of the shipped example 129 trials a round and 13 of the sixth are there: five whole ones."""
    run = read_run(EXAMPLES / "example-uhd-ingest")
    assert begun_rounds_text(run) == "5 whole rounds and part of another"

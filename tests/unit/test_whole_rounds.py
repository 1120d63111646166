"""A run that was stopped within a round has so many whole ones and part of another."""

from pathlib import Path

from test_choose import TWO, choose, made, without

from mezzmark.decide.choose_words import rounds_text
from mezzmark.decide.whole_rounds import begun_rounds_text, whole_round_count
from mezzmark.store.run_store import read_run

EXAMPLES = Path(__file__).parents[2] / "results"


def test_a_last_round_with_fewer_trials_is_part_of_one() -> None:
    """Six rounds, the last without one encoding: five whole ones, as the choice says too."""
    run = made(TWO)
    assert (whole_round_count(run.trials), begun_rounds_text(run.trials)) == (6, "6 rounds")
    cut = without(run, encoding="small", round_index=5)
    assert begun_rounds_text(cut.trials) == "5 whole rounds and part of another"
    assert begun_rounds_text(cut.trials).startswith(rounds_text(choose(cut)))


def test_a_loss_in_the_middle_cuts_nothing_short() -> None:
    """An encoding that lost an earlier round leaves the last one whole."""
    run = without(made(TWO), encoding="small", round_index=2)
    assert begun_rounds_text(run.trials) == "6 rounds"


def test_one_round_and_none() -> None:
    """The only round cannot be told to be cut short; nothing measured is no round."""
    run = made(TWO, rounds=1)
    assert begun_rounds_text(run.trials) == "1 round"
    assert whole_round_count(()) == 0
    assert begun_rounds_text(()) == "0 rounds"


def test_the_example_that_was_stopped() -> None:
    """Of the shipped example 129 trials a round and 13 of the sixth are there: five whole ones."""
    run = read_run(EXAMPLES / "example-uhd-ingest")
    assert begun_rounds_text(run.trials) == "5 whole rounds and part of another"

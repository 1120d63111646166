"""A run says where its spread comes from, what would narrow it and what disturbed it."""

from fabricated_run import Fabrication, Spread, fabricate_run

from mezzmark.decide.steadiness import describe_steadiness, plan_precision
from mezzmark.facts.records import HostMoment


def _text(spread: Spread, rounds: int = 10) -> str:
    return " ".join(describe_steadiness(*fabricate_run(Fabrication(spread=spread, rounds=rounds))))


def test_spread_between_process_starts_asks_for_rounds() -> None:
    """Planted trial effects of 20 % over moves of 1 %: more rounds help."""
    assert "more rounds help" in _text(Spread(sample=0.01, trial=0.2, round=0.0))


def test_spread_between_moves_asks_for_moves() -> None:
    """Planted moves of 60 % without any trial effect: the spread is inside the trials."""
    text = _text(Spread(sample=0.6, trial=0.0, round=0.0))
    assert "more rounds help, more moves" not in text
    assert "move" in text


def test_a_disturbed_trial_is_counted_and_its_weight_told() -> None:
    """One trial with a tenth of its time stolen is counted, kept, and said not to matter."""
    manifest, trials = fabricate_run(Fabrication(rounds=8))
    calm = [trial.model_copy(update={"host_during": HostMoment()}) for trial in trials]
    assert "No trial was disturbed" in " ".join(describe_steadiness(manifest, calm))
    stolen = calm[0].model_copy(update={"host_during": HostMoment(steal_fraction=0.3)})
    text = " ".join(describe_steadiness(manifest, [stolen, *calm[1:]]))
    assert f"1 of {len(trials)} trials" in text
    assert "the same encodings lead" in text


def test_a_wider_spread_needs_more_rounds() -> None:
    """The rounds that a precision takes grow with the spread between trials."""

    def rounds(trial: float) -> int:
        made = Fabrication(spread=Spread(sample=0.05, trial=trial, round=0.0), rounds=10)
        words = plan_precision(*fabricate_run(made)).split()
        return int(words[words.index("rounds") - 1].replace(",", ""))

    assert rounds(0.2) > rounds(0.05)


def test_too_few_rounds_plan_nothing() -> None:
    """Two rounds say nothing of the spread, so no plan is made."""
    assert plan_precision(*fabricate_run(Fabrication(rounds=2))) == ""

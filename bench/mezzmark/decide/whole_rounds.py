"""How many rounds a run finished, where it was stopped within one."""

from collections import Counter
from collections.abc import Sequence

from mezzmark.decide.wording import count_text
from mezzmark.facts.records import Trial


def whole_round_count(trials: Sequence[Trial]) -> int:
    """Rounds that were begun, without a last one that has fewer trials than the one before.

    Trials of fidelity are left out: they are made once, in the first round.
    """
    counts = Counter(trial.round_index for trial in trials if trial.cell.task != "fidelity")
    rounds = sorted(counts)
    is_cut_short = len(rounds) > 1 and counts[rounds[-1]] < counts[rounds[-2]]
    return len(rounds) - is_cut_short


def begun_rounds_text(trials: Sequence[Trial]) -> str:
    """`6 rounds`, or `5 whole rounds and part of another` where the run was stopped within one."""
    whole = whole_round_count(trials)
    begun = len({trial.round_index for trial in trials})
    if begun <= whole:
        return count_text(begun, "round")
    return f"{count_text(whole, 'whole round')} and part of another"

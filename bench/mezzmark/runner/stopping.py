"""When the rounds end: by precision, by number, by time; decided between rounds only.

Stopping looks at the width of intervals and never at a difference: a rule that waits until
something looks different finds differences that are not there. Where the looks fall, and how many
must agree, is `mezzmark.statistics.stopping`'s to say.
"""

from collections.abc import Callable, Sequence

from mezzmark.model.records import Trial
from mezzmark.model.scenario import Scenario

StopWhen = Callable[[Sequence[Trial]], bool | str]
"""Given all trials so far: whether they suffice; a text says why. Asked after whole pairs of
rounds, for only then are the orders balanced."""

PAIR_ROUNDS = 2
"""A round and its mirror image."""


def stop_at_precision(precision_fraction: float, *, minimum_rounds: int) -> StopWhen:
    """The usual rule: no cell's interval is wider than ± this share of its figure, now and at the
    look before."""
    from mezzmark.decide.estimate.pooling import worst_relative_half_width
    from mezzmark.statistics.stopping import is_precise, look_points

    def stop_when(trials: Sequence[Trial]) -> bool | str:
        round_count = 1 + max((trial.round_index for trial in trials), default=-1)
        looks = look_points(round_count, minimum_rounds=minimum_rounds)
        widths = [
            worst_relative_half_width([trial for trial in trials if trial.round_index < look])
            for look in looks
        ]
        if not is_precise(widths, precision_fraction=precision_fraction):
            return False
        return f"precision reached: every interval is within ±{precision_fraction:.3g} of its value"

    return stop_when


def stop_reason(
    scenario: Scenario,
    trials: Sequence[Trial],
    *,
    round_count: int,
    elapsed_s: float,
    next_round_s: float | None,
    stop_when: StopWhen,
) -> str:
    """Why no further round begins after `round_count` whole ones; empty when one does.

    `minimum_rounds` are measured whatever the budget; after that no round begins that would, by
    what is expected of it (`next_round_s`), end after it.
    """
    if round_count >= scenario.rounds:
        return f"all {scenario.rounds} rounds are done"
    if round_count < scenario.minimum_rounds:
        return ""
    if round_count % PAIR_ROUNDS == 0:
        verdict = stop_when(trials)
        if verdict:
            text = verdict if isinstance(verdict, str) else "what was asked for is reached"
            return f"{text} (after {round_count} rounds)"
    budget_s = scenario.time_budget_s
    if budget_s is not None and elapsed_s + (next_round_s or 0.0) > budget_s:
        whatever = (
            f", and at least {scenario.minimum_rounds} are measured whatever the budget"
            if elapsed_s > budget_s
            else ""
        )
        return (
            f"another round would end after the time budget of {budget_s:g} s "
            f"({round_count} rounds took {elapsed_s:.0f} s{whatever})"
        )
    return ""

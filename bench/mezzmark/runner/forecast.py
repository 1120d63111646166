"""How long rounds take, and how long a run takes with them: pure, from what was measured so far."""

from collections.abc import Sequence
from dataclasses import dataclass

from mezzmark.facts.cells import PlannedTrial
from mezzmark.facts.scenario import Scenario
from mezzmark.runner.events import RoundsForecast
from mezzmark.runner.progress import Progress


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeLeft:
    """Seconds to the end of the rounds that are measured whatever the budget, and to the end of
    all rounds or of the budget, whichever is first."""

    minimum_s: float
    whole_s: float


def expected_s(
    progress: Progress, planned: Sequence[PlannedTrial], *, elapsed_s: float
) -> float | None:
    """What these trials will take, with what passes between trials in its share so far."""
    trials_s = progress.expected_s(planned)
    if trials_s is None or progress.walls_s <= 0:
        return trials_s
    return trials_s * max(1.0, elapsed_s / progress.walls_s)


def time_left(
    scenario: Scenario, *, round_index: int, rest_s: float, round_s: float, elapsed_s: float
) -> TimeLeft:
    """`rest_s` is what is left of the round that is under way, `round_s` what a whole one takes."""
    rounds_due = max(0, scenario.minimum_rounds - 1 - round_index)
    minimum_s = rest_s + rounds_due * round_s
    whole_s = rest_s + (scenario.rounds - 1 - round_index) * round_s
    if scenario.time_budget_s is not None:
        whole_s = min(whole_s, max(scenario.time_budget_s - elapsed_s, minimum_s))
    return TimeLeft(
        minimum_s=minimum_s if round_index < scenario.minimum_rounds else 0.0, whole_s=whole_s
    )


def forecast_rounds(
    scenario: Scenario, *, rounds_done: int, round_s: float, elapsed_s: float
) -> RoundsForecast:
    """What the minimum and the whole will have taken, from the start of the run."""
    minimum = max(scenario.minimum_rounds, rounds_done)
    most = scenario.rounds
    if scenario.time_budget_s is not None and round_s > 0:
        affordable = int(max(0.0, scenario.time_budget_s - elapsed_s) // round_s)
        most = min(most, max(minimum, rounds_done + affordable))
    minimum_s = elapsed_s + (minimum - rounds_done) * round_s
    budget_s = scenario.time_budget_s
    is_felt = budget_s is not None and (most < scenario.rounds or minimum_s > budget_s)
    return RoundsForecast(
        round_s=round_s,
        minimum_rounds=minimum,
        minimum_s=minimum_s,
        most_rounds=most,
        most_s=elapsed_s + (most - rounds_done) * round_s,
        time_budget_s=budget_s if is_felt else None,
    )

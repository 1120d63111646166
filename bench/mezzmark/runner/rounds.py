"""How long rounds take, and when no further one begins: pure, from what was measured so far.

Rounds end by precision, by number or by time, decided between rounds only. Stopping looks at the
width of intervals and never at a difference: a rule that waits until something looks different
finds differences that are not there. Where the looks fall, and how many must agree, is
`mezzmark.statistics.power`'s to say.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.model.cell import Cell, PlannedTrial
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.records import Trial
from mezzmark.model.scenario import Scenario
from mezzmark.runner.events import RoundsForecast

GIVE_UP_AFTER: Final = 3
"""Trials of a cell that all failed before it is left out: one may be chance, and three show in the
report that it was not; every further one could cost a whole timeout."""


class Progress:
    """Trials so far and what follows from them; `note` adds one.

    `walls_s` is the time of all trials, `earlier_s` that of those given at the start.
    """

    def __init__(self, trials: Iterable[Trial] = ()) -> None:
        self.trials: list[Trial] = []
        self.walls_s = 0.0
        self._walls_ns: dict[Cell, list[int]] = {}
        self._failures: dict[Cell, int] = {}
        self._finished: set[Cell] = set()
        for trial in trials:
            self.note(trial)
        self.earlier_s = self.walls_s

    def note(self, trial: Trial) -> None:
        """Take a trial into account."""
        self.trials.append(trial)
        self.walls_s += trial.wall_ns / NS_PER_S
        self._walls_ns.setdefault(trial.cell, []).append(trial.wall_ns)
        if trial.outcome == "finished":
            self._finished.add(trial.cell)
        else:
            self._failures[trial.cell] = self._failures.get(trial.cell, 0) + 1

    def done_places(self) -> set[tuple[int, int]]:
        """(round index, position) of every trial on disk."""
        return {(trial.round_index, trial.position) for trial in self.trials}

    def is_given_up(self, cell: Cell) -> bool:
        """Whether a cell has failed so often, and never finished, that it is left out."""
        return cell not in self._finished and self._failures.get(cell, 0) >= GIVE_UP_AFTER

    def expected_s(
        self, planned: Sequence[PlannedTrial], *, elapsed_s: float = 0.0
    ) -> float | None:
        """Seconds these trials will take, by the mean of each cell, or of all cells where one was
        never measured; with what passed between trials in its share of `elapsed_s`. None while
        there is no trial at all."""
        if not self.trials:
            return None
        mean_ns = sum(trial.wall_ns for trial in self.trials) / len(self.trials)
        total_ns = 0.0
        for trial in planned:
            if not self.is_given_up(trial.cell):
                walls_ns = self._walls_ns.get(trial.cell)
                total_ns += sum(walls_ns) / len(walls_ns) if walls_ns else mean_ns
        overhead = elapsed_s / self.walls_s if self.walls_s > 0 else 1.0
        return total_ns / NS_PER_S * max(1.0, overhead)


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeLeft:
    """Seconds to the end of the rounds that are measured whatever the budget, and to the end of
    all rounds or of the budget, whichever is first."""

    minimum_s: float
    whole_s: float


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


StopWhen = Callable[[Sequence[Trial]], bool | str]
"""Given all trials so far: whether they suffice; a text says why. Asked after whole pairs of
rounds, for only then are the orders balanced."""

PAIR_ROUNDS: Final = 2
"""A round and its mirror image."""


def stop_at_precision(scenario: Scenario) -> StopWhen:
    """The usual rule: no cell's interval is wider than ± the scenario's share of its figure, now
    and at the look before."""
    from mezzmark.decide.estimate.pooling import worst_relative_half_width
    from mezzmark.statistics.power import is_precise, look_points

    def stop_when(trials: Sequence[Trial]) -> bool | str:
        round_count = 1 + max((trial.round_index for trial in trials), default=-1)
        widths = [
            worst_relative_half_width([trial for trial in trials if trial.round_index < look])
            for look in look_points(round_count, minimum_rounds=scenario.minimum_rounds)
        ]
        precision_fraction = scenario.precision_fraction
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

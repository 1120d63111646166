"""Which trials are still to come, how long they take, and when no further round begins: pure.

Rounds end by precision, number or time, decided between rounds. Stopping looks at the width of
intervals and never at a difference: a rule that waits for one finds those that are not there. Where
the looks fall is for `mezzmark.statistics.spread`. Long because all follows from the same trials,
taken into account one by one.
"""

import math
import statistics
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from typing import Final

from mezzmark.decide.estimate.best_player import played_alike, player_costs, still_racing
from mezzmark.model.cell import Cell, PlannedTrial
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import count_text
from mezzmark.model.fact import NS_PER_S, grouped
from mezzmark.model.players import BEST, PLAYERS, Player
from mezzmark.model.records import Trial
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.scrub import ScrubMeasurement, ScrubSettings, latencies_ms
from mezzmark.model.tasks.spec import NS_PER_MS
from mezzmark.runner.events import RoundsForecast
from mezzmark.runner.plan import PlannedCell, plan_round

GIVE_UP_AFTER: Final = 3
"""Trials of a cell that all failed, or of a task on a root in a row, before it is left out: one may
be chance, three show that it was not; every further one could cost a whole timeout."""

MEASURED_PER_TRIAL_NS: Final = 2 * NS_PER_S
"""Moves of a trial at most, for a p95's sake: enough for a median of 35 ms in ten rounds."""

MEASURED_WITHOUT_TAIL_NS: Final = 1 * NS_PER_S
"""Where a p95 would take longer: about what starting a process and proving its pictures cost."""

PAIR_ROUNDS: Final = 2
"""A round and its mirror image."""

StopWhen = Callable[[Sequence[Trial]], str]
"""Why all trials so far suffice, or nothing. Asked after pairs of rounds, whose orders balance."""


class Rounds:
    """The rounds of a run: trials so far, `note` adds one, and what follows. `clock_ns` tells how
    long measuring goes on; trials handed in count as time spent earlier."""

    def __init__(
        self,
        scenario: Scenario,
        cells: Sequence[PlannedCell],
        trials: Iterable[Trial] = (),
        *,
        clock_ns: Callable[[], int],
        stop_when: StopWhen | None = None,
    ) -> None:
        self.scenario = scenario
        self.trials: list[Trial] = []
        self._cells = cells
        self._stop_when = stop_when or stop_at_precision(scenario)
        self._walls_ns: dict[PlannedCell, list[int]] = defaultdict(list)
        self._blocks: dict[Cell, tuple[int, int]] = {}
        self._failures: Counter[PlannedCell] = Counter()
        self._root_failures: Counter[tuple[str | None, str]] = Counter()
        self._finished: set[PlannedCell] = set()
        self._refused: set[tuple[str | int | None, ...]] = set()
        self._named: dict[Cell, str] = {}
        for trial in trials:
            self.note(trial)
        self._root_failures.clear()  # a resumed run has placed its files there again
        self._clock_ns = clock_ns
        self._started_ns = clock_ns() - self._spent_ns
        self._round_trials = len(self.plan(1))
        self._once = len(self.plan(0)) - self._round_trials

    def note(self, trial: Trial) -> None:
        """Take a trial into account."""
        self.trials.append(trial)
        cell = _cell_of(trial)
        self._walls_ns[cell].append(trial.wall_ns + self._note_blocks(trial))
        place = trial.cell.setting["root"], trial.cell.task
        if trial.outcome == "finished":
            self._finished.add(cell)
            self._root_failures[place] = 0
        else:
            self._failures[cell] += 1
            self._root_failures[place] += 1
        if trial.is_refused:
            self._refused.add(_decoder_of(trial))
        if trial.player and trial.arm != "pilot":
            self._named[played_alike(trial.cell)] = trial.player

    def _note_blocks(self, trial: Trial) -> int:
        """Settle how many blocks later rounds play, and how much longer that takes: by the time of
        the cell's first finished round, its pilot of one block, or as later trials have it."""
        if not isinstance(trial.measurement, ScrubMeasurement) or trial.arm == "pilot":
            return 0
        pilot_round, known = self._blocks.get(trial.cell, (trial.round_index, 0))
        if known:
            blocks = known if trial.round_index == pilot_round else trial.blocks
            self._blocks[trial.cell] = pilot_round, blocks
            return 0
        block_ns = _usual_block_ns(trial.measurement, trial.blocks)
        blocks = count_blocks(self.scenario, block_ns=block_ns)
        self._blocks[trial.cell] = trial.round_index, blocks
        return round((blocks - trial.blocks) * block_ns)

    def with_blocks(self, planned: PlannedTrial) -> PlannedTrial:
        """The trial with its blocks: one until its cell has finished in an earlier round."""
        pilot_round, blocks = self._blocks.get(planned.cell, (planned.round_index, 1))
        if planned.round_index <= pilot_round or planned.arm == "pilot":
            return planned
        return planned.model_copy(update={"blocks": blocks})

    def with_player(self, planned: PlannedTrial) -> PlannedTrial:
        """The trial with its cell's named player; the first that may be if none could play."""
        settings = self.scenario.settings(ScrubSettings)
        if planned.arm == "pilot" or planned.cell.setting["player"] != BEST or settings is None:
            return planned
        alike = played_alike(planned.cell)
        if alike not in self._named:
            costs = player_costs(self.trials).get(alike, {})
            self._named[alike] = next(iter(costs), settings.pilot_players[0])
        return planned.model_copy(update={"player": self._named[alike]})

    def is_left_out(self, planned: PlannedTrial) -> bool:
        """Whether its cell was given up, or its player fell behind in earlier pilot passes."""
        if planned.arm != "pilot" or self.is_given_up(planned):
            return self.is_given_up(planned)
        pilot_count = sum(cell.arm == "pilot" for cell in self._cells)
        first = planned.position // pilot_count * pilot_count
        before = [t for t in self.trials if t.arm == "pilot" and t.position < first]
        costs = player_costs(before).get(played_alike(planned.cell), {})
        return first > 0 and planned.player not in still_racing(costs)

    @property
    def _spent_ns(self) -> int:
        return sum(trial.wall_ns for trial in self.trials)

    @property
    def elapsed_s(self) -> float:
        """Time spent measuring, earlier sessions of a resumed run included."""
        return (self._clock_ns() - self._started_ns) / NS_PER_S

    @property
    def total(self) -> int:
        """Trials of all rounds; the first also has those that come once."""
        return self._once + self.scenario.rounds * self._round_trials

    def place(self, planned: PlannedTrial) -> int:
        """How many trials come before this one."""
        index = planned.round_index
        return (self._once if index else 0) + index * self._round_trials + planned.position

    def plan(self, round_index: int) -> tuple[PlannedTrial, ...]:
        """The whole round, in its order."""
        return plan_round(self._cells, round_index, self.scenario.seed)

    def left(self, round_index: int) -> list[PlannedTrial]:
        """What is still to be done of the round; pilot trials only before the first other one."""
        is_chosen = any(trial.arm != "pilot" for trial in self.trials)
        done = {trial.position for trial in self.trials if trial.round_index == round_index}
        return [
            self.with_blocks(planned)
            for planned in self.plan(round_index)
            if planned.position not in done and not self.is_given_up(planned)
            if planned.arm != "pilot" or not is_chosen
        ]

    def is_begun(self, round_index: int) -> bool:
        """Whether a trial of the round is on disk."""
        return any(trial.round_index == round_index for trial in self.trials)

    def is_given_up(self, one: PlannedTrial | Trial) -> bool:
        """Whether its cell or its root's task failed too often, or its decoder is not there."""
        cell = _cell_of(one)
        is_failing = cell not in self._finished and self._failures[cell] >= GIVE_UP_AFTER
        is_out = bool(self.root_given_up(one)) or _decoder_of(one) in self._refused
        return is_failing or is_out

    def root_given_up(self, one: PlannedTrial | Trial) -> str:
        """Its root, if so many trials of its task failed there in a row: gone, full, hanging."""
        root: str = one.cell.setting["root"] or ""
        return root if root and self._root_failures[root, one.cell.task] >= GIVE_UP_AFTER else ""

    def expected_s(self, planned: Iterable[PlannedTrial]) -> float:
        """Seconds these trials will take, by each cell's mean, else that of all, of pilot trials or
        others, what passes between trials included; 0 while there is no trial at all."""
        if not self.trials:
            return 0.0
        spent_ns = self._spent_ns
        walls_ns = grouped((cell.arm, wall) for cell, of in self._walls_ns.items() for wall in of)
        every_ns = [wall for of in walls_ns.values() for wall in of]
        usual_ns = {arm: statistics.fmean(walls_ns.get(arm, every_ns)) for arm in ("", "pilot")}
        total_ns = 0.0
        for trial in planned:
            if not self.is_given_up(trial):
                cell = _cell_of(trial)
                mine_ns = self._walls_ns.get(cell)
                total_ns += statistics.fmean(mine_ns) if mine_ns else usual_ns[cell.arm]
        overhead = self.elapsed_s / (spent_ns / NS_PER_S) if spent_ns else 1.0
        return total_ns / NS_PER_S * max(1.0, overhead)

    def time_left(self, left: Sequence[PlannedTrial]) -> dict[str, float]:
        """Estimates of the event TrialStarted with so much `left`; nothing while unknown."""
        index = left[0].round_index
        if (found := self.forecast(index + 1, left)) is None:
            return {}
        elapsed_s = self.elapsed_s  # goes on meanwhile
        minimum_s = found.minimum_s if index < self.scenario.minimum_rounds else elapsed_s
        return {"eta_s": found.most_s - elapsed_s, "minimum_eta_s": minimum_s - elapsed_s}

    def forecast(self, begun: int, left: Sequence[PlannedTrial] = ()) -> RoundsForecast | None:
        """What the minimum and the whole will have taken, from the start of the run, with so many
        rounds `begun` and these trials of them `left`; None while there is no trial."""
        scenario, done_s = self.scenario, self.elapsed_s + self.expected_s(left)
        round_s = self.expected_s(self.plan(begun))
        if not self.trials:
            return None
        budget_s = scenario.time_budget_s
        minimum, most = max(scenario.minimum_rounds, begun), scenario.rounds
        affordable = most
        if budget_s is not None:
            affordable = begun + int(max(0.0, budget_s - done_s) // (round_s or math.inf))
            most = min(most, max(minimum, affordable))
        minimum_s = done_s + (minimum - begun) * round_s
        is_felt = budget_s is not None and (most < scenario.rounds or minimum_s > budget_s)
        return RoundsForecast(
            round_s=round_s,
            minimum_rounds=minimum,
            minimum_s=minimum_s,
            most_rounds=most,
            most_s=done_s + (most - begun) * round_s,
            time_budget_s=budget_s if is_felt else None,
            affordable_rounds=affordable,
        )

    def early_forecast(self, left: Sequence[PlannedTrial]) -> RoundsForecast | None:
        """From a quarter of the first round on, where the minimum takes more than the budget."""
        if left[0].round_index or len(self.trials) < (self._once + self._round_trials) / 4:
            return None
        found, budget_s = self.forecast(1, left), self.scenario.time_budget_s
        is_over = found and budget_s is not None and found.minimum_s > budget_s
        return found.model_copy(update={"is_early": True}) if found and is_over else None

    def stop_reason(self, round_count: int) -> str:
        """Why no further round begins after `round_count`; else empty. The minimum is measured
        whatever the budget; after it no round that is expected to end beyond it."""
        scenario, planned = self.scenario, self.plan(round_count)
        if not self._cells:
            return "nothing could be prepared that the scenario wants measured"
        timed = [trial for trial in planned if trial.cell.task != "kernel"]
        if not timed:
            return "everything is judged once, and nothing is timed"
        if all(map(self.is_given_up, timed)):
            return "no cell can be measured: each failed again and again"
        if round_count >= scenario.rounds:
            done = "the 1 round is" if round_count == 1 else f"all {round_count} rounds are"
            return f"{done} done"
        if round_count < scenario.minimum_rounds:
            return ""
        if round_count % PAIR_ROUNDS == 0 and (enough := self._stop_when(self.trials)):
            return f"{enough} (after {count_text(round_count, 'round')})"
        budget_s, elapsed_s = scenario.time_budget_s, self.elapsed_s
        if budget_s is None or elapsed_s + self.expected_s(planned) <= budget_s:
            return ""
        took = f"{count_text(round_count, 'round')} took {elapsed_s:.0f} s"
        if elapsed_s > budget_s:
            least = f"no fewer than {scenario.minimum_rounds} are measured whatever the budget"
            took += f", and {least}"
        return f"another round would end after the time budget of {budget_s:g} s ({took})"


def _cell_of(one: PlannedTrial | Trial) -> PlannedCell:
    """What counts as one cell: in pilot trials each player by itself."""
    return PlannedCell(one.cell, *((one.arm, one.player) if one.arm == "pilot" else ()))


def _decoder_of(one: PlannedTrial | Trial) -> tuple[str | int | None, ...]:
    """Which decoder it asks for, and of what; each original may be of another codec."""
    player = PLAYERS.get(one.player or one.cell.setting["player"], Player(name=""))
    clip = one.cell.clip if one.cell.encoding == ORIGINAL else ""
    return player.device, player.lowres, one.cell.encoding, clip


def _usual_block_ns(measured: ScrubMeasurement, blocks: int) -> float:
    """What a block takes without the trial's first move, slower, and rarer in trials to come."""
    latencies = latencies_ms(measured)
    warm = latencies[1:] if latencies.size > 1 else latencies
    return float(warm.mean()) * NS_PER_MS * latencies.size / blocks


def count_blocks(scenario: Scenario, *, block_ns: float) -> int:
    """Blocks of a trial after the pilot, where one takes so long: as many as the p95 of all rounds
    wants or, where the time for a trial is too short for those, what half of it holds."""
    from mezzmark.statistics.tails import samples_needed

    settings = scenario.settings(ScrubSettings)
    if settings is None or scenario.rounds < PAIR_ROUNDS:
        return 1
    lacking = samples_needed(0.95) - settings.requests
    wanted = math.ceil(lacking / (settings.requests * (scenario.rounds - 1)))
    if wanted * block_ns <= MEASURED_PER_TRIAL_NS:
        return max(1, wanted)
    return max(1, int(MEASURED_WITHOUT_TAIL_NS // block_ns))


def stop_at_precision(scenario: Scenario) -> StopWhen:
    """No cell's interval is wider than ± the scenario's share, now and a look before."""
    from mezzmark.decide.estimate.pooling import worst_relative_half_width
    from mezzmark.statistics.spread import is_precise, look_points

    precision_fraction = scenario.precision_fraction

    def stop_when(trials: Sequence[Trial]) -> str:
        round_count = 1 + max((trial.round_index for trial in trials), default=-1)
        widths = [
            worst_relative_half_width([trial for trial in trials if trial.round_index < look])
            for look in look_points(round_count, minimum_rounds=scenario.minimum_rounds)
        ]
        if not is_precise(widths, precision_fraction=precision_fraction):
            return ""
        return f"precision reached: every interval is within ±{precision_fraction:.3g} of its value"

    return stop_when

"""Who plays an encoding of a clip best, by pilot trials that serve for nothing else.

All players make the same few moves of each pattern before the first round. A player's cost is the
geometric mean of its median latency over patterns and passes; the least is named. Who is far behind
plays no further pass. No pilot trial enters a figure, so the named player's interval is what it
would be had it been named without looking."""

import math
from collections import defaultdict
from collections.abc import Iterable
from statistics import fmean
from typing import Final

from mezzmark.decide.estimate.observed_run import Observation, observe
from mezzmark.model.cell import Cell
from mezzmark.model.fact import Fact
from mezzmark.model.players import BEST
from mezzmark.model.records import Trial
from mezzmark.model.tasks.scrub import proved_mask

NEAR_RATIO: Final = 1.05
"""A player that costs so many times the best one at most is named beside it."""

RACE_RATIO: Final = 1.5
"""Who costs more times the best one is out: a slow state of a machine adds less (1.4 was seen)."""


class BestPlayer(Fact):
    """Who was named for an encoding of a clip (`cell` has no pattern); all costs, least first."""

    cell: Cell
    name: str
    costs_ms: dict[str, float]

    @property
    def near(self) -> tuple[str, ...]:
        """The others that cost hardly more."""
        least = min(self.costs_ms.values(), default=0.0)
        others = self.costs_ms.keys() - {self.name}
        return tuple(p for p in sorted(others) if self.costs_ms[p] <= NEAR_RATIO * least)


def played_alike(cell: Cell) -> Cell:
    """What the choice of a player is common to: all patterns and viewers of a cell."""
    return cell.but(setting=cell.setting.but(pattern=None, viewer_height=None))


def player_costs(trials: Iterable[Trial]) -> dict[Cell, dict[str, float]]:
    """Costs in ms by what is scrubbed alike, the least first, of who proved all pictures."""
    scrubbed = (trial for trial in trials if trial.cell.task == "scrub")
    pilots = [(o, o.trial) for o in observe(scrubbed, arm="pilot") if o.trial]
    unsound = {
        (played_alike(trial.cell), trial.player)
        for _, trial in pilots
        if not proved_mask(trial.measurement).all()  # type: ignore[arg-type]  # all scrubbed
    }
    return costs_of_pilots(
        o for o, trial in pilots if (played_alike(trial.cell), trial.player) not in unsound
    )


def costs_of_pilots(pilots: Iterable[Observation]) -> dict[Cell, dict[str, float]]:
    """As `player_costs`, of pilot trials that are all sound."""
    logs: dict[Cell, dict[str, dict[str, list[float]]]] = defaultdict(lambda: defaultdict(dict))
    for pilot in pilots:
        median_ms = pilot.figures.get("p50_ms", 0.0)
        if pilot.trial and median_ms > 0:
            of_player = logs[played_alike(pilot.cell)][pilot.trial.player]
            of_player.setdefault(pilot.cell.setting["pattern"], []).append(math.log(median_ms))
    found = {}
    for cell, players in logs.items():
        patterns = set().union(*players.values())
        costs = {
            name: math.exp(fmean(map(fmean, of_player.values())))
            for name, of_player in players.items()
            if of_player.keys() == patterns
        }
        found[cell] = dict(sorted(costs.items(), key=lambda item: item[1]))
    return found


def still_racing(costs_ms: dict[str, float]) -> tuple[str, ...]:
    """Who plays a further pass; nobody where one alone is left."""
    least = min(costs_ms.values(), default=0.0)
    near = tuple(name for name, cost in costs_ms.items() if cost <= RACE_RATIO * least)
    return near if len(near) > 1 else ()


def best_players(trials: Iterable[Trial]) -> tuple[BestPlayer, ...]:
    """Those that a run named, as its trials say."""
    listed = [t for t in trials if (t.cell.task, t.cell.setting["player"]) == ("scrub", BEST)]
    costs = player_costs(listed)
    named = {played_alike(t.cell): t.player for t in listed if t.player and not t.arm}
    return tuple(
        BestPlayer(cell=cell, name=named[cell], costs_ms=costs.get(cell, {}))
        for cell in sorted(named, key=lambda cell: cell.sort_key)
    )

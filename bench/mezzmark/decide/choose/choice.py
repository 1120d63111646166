"""What choosing comes to: who is ruled out and why, who is recommended, what would change it, and
where each stands by two figures. Long because every fact is explained where it is stated."""

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Final, Literal

from mezzmark.decide.estimate.best_player import BestPlayer
from mezzmark.decide.machine.noise import Disturbance
from mezzmark.model.cell import Setting
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.figures import FigureName
from mezzmark.model.making import Making
from mezzmark.model.request import STEP_FRACTION, Need, Wish

Outcome = Literal["meets", "open", "misses", "not shown"]
"""`open`: neither met nor missed for sure. `not shown`: not measured, so nobody has passed it."""

Status = Literal["meets", "open", "ruled out", "not judged"]
Front = Literal["on it", "may be on it", "off it"]

Verdict = Literal["recommended", "ahead", "cannot say", "none meets", "nothing to judge"]
"""`recommended`: the best choice with the confidence asked for, all needs met; `ahead`: likelier
the best choice than any other; `cannot say`: a need was not measured."""

Unit = Literal["round", "run"]

NoNumber = Literal["nothing to do", "the footage itself", "identical"]
"""Why a figure that is known has no number: the original does without the task, is what others are
compared with, or every picture came back bit for bit."""

LIKELY: Final = 0.5  # From here on a need is sooner met than not; who meets all may lead

RIVAL_CHANCE: Final = 0.05
"""Whoever is the best choice with less than this chance is no rival worth naming in a doubt."""

SHOWN_CHANCE: Final = 0.005
"""Below it a chance is shown as less than 1 %: draws cannot tell it from none."""

FRONT_LEVEL: Final = 0.95
"""Dominated with this chance an encoding is off the front; with no more than the rest, on it."""


class Lack(Fact):
    """Why something is not known of an encoding, or bars it; `need` or `wish` asked for it.

    - `not measured`, `size not known`, `fact not known`;
    - `clip missing`: it lacks these `clips` of those that decide;
    - `few units`: it finished in `have` of `of` rounds or runs;
    - `wrong pictures`: it showed `have` of them;
    - `no weight`: a figure without a number, which no weight can weigh;
    - `capped`: no more than `have` were tried.
    """

    kind: Literal[
        "not measured",
        "clip missing",
        "size not known",
        "fact not known",
        "few units",
        "wrong pictures",
        "no weight",
        "capped",
    ]
    have: int = 0
    of: int = 0
    unit: Unit = "round"
    clips: tuple[str, ...] = ()
    need: Need | None = None
    wish: Wish | None = None


class NeedResult(Fact):
    """One need against one encoding. `value` is a figure's, `facts` are the values of a fact (the
    original has one a clip), and `no_number` says why a known figure has none; `lack` why nothing
    is known. `chance` is that of truly meeting it (None without enough rounds). `margin_fraction`
    is the room left as a share of the limit, negative beyond it; dB figures have `margin_db`
    instead. Of several clips all this is of `clip`, the least sure to meet it or, where all do, the
    nearest to its limit, but `chance`, which is of all. `share_within` is the share of moves within
    the limit of a tail; `rounds_missing` more are needed for a claim. Where it is open and
    `chance` alone would decide, one on the other side of the limit looks so by noise in
    `noise_fraction` of runs at most (of a miss over all needs and clips): too many for a claim."""

    need: Need
    outcome: Outcome
    value: Estimate | None = None
    facts: tuple[str, ...] = ()
    no_number: NoNumber | None = None
    lack: Lack | None = None
    chance: float | None = None
    noise_fraction: float | None = None
    clip: str = ""
    share_within: float | None = None
    rounds_missing: int = 0
    margin_fraction: float | None = None
    margin_db: float | None = None


class JudgedEncoding(Fact):
    """One encoding under the needs and wishes. `lacks` say why it is not judged. `figures` are what
    the wishes look at, by name, with the `settings` in which they were timed; `no_numbers` are
    those that are known without a number. `chance_all` is that of meeting every need, None where
    one of them was not measured; `chance_measured` that of meeting those that were; `chance_best`
    that of being the best of those that meet them; `chance_dominated` that of another one being at
    least as good in every wish and better in one (of an original, where it misses a need on how
    footage must play). None where the rounds cannot carry a chance. `chance_beside` is that of
    being the better choice than the leader on its `own_clips` alone, where it lacks one that
    decides."""

    encoding: str
    status: Status
    lacks: tuple[Lack, ...] = ()
    needs: tuple[NeedResult, ...] = ()
    figures: dict[str, Estimate] = {}
    settings: dict[str, Setting] = {}
    no_numbers: dict[str, NoNumber] = {}
    chance_all: float | None = None
    chance_measured: float | None = None
    chance_best: float | None = None
    chance_dominated: float | None = None
    front: Front | None = None
    own_clips: tuple[str, ...] = ()
    chance_beside: float | None = None

    def outcomes(self, *outcomes: Outcome) -> tuple[NeedResult, ...]:
        """The needs that came out like this."""
        return tuple(result for result in self.needs if result.outcome in outcomes)

    def estimate(self, goal: FigureName) -> Estimate | None:
        """Of a figure that is wished for or needed; None where it has none."""
        needed = (result.value for result in self.needs if result.need.figure == goal)
        return self.figures.get(goal.name) or next((one for one in needed if one), None)


class TippingPoint(Fact):
    """A smallest change of the limit of `need`, or else of the `encoding`'s figure of `wish`, that
    would change the recommendation to `then` (None: nobody); values are in `unit`, `ratio` is new /
    old."""

    need: Need | None = None
    wish: Wish | None = None
    encoding: str = ""
    old_value: float
    new_value: float
    ratio: float
    unit: str
    then: str | None


class NearMiss(Fact):
    """How far the nearest encodings are from meeting all needs; worst need first."""

    encoding: str
    missed: tuple[NeedResult, ...]


class Addition(Fact):
    """What a scenario lacks to measure a figure: `value` among the `key` of a task's table, or the
    table itself."""

    task: str
    key: str = ""
    value: str | int = ""
    is_new_table: bool = False


class ChoiceRequest(Fact):
    """What is asked, as far as `run_count` runs can answer it. `weights` are those of the `wishes`,
    empty where these stand in order; `alternatives` are further wishes that the runs could answer.
    `how_to_measure` says, of needs that no scenario of these runs measures, what to add. `unit` is
    what is drawn again and again, `begun_count` how many were begun. `clips` decide; `floor_ms` is
    the wait below which none is shorter: the frame time of the fastest of them; every run tried
    `most_streams`. Wishes in order count in steps of `indifference_fraction`; `wishes_from` is the
    scenario of the runs that states them, if any. `best_players` are those that the runs named."""

    needs: tuple[Need, ...]
    wishes: tuple[Wish, ...]
    weights: tuple[float, ...] = ()
    indifference_fraction: float = STEP_FRACTION
    confidence_level: float = 0.95
    clips: tuple[str, ...] = ()
    floor_ms: float | None = None
    most_streams: int = 256
    most_editors: int = 64
    wishes_not_measured: tuple[Wish, ...] = ()
    alternatives: tuple[Wish, ...] = ()
    how_to_measure: dict[Need, Addition] = {}
    has_default_wishes: bool = False
    has_default_needs: bool = False
    wishes_from: str = ""
    unit: Unit = "round"
    run_count: int = 1
    begun_count: int = 0
    best_players: tuple[BestPlayer, ...] = ()

    @property
    def log_margin(self) -> float:
        """A step as a natural log of a ratio."""
        return math.log1p(self.indifference_fraction)

    @property
    def is_floored(self) -> tuple[bool, ...]:
        """Which wishes are of a wait that a floor cuts."""
        waits = (w.figure.task == "scrub" and w.figure.unit == "ms" for w in self.wishes)
        return tuple(is_wait and self.floor_ms is not None for is_wait in waits)

    @property
    def origins(self) -> tuple[float, ...]:
        """Where the steps of each wish begin, as a log of cost: at the floor, or at 1 unit."""
        floor = math.log(self.floor_ms or 1.0)
        return tuple(floor if is_floored else 0.0 for is_floored in self.is_floored)

    def step_edges(self, place: int, low: float, high: float) -> tuple[float, ...]:
        """The upper ends of the steps of a wish (by its place) that hold values of `low` to `high`,
        in its unit; for `more` of a figure they are lower ends."""
        wish, margin = self.wishes[place], self.log_margin
        if not margin or place == len(self.wishes) - 1 or self.weights or low <= 0:
            return ()
        sign, is_db = (1 if wish.figure.better == "less" else -1), wish.figure.unit == "dB"
        scale, origin = 10 / math.log(10), self.origins[place]
        ends = (low / scale, high / scale) if is_db else (math.log(low), math.log(high))
        first, last = sorted(math.ceil((sign * end - origin) / margin - 1e-9) for end in ends)
        first = max(first, 0) if self.is_floored[place] else first
        logs = [sign * (origin + step * margin) for step in range(first, max(first, last) + 1)]
        return tuple(log * scale if is_db else math.exp(log) for log in logs)


class Choice(ChoiceRequest):
    """The whole answer, with what was asked. There is no overall score. Where a need was not
    measured there is no recommendation; `by_other_needs` is then who would be recommended by those
    that were. `chance_best` belongs to the `leader`; `chance_ahead` is that of the leader being the
    choice where only it and the runner-up stand, `decided_by` what sets the two apart. `unit_count`
    rounds that every encoding finished (or whole runs) stand behind it; where it `is_thin` they are
    too few for a chance, and where they are `rounds_short` nobody is recommended. `machines_needed`
    are those with which an encoding is in time, where more than the shop's; `disturbance` says who
    is chosen without disturbed trials, where that was looked at; `making` how the recommended files
    are made, unless it is the original."""

    verdict: Verdict
    recommendation: str | None
    by_other_needs: str | None = None
    chance_best: float | None
    runner_up: str | None
    chance_ahead: float | None
    is_told_apart: bool
    decided_by: Wish | None
    rounds_missing: int | None = None
    rounds_short: int = 0
    needs_not_shown: tuple[Need, ...]
    encodings: tuple[JudgedEncoding, ...]
    nearest: tuple[NearMiss, ...]
    tipping_points: tuple[TippingPoint, ...]
    machines_needed: dict[str, int] = {}
    disturbance: Disturbance | None = None
    making: Making | None = None
    unit_count: int
    is_thin: bool
    draw_count: int

    @property
    def leader(self) -> str | None:
        """The recommendation, or who would be it by the needs that were measured."""
        return self.recommendation or self.by_other_needs

    @property
    def is_sure(self) -> bool:
        """Whether the leader is surely the best and meets what was measured, by rounds enough."""
        if self.leader is None or self.chance_best is None or self.rounds_short:
            return False
        is_open = self.find(self.leader).outcomes("open")
        return not is_open and self.chance_best >= self.confidence_level

    @property
    def chosen(self) -> tuple[str, ...]:
        """Who the choice comes to: one, two that cannot be told apart, or nobody."""
        names = (self.recommendation, self.tied) if self.recommendation else ()
        return tuple(name for name in names if name)

    @property
    def tied(self) -> str | None:
        """The runner-up where it rivals (`is_rivalled`) and both surely meet what was measured."""
        if self.runner_up is None or not self.is_rivalled:
            return None
        both = [self.find(name) for name in (self.leader, self.runner_up) if name]
        is_sure = not any(entry.outcomes("open", "misses") for entry in both)
        return self.runner_up if is_sure else None

    @property
    def is_rivalled(self) -> bool:
        """Whether the runner-up cannot be told apart from the leader and may be the best choice
        itself, not only come before the leader where a third one is best."""
        if self.runner_up is None or self.chance_ahead is None or self.is_told_apart:
            return False
        return (self.find(self.runner_up).chance_best or 0.0) >= RIVAL_CHANCE

    def find(self, encoding: str) -> JudgedEncoding:
        """The entry of that name; KeyError where there is none."""
        return {entry.encoding: entry for entry in self.encodings}[encoding]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoicePoint:
    """An encoding with its estimate in either goal."""

    judged: JudgedEncoding
    x: Estimate
    y: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoicePlane:
    """Two goals and the encodings that have both figures; `missing` names those that lack one.
    `x_limits` and `y_limits` are the limits that needs set to the two figures, in their units."""

    x_goal: FigureName
    y_goal: FigureName
    points: tuple[ChoicePoint, ...]
    missing: tuple[str, ...]
    x_limits: tuple[float, ...]
    y_limits: tuple[float, ...]


def choice_plane(choice: Choice) -> ChoicePlane | None:
    """The first two figures among wishes, then needs, which at least two encodings have both of;
    the first stands upwards. None where there are no two such figures."""
    asked: tuple[Need | Wish, ...] = (*choice.wishes, *choice.needs)
    goals = dict.fromkeys(one.figure for one in asked if one.figure is not None)
    planes = (_plane(choice, x_goal, y_goal) for y_goal, x_goal in combinations(goals, 2))
    return next((plane for plane in planes if len(plane.points) > 1), None)


def _plane(choice: Choice, x_goal: FigureName, y_goal: FigureName) -> ChoicePlane:
    points, missing = [], []
    for entry in choice.encodings:
        x, y = entry.estimate(x_goal), entry.estimate(y_goal)
        if x is None or y is None or min(x.point, y.point) <= 0:
            missing.append(entry.encoding)
        else:
            points.append(ChoicePoint(judged=entry, x=x, y=y))

    def limits(goal: FigureName) -> tuple[float, ...]:
        mine = (need.limit for need in choice.needs if need.figure == goal)
        return tuple(sorted({limit for limit in mine if limit is not None}))

    return ChoicePlane(
        x_goal=x_goal,
        y_goal=y_goal,
        points=tuple(sorted(points, key=lambda p: (p.x.point, p.y.point, p.judged.encoding))),
        missing=tuple(missing),
        x_limits=limits(x_goal),
        y_limits=limits(y_goal),
    )


def pareto_points(plane: ChoicePlane) -> tuple[ChoicePoint, ...]:
    """Of the points that are not ruled out, those that no other one beats or equals in both goals
    and beats in one, by point estimates; in order of x."""
    x_sign, y_sign = (1 if goal.better == "less" else -1 for goal in (plane.x_goal, plane.y_goal))
    in_play = [p for p in plane.points if p.judged.status in ("meets", "open")]
    costs = [(x_sign * p.x.point, y_sign * p.y.point) for p in in_play]

    def is_beaten(x: float, y: float) -> bool:
        return any((x, y) != other and other[0] <= x and other[1] <= y for other in costs)

    return tuple(p for p, cost in zip(in_play, costs, strict=True) if not is_beaten(*cost))

"""What choosing comes to: who is ruled out and why, who is recommended, and what would flip it."""

from typing import Final, Literal

from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact

Outcome = Literal["meets", "open", "misses", "not shown"]
"""`open`: too near to the limit to tell. `not shown`: not measured, so nobody has passed it."""

Status = Literal["meets", "open", "ruled out", "not judged"]

Front = Literal["on it", "may be on it", "off it"]

Verdict = Literal["recommended", "none is sure", "cannot say", "none meets", "nothing to judge"]
"""`cannot say`: a need was not measured, so that nobody is known to meet all."""

RIVAL_CHANCE: Final = 0.05
"""Whoever is the best choice with less than this chance is no rival worth naming in a doubt."""


class NeedResult(Fact):
    """One need against one encoding.

    `chance` is that of truly meeting it (None without enough rounds). `margin_fraction` is the
    room left as a share of the limit, negative beyond it; dB figures have `margin_db` instead.
    """

    need: str
    outcome: Outcome
    value: Estimate | None = None
    value_text: str = ""
    chance: float | None = None
    margin_fraction: float | None = None
    margin_db: float | None = None
    reason: str = ""


class JudgedEncoding(Fact):
    """One encoding under the needs and wishes.

    `chance_all` is that of meeting every need, None where one of them was not measured;
    `chance_measured` that of meeting those that were; `chance_best` that of being the best of those
    that meet them; `chance_dominated` that of another one being at least as good in every wish and
    better in one. None where the rounds cannot carry a chance.
    `is_comparable` is False where a figure that others have is lacking, or pictures were wrong.
    """

    encoding: str
    status: Status
    reasons: tuple[str, ...] = ()
    needs: tuple[NeedResult, ...] = ()
    figures: dict[str, Estimate] = {}
    settings: dict[str, str] = {}
    chance_all: float | None = None
    chance_measured: float | None = None
    chance_best: float | None = None
    chance_dominated: float | None = None
    dominated_by: str | None = None
    front: Front | None = None
    is_comparable: bool = True


class Flip(Fact):
    """A smallest change that would change the recommendation to `then` (None: to nobody).

    `subject` is a wish, a need or a figure; `encoding` whose figure it is. `ratio` is new / old,
    None where nothing is multiplied (order of wishes).
    """

    kind: Literal["need", "weight", "order", "indifference", "measurement"]
    subject: str
    encoding: str = ""
    old_value: float | None = None
    new_value: float | None = None
    ratio: float | None = None
    unit: str = ""
    then: str | None


class NearMiss(Fact):
    """How far the nearest encodings are from meeting all needs; worst need first."""

    encoding: str
    missed: tuple[NeedResult, ...]


class Choice(Fact):
    """The whole answer. There is no overall score.

    Where a need was not measured there is no recommendation; `by_other_needs` is then who would
    be recommended by those that were, and `needs_not_shown_remedies` says, need by need, what to
    do. `chance_best` belongs to the `leader`; `chance_ahead` is that of the leader being preferred
    to the runner-up. `unit_count` units (rounds that every encoding finished, or whole runs) stand
    behind it, of `begun_count` that were begun.
    """

    verdict: Verdict
    recommendation: str | None
    by_other_needs: str | None = None
    chance_best: float | None
    runner_up: str | None
    chance_ahead: float | None
    is_told_apart: bool
    decided_by: str
    needs: tuple[str, ...]
    needs_not_shown: tuple[str, ...]
    needs_not_shown_remedies: tuple[str, ...] = ()
    wishes: tuple[str, ...]
    wishes_not_measured: tuple[str, ...] = ()
    weights: tuple[float, ...]
    has_default_wishes: bool
    indifference_fraction: float
    confidence_level: float
    encodings: tuple[JudgedEncoding, ...]
    nearest: tuple[NearMiss, ...]
    flips: tuple[Flip, ...]
    unit: Literal["round", "run"]
    unit_count: int
    begun_count: int = 0
    draw_count: int
    method: str
    notes: tuple[str, ...] = ()

    @property
    def leader(self) -> str | None:
        """The recommendation, or who would be it by the needs that were measured."""
        return self.recommendation or self.by_other_needs

    @property
    def tied(self) -> str | None:
        """The runner-up where it meets the measured needs as surely, the two cannot be told apart,
        and it may well be the best choice."""
        if self.runner_up is None or not self.is_rivalled:
            return None
        both = [self.find(name) for name in (self.leader, self.runner_up) if name]
        is_sure = all((entry.chance_measured or 0) >= self.confidence_level for entry in both)
        return self.runner_up if is_sure else None

    @property
    def is_rivalled(self) -> bool:
        """Whether the runner-up cannot be told apart from the leader and may be the best choice
        itself, not only come before the leader where a third one is best."""
        if self.runner_up is None or self.chance_ahead is None or self.is_told_apart:
            return False
        return (self.find(self.runner_up).chance_best or 0.0) >= RIVAL_CHANCE

    def __str__(self) -> str:
        """Whom to choose, with the doubt: `X or Y; cannot tell`. Names stand as they were given."""
        if self.leader is None:
            return {
                "none meets": "none: no encoding meets the needs",
                "nothing to judge": "none: no encoding could be judged",
            }.get(self.verdict, "none")
        names = f"{self.leader} or {self.tied}; cannot tell" if self.tied else self.leader
        if self.verdict == "cannot say":
            missing = ", ".join(self.needs_not_shown)
            return f"cannot say: not measured: {missing}; by the rest: {names}"
        if self.chance_best is None:
            return f"{names}; too few rounds to tell"
        return f"{names}; not sure to meet the needs" if self.verdict == "none is sure" else names

    def find(self, encoding: str) -> JudgedEncoding:
        """The entry of that name; KeyError where there is none."""
        for entry in self.encodings:
            if entry.encoding == encoding:
                return entry
        raise KeyError(encoding)

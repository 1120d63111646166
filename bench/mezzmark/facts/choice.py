"""What choosing comes to: who is ruled out and why, who is recommended, and what would flip it."""

from typing import Literal

from mezzmark.facts.base import Fact
from mezzmark.facts.estimates import Estimate

Outcome = Literal["meets", "open", "misses", "not shown"]
"""`open`: too near to the limit to tell. `not shown`: not measured, so nobody has passed it."""

Status = Literal["meets", "open", "ruled out", "not judged"]

Front = Literal["on it", "may be on it", "off it"]

Verdict = Literal["recommended", "none is sure", "none meets", "nothing to judge"]


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

    `chance_all` is that of meeting every need that was shown; `chance_best` that of being the
    best of those that meet all; `chance_dominated` that of another one being at least as good in
    every wish and better in one. None where the rounds cannot carry a chance.
    `is_comparable` is False where a figure that others have is lacking, or pictures were wrong.
    """

    encoding: str
    status: Status
    reasons: tuple[str, ...] = ()
    needs: tuple[NeedResult, ...] = ()
    figures: dict[str, Estimate] = {}
    settings: dict[str, str] = {}
    chance_all: float | None = None
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

    `chance_best` belongs to the recommendation; `chance_ahead` is that of the recommendation
    being preferred to the runner-up. `unit_count` units (rounds, or whole runs) were resampled.
    """

    verdict: Verdict
    recommendation: str | None
    chance_best: float | None
    runner_up: str | None
    chance_ahead: float | None
    is_told_apart: bool
    decided_by: str
    needs: tuple[str, ...]
    needs_not_shown: tuple[str, ...]
    wishes: tuple[str, ...]
    weights: tuple[float, ...]
    has_default_wishes: bool
    indifference_fraction: float
    confidence_level: float
    encodings: tuple[JudgedEncoding, ...]
    nearest: tuple[NearMiss, ...]
    flips: tuple[Flip, ...]
    unit: Literal["round", "run"]
    unit_count: int
    draw_count: int
    method: str
    notes: tuple[str, ...] = ()

    def find(self, encoding: str) -> JudgedEncoding:
        """The entry of that name; KeyError where there is none."""
        for entry in self.encodings:
            if entry.encoding == encoding:
                return entry
        raise KeyError(encoding)

"""An estimate: point, interval and counts; never a bare number."""

from collections.abc import Callable
from typing import Final, Literal

from mezzmark.model.cell import Cell
from mezzmark.model.fact import Fact

CONFIDENCE_LEVEL: Final = 0.95  # Of every interval, where nobody asks for another one

SPAN_RATIO: Final = 2.0
"""An interval wider than this tells of unlike clips, not of an uncertain figure."""

WithheldKind = Literal[
    "few_rounds", "few_moves", "clustered", "few_clips", "constant", "exact", "unknown"
]


class Withheld(Fact):
    """Why an estimate has no interval.

    - `few_rounds`: it rests on `have` rounds and takes `needed` more;
    - `few_moves`: a tail takes `needed` more rounds, or (if not 0) `moves_a_round` in these rounds;
    - `clustered`: the slow moves crowd into few trials, so that the limit lies beyond all of them;
    - `few_clips`: the same of clips, where it is over clips;
    - `constant`: every round gave the same; `exact`: it is known without error;
    - `unknown`: no round stands behind it.
    """

    kind: WithheldKind
    have: int = 0
    needed: int = 0
    moves_a_round: int = 0


class OfClip(Fact):
    """The same figure of one clip; the intervals of all clips hold together."""

    clip: str
    point: float
    low: float | None = None
    high: float | None = None


class Estimate(Fact):
    """A figure with its interval at `confidence_level`, over `round_count` rounds of one run. `low`
    and `high` are None where the data cannot carry an interval; `withheld` then says why. `by_clip`
    is that of each clip where it is over several, the worst first; `slow_round_count` how many
    rounds were slower than the point, a typical one's speed, by more than a tenth. No more than
    `capped_at` was tried in some round: what is as large is "at least" that."""

    point: float
    low: float | None = None
    high: float | None = None
    confidence_level: float = CONFIDENCE_LEVEL
    unit: str
    round_count: int
    sample_count: int
    method: str
    withheld: tuple[Withheld, ...] = ()
    by_clip: tuple[OfClip, ...] = ()
    slow_round_count: int | None = None
    capped_at: float | None = None

    @classmethod
    def exact(cls, value: float, unit: str) -> "Estimate":
        """A value that is the same however often it is measured."""
        return cls(
            point=value,
            unit=unit,
            round_count=1,
            sample_count=1,
            method="as it is",
            withheld=(Withheld(kind="exact"),),
        )

    @property
    def is_least(self) -> bool:
        """Whether the figure is at least that, and perhaps more."""
        return self.capped_at is not None and self.point >= self.capped_at

    @property
    def half_width(self) -> float | None:
        """Half the interval's width, or None without an interval."""
        if self.low is None or self.high is None:
            return None
        return (self.high - self.low) / 2

    @property
    def relative_half_width(self) -> float | None:
        """Half the interval's width over the point, or None without an interval."""
        if self.half_width is None or self.point == 0:
            return None
        return self.half_width / abs(self.point)

    @property
    def spans_clips(self) -> bool:
        """Whether the interval, or the clips where there is none, span more than `SPAN_RATIO`."""
        if not self.by_clip:
            return False
        points = [clip.point for clip in self.by_clip]
        low, high = min(points) if self.low is None else self.low, self.high or max(points)
        return high > SPAN_RATIO * low

    @property
    def is_exact(self) -> bool:
        """Whether it needs no interval, being known or the same in every round."""
        return bool(self.withheld) and all(w.kind in ("constant", "exact") for w in self.withheld)

    def map(self, function: Callable[[float], float], unit: str) -> "Estimate":
        """A monotone function of the figure: of its point and of both ends, in order."""
        ends = [function(end) for end in (self.low, self.high) if end is not None]
        low, high = (min(ends), max(ends)) if len(ends) == 2 else (None, None)
        changes = {"point": function(self.point), "low": low, "high": high, "unit": unit}
        cap = None if self.capped_at is None else function(self.capped_at)
        return self.model_copy(update=changes | {"by_clip": (), "capped_at": cap})

    def scaled(self, factor: float, unit: str) -> "Estimate":
        """`factor` times the figure."""
        return self.map(lambda value: factor * value, unit)

    def inverted(self, unit: str) -> "Estimate":
        """One over the figure; `inf` where an end is 0."""
        return self.map(lambda value: 1 / value if value else float("inf"), unit)


class CellSummary(Fact):
    """A cell's estimates by figure name (`p50_ms` …) and counts, of the trials of one arm."""

    cell: Cell
    arm: str = ""
    estimates: dict[str, Estimate]
    trial_count: int
    failed_trial_count: int
    set_apart_trial_count: int = 0
    sample_count: int
    wrong_count: int
    unproved_count: int
    alike_count: int = 0
    reasons: tuple[str, ...] = ()

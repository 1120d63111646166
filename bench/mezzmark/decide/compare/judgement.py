"""From changes with their uncertainty to verdicts, over all cells of a comparison at once.

Difference and equivalence are each a family of tests over the cells, held at 1 - confidence by
Holm's method. Equivalence comes first: a change that is proved smaller than the tolerance does
not matter, however surely it is not zero. `regressed` asks for a change proved above zero, not
above the tolerance: else a true change of the tolerance's size would be missed half the time
however long one measures.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.decide.compare.verdicts import Verdict
from mezzmark.statistics.intervals import Interval
from mezzmark.statistics.multiplicity import holm_adjusted
from mezzmark.statistics.paired import Change, log_margin
from mezzmark.statistics.power import detectable_change, rounds_to_find

POWER: Final = 0.9
"""Nine times in ten: the chance meant by "would have been found" and by "rounds needed"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """All ways to see one cell's change, each valid under another assumption; they must agree.

    The first is the change as the stopwatch saw it. A claim needs every way to support it, so it
    is wrong no more often than the way whose assumption holds (intersection-union test, Berger,
    Technometrics 24, 1982, 295-300).
    """

    changes: tuple[Change, ...]

    @property
    def regression_p(self) -> float:
        """One-sided p-value of "costs more"."""
        return max(change.p_above() for change in self.changes)

    @property
    def improvement_p(self) -> float:
        """One-sided p-value of "costs less"."""
        return max(change.p_below() for change in self.changes)

    @property
    def difference_p(self) -> float:
        """Two-sided p-value of "costs more, or less"."""
        return min(1.0, 2 * min(self.regression_p, self.improvement_p))

    def equivalence_p(self, tolerance_fraction: float) -> float:
        """p-value of "any change is smaller than the tolerance", on the scale of `difference_p`.

        Doubled, so that both one-sided tests are made at half the error level and one interval
        tells all: it leaves 1 out (changed), lies within the tolerance (equivalent), or neither.
        At the usual full level a true change of the tolerance's size would be called equivalent
        twice as often, and found 3 % less often.
        """
        worst = max(change.p_equivalent(tolerance_fraction) for change in self.changes)
        return min(1.0, 2 * worst)

    def interval(self, *, confidence_level: float) -> Interval:
        """The cost ratio as the stopwatch saw it, with limits that hold whichever way is right."""
        parts = [change.interval(confidence_level=confidence_level) for change in self.changes]
        return Interval(
            point=parts[0].point,
            low=min(part.low for part in parts),
            high=max(part.high for part in parts),
            confidence_level=confidence_level,
            count=min(part.count for part in parts),
            method=" and ".join(dict.fromkeys(part.method for part in parts)),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """A verdict with what it rests on; p-values are adjusted for the number of cells."""

    verdict: Verdict
    interval: Interval
    difference_p: float
    equivalence_p: float
    is_beyond_tolerance: bool
    detectable_fraction: float
    units_needed: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustedVerdict:
    """A verdict with the p-values behind it, adjusted for the number of cells."""

    verdict: Verdict
    difference_p: float
    equivalence_p: float


def adjusted_verdicts(
    evidence: Sequence[Evidence], *, tolerance_fraction: float, confidence_level: float
) -> tuple[AdjustedVerdict, ...]:
    """One verdict per cell, in the order given."""
    error_level = 1 - confidence_level
    differences = holm_adjusted([item.difference_p for item in evidence])
    equivalences = holm_adjusted([item.equivalence_p(tolerance_fraction) for item in evidence])
    return tuple(
        AdjustedVerdict(
            verdict=_verdict(item, float(difference), float(equivalence), error_level),
            difference_p=float(difference),
            equivalence_p=float(equivalence),
        )
        for item, difference, equivalence in zip(evidence, differences, equivalences, strict=True)
    )


def judge_cells(
    evidence: Sequence[Evidence], *, tolerance_fraction: float, confidence_level: float
) -> tuple[Judgement, ...]:
    """One judgement per cell, in the order given: verdict, interval, and what it would take."""
    found = adjusted_verdicts(
        evidence, tolerance_fraction=tolerance_fraction, confidence_level=confidence_level
    )
    limit = 1 + tolerance_fraction
    judgements = []
    for item, adjusted in zip(evidence, found, strict=True):
        interval = item.interval(confidence_level=confidence_level)
        strictest = (1 - confidence_level) / len(evidence)
        is_open = adjusted.verdict == "inconclusive"
        judgements.append(
            Judgement(
                verdict=adjusted.verdict,
                interval=interval,
                difference_p=adjusted.difference_p,
                equivalence_p=adjusted.equivalence_p,
                is_beyond_tolerance=interval.low > limit or interval.high < 1 / limit,
                detectable_fraction=_detectable(item, strictest),
                units_needed=_units_needed(item, tolerance_fraction, strictest)
                if is_open
                else None,
            )
        )
    return tuple(judgements)


def _verdict(
    evidence: Evidence, difference_p: float, equivalence_p: float, error_level: float
) -> Verdict:
    if equivalence_p <= error_level:
        return "equivalent"
    if difference_p > error_level:
        return "inconclusive"
    return "regressed" if evidence.regression_p < evidence.improvement_p else "improved"


def _detectable(evidence: Evidence, error_level: float) -> float:
    return max(
        detectable_change(
            change.standard_error, degrees=change.degrees, error_level=error_level, power=POWER
        )
        for change in evidence.changes
    )


def _units_needed(evidence: Evidence, tolerance_fraction: float, error_level: float) -> int | None:
    """Rounds (or runs) that would settle the cell, were the change what it looks like.

    It is settled by proving either the change or its smallness, whichever is further from its
    border in the way of seeing that supports it least. None where neither has any room.
    """
    ratios = [change.log_ratio for change in evidence.changes]
    change_room = max(min(ratios), -max(ratios))
    small_room = log_margin(tolerance_fraction) - max(abs(ratio) for ratio in ratios)
    room = max(change_room, small_room)
    if room <= 0:
        return None
    unit_sd = max(change.standard_error * math.sqrt(change.count) for change in evidence.changes)
    needed = rounds_to_find(
        math.expm1(room), round_sd=unit_sd, error_level=error_level, power=POWER
    )
    if needed is None:
        return None
    return max(needed, max(change.count for change in evidence.changes) + 1)

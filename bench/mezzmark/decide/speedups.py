"""Evidence of a change in cost told as speed: above 1 is faster."""

from mezzmark.decide.estimates import RATIO_UNIT
from mezzmark.decide.judgement import Evidence
from mezzmark.facts.estimates import Estimate
from mezzmark.statistics.intervals import Interval


def speedup_estimate(
    evidence: Evidence, *, confidence_level: float, factor: float = 1.0
) -> Estimate:
    """`factor` × baseline cost / contender cost, with its interval."""
    interval = evidence.interval(confidence_level=confidence_level)
    return Estimate(
        point=factor / interval.point,
        low=factor / interval.high,
        high=factor / interval.low,
        confidence_level=confidence_level,
        unit=RATIO_UNIT,
        round_count=interval.count,
        sample_count=interval.count,
        method=interval.method,
    )


def cost_estimate(evidence: Evidence, *, confidence_level: float, factor: float = 1.0) -> Estimate:
    """`factor` × contender cost / baseline cost, with its interval."""
    return ratio_estimate(evidence.interval(confidence_level=confidence_level), factor=factor)


def ratio_estimate(interval: Interval, *, factor: float = 1.0) -> Estimate:
    """`factor` × a ratio of costs as an estimate."""
    return Estimate(
        point=factor * interval.point,
        low=factor * interval.low,
        high=factor * interval.high,
        confidence_level=interval.confidence_level,
        unit=RATIO_UNIT,
        round_count=interval.count,
        sample_count=interval.count,
        method=interval.method,
    )

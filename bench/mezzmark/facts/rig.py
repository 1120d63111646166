"""What `rig` says of a machine: its facts, its clock, and what change it would find."""

from mezzmark.facts.base import Fact
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.inspection import Advice
from mezzmark.facts.records import HostMoment
from mezzmark.facts.run import HostFacts


class ClockFacts(Fact):
    """The clock that times samples: its smallest step seen and what a reading costs."""

    resolution_ns: float
    reading_ns: float


class Planted(Fact):
    """Slowdowns of one known size: how many of the comparisons found it, and the share that theory
    predicts from this machine's own spread (noncentral t)."""

    slowdown_fraction: float
    comparison_count: int
    found_count: int
    found_share: Estimate
    predicted_share: float


class Detectable(Fact):
    """The smallest slowdown that so many rounds find nine times in ten on this machine."""

    round_count: int
    slowdown_fraction: float


class RigFindings(Fact):
    """What comparisons of identical and of slowed players came to.

    `round_sd_fraction` is the spread of the ratio of two identical trials of one round, pooled
    over all comparisons. `false_alarm_share` counts verdicts of regressed or improved between
    identical sides, with its exact interval.
    """

    comparison_count: int
    round_count: int
    tolerance_fraction: float
    confidence_level: float
    false_alarm_count: int
    false_alarm_share: Estimate
    round_sd_fraction: float
    planted: tuple[Planted, ...]
    detectable: tuple[Detectable, ...]


class RigReport(Fact):
    """The whole of `rig`; `findings` is None where only facts were asked for."""

    host: HostFacts
    moment: HostMoment
    clock: ClockFacts
    warnings: tuple[Advice, ...]
    findings: RigFindings | None

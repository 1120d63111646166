"""What a machine's own trials say about what it can tell, and what its facts should warn of."""

import math
from collections.abc import Sequence
from typing import Final, Literal

import numpy as np

from mezzmark.decide.compare.verdicts import Evidence, Judgement, judge_evidence
from mezzmark.decide.estimate.rounds import estimate_of
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.footage import MediaFacts
from mezzmark.model.records import HostMoment
from mezzmark.model.run import HostFacts
from mezzmark.statistics.intervals import Floats, share_interval
from mezzmark.statistics.paired import paired_change
from mezzmark.statistics.spread import detectable_change, t_test_power


class ClockFacts(Fact):
    """The clock that times samples: its smallest step seen and what a reading costs."""

    resolution_ns: float
    reading_ns: float


class Planted(Fact):
    """Slowdowns of one size: how many were found, and the predicted share (noncentral t)."""

    slowdown_fraction: float
    comparison_count: int
    found_count: int
    found_share: Estimate
    predicted_share: float


class Detectable(Fact):
    """The smallest slowdown that so many rounds find nine times in ten on this machine."""

    round_count: int
    slowdown_fraction: float


class SelfTestFindings(Fact):
    """What comparisons of identical and of slowed players came to. `round_sd_fraction` is the
    spread of the ratio of two identical trials of one round, pooled over all comparisons.
    `false_alarm_share` counts claims of a change between identical sides."""

    comparison_count: int
    round_count: int
    tolerance_fraction: float
    confidence_level: float
    false_alarm_count: int
    false_alarm_share: Estimate
    round_sd_fraction: float
    planted: tuple[Planted, ...]
    detectable: tuple[Detectable, ...]


MachineWarning = Literal[
    "governor", "turbo", "virtual", "battery", "load", "network_storage", "scarce_storage"
]


class HardwareDecode(Fact):
    """What came of one kind of file on one device: all pictures right, some wrong, or none."""

    device: str
    media: MediaFacts
    outcome: Literal["right", "wrong", "refused"]
    reason: str = ""


class SelfTestReport(Fact):
    """The whole of `rig`; `findings` is None where only facts were asked for. `warnings` name what
    of `host` and `moment` makes figures less steady or less typical."""

    host: HostFacts
    moment: HostMoment
    clock: ClockFacts
    warnings: tuple[MachineWarning, ...]
    findings: SelfTestFindings | None
    hardware: tuple[HardwareDecode, ...] = ()


ROUND_COUNTS: Final = (5, 10, 20, 40)
"""Round counts for which the smallest detectable slowdown is given."""

BUSY_LOAD_PER_CORE: Final = 0.3
"""Load before the start beyond which the machine does other work; our own choice."""

SCARCE_BYTES: Final = 10 * 10**9
"""Free storage below which a 2160p scenario may fill the disk; our own choice."""

NETWORK_FILE_SYSTEMS: Final = {"nfs", "nfs4", "cifs", "smb", "smbfs", "afpfs", "9p", "fuse.sshfs"}


def judge_self_test(
    costs: Floats, planted_fractions: Sequence[float], *, tolerance_fraction: float
) -> SelfTestFindings:
    """Judge every comparison as `regress` would, and count. `costs` has the shape (arms,
    comparisons, rounds): two identical arms, then one for each planted fraction. Raises ValueError
    for fewer than two rounds or no comparison."""
    baseline, identical = costs[0], costs[1]
    judgements = _judge(baseline, identical, tolerance_fraction)
    alarms = sum(item.is_change for item in judgements)
    ratios = np.log(identical) - np.log(baseline)
    round_sd = float(np.sqrt(ratios.var(axis=1, ddof=1).mean()))
    rounds = costs.shape[2]
    error_level = 1 - CONFIDENCE_LEVEL
    planted = []
    for fraction, arms in zip(planted_fractions, costs[2:], strict=True):
        judged = _judge(baseline, arms, tolerance_fraction)
        found = sum(item.is_change and item.interval.low > 1 for item in judged)
        effect = math.log1p(fraction) * math.sqrt(rounds) / round_sd
        planted.append(
            Planted(
                slowdown_fraction=fraction,
                comparison_count=len(arms),
                found_count=found,
                found_share=_share(found, len(arms)),
                predicted_share=t_test_power(effect, degrees=rounds - 1, error_level=error_level),
            )
        )
    return SelfTestFindings(
        comparison_count=len(baseline),
        round_count=rounds,
        tolerance_fraction=tolerance_fraction,
        confidence_level=CONFIDENCE_LEVEL,
        false_alarm_count=alarms,
        false_alarm_share=_share(alarms, len(judgements)),
        round_sd_fraction=round_sd,
        planted=tuple(planted),
        detectable=tuple(
            Detectable(
                round_count=count,
                slowdown_fraction=detectable_change(
                    round_sd / math.sqrt(count), degrees=count - 1, error_level=error_level
                ),
            )
            for count in ROUND_COUNTS
        ),
    )


def _judge(baseline: Floats, candidate: Floats, tolerance_fraction: float) -> list[Judgement]:
    """Each comparison on its own, as a comparison of one cell over all rounds."""
    changes = [paired_change(*sides) for sides in zip(baseline, candidate, strict=True)]
    return [
        judge_evidence(
            [Evidence(undisturbed=change, typical=change)],
            tolerance_fraction=tolerance_fraction,
            confidence_level=CONFIDENCE_LEVEL,
        )[0]
        for change in changes
    ]


def _share(count: int, total: int) -> Estimate:
    return estimate_of(share_interval(count, total, confidence_level=CONFIDENCE_LEVEL), "share")


def warn_of_machine(host: HostFacts, moment: HostMoment) -> tuple[MachineWarning, ...]:
    """What on this machine makes figures less steady or less typical."""
    file_system, free_bytes = (host.file_system or "").lower(), host.storage_free_bytes
    found: dict[MachineWarning, bool] = {
        "governor": host.governor is not None and host.governor != "performance",
        "turbo": host.turbo == "on",
        "virtual": bool(host.is_virtual),
        "battery": bool(host.on_battery),
        "load": (moment.load_average_1m or 0) > BUSY_LOAD_PER_CORE * host.usable_core_count,
        "network_storage": file_system in NETWORK_FILE_SYSTEMS,
        "scarce_storage": free_bytes is not None and free_bytes < SCARCE_BYTES,
    }
    return tuple(kind for kind, is_so in found.items() if is_so)

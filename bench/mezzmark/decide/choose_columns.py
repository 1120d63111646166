"""One figure of one encoding as the choice needs it: the report's estimate, and values by round."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from mezzmark.facts.estimates import Estimate

RoundKey = tuple[int, int]
"""Place of the run among those given, and round."""

EXACTLY: Final[RoundKey] = (-1, -1)
"""The key of a value that no round made."""

KNOWN_EXACTLY: Final = "known exactly"
"""Why a figure has no interval that is the same however often it is measured."""

DECIBEL_LOG: Final = math.log(10) / 10
"""A decibel as a natural log of a ratio of powers: for PSNR, of the mean squared error."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One figure of one encoding. `logs` has one value a unit (a round, or a whole run), or one
    value under `EXACTLY` where it is known without spread; their spread is that of the figure.

    `estimate` is what the report shows for the figure; the choice shows it and is made around its
    point. Without one (simulations) that is the mean of the logs. `wording` stands in its place
    where a number would mislead. `is_free`: the encoding does without, which beats any value.
    Without logs and not free, `reason` says why nothing is known.
    """

    logs: Mapping[RoundKey, float]
    estimate: Estimate | None = None
    wording: str = ""
    setting: str = ""
    is_exact: bool = False
    is_free: bool = False
    reason: str = ""

    @property
    def point(self) -> float:
        """What counts, on the log scale; NaN where nothing is known."""
        if self.estimate is not None and not self.is_exact:
            return to_log(self.estimate.point, self.estimate.unit)
        return sum(self.logs.values()) / len(self.logs) if self.logs else math.nan


def exact_column(
    log: float, setting: str, *, estimate: Estimate | None = None, wording: str = ""
) -> Column:
    """A figure without spread, `log` of which counts and `estimate` or `wording` is shown."""
    return Column(
        logs={EXACTLY: log}, is_exact=True, setting=setting, estimate=estimate, wording=wording
    )


def to_log(value: float, unit: str) -> float:
    """A figure on the log scale; decibels are turned into natural logs."""
    return value * DECIBEL_LOG if unit == "dB" else math.log(value)


def from_log(log: float, unit: str) -> float:
    """The inverse of `to_log`."""
    return log / DECIBEL_LOG if unit == "dB" else math.exp(log)

"""How much more the candidate costs than the baseline, as a ratio, and how sure that is.

Costs are compared on the log scale: a change of +5 % is log(1.05). The unit is the round where
both sides share one, the run where several runs stand on a side; never the sample.

Beside the mean over rounds, the typical trial, stands the undisturbed level: the mean of the lowest
third of a side's rounds. On a shared machine whole trials are of a fast or a slow state whose mix
differs between runs in which nothing changed; the fast ones stay where they are."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from mezzmark.statistics.intervals import Floats, Interval, logs_of, t_quantile

UNDISTURBED_SHARE: Final = 1 / 3
"""Share of the rounds that the undisturbed level is the mean of; chosen by simulation: with a
quarter or a half a slowing is found less often where trials are of two kinds (DEVELOPERS.md)."""

UNDISTURBED_ROUNDS: Final = 3
"""It is never of fewer rounds: two would leave its spread a single degree of freedom."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """The log cost ratio candidate / baseline, its standard error and degrees of freedom. `count`
    is the number of units behind it: pairs of rounds, rounds of the smaller side, or runs.
    `run_error` is what runs differ by besides, as a standard error of the ratio with so many
    degrees of freedom; it is 0 where the units tell it themselves."""

    log_ratio: float
    standard_error: float
    degrees: float
    count: int
    method: str
    run_error: float = 0.0
    run_degrees: float = math.inf

    @property
    def whole_error(self) -> float:
        """Both errors in quadrature."""
        return math.hypot(self.standard_error, self.run_error)

    @property
    def whole_degrees(self) -> float:
        """Those of `whole_error` (Satterthwaite, Biometrics Bulletin 2, 1946, 110-114)."""
        parts = ((self.standard_error, self.degrees), (self.run_error, self.run_degrees))
        return satterthwaite(*parts)

    def over(self, count: int) -> "Change":
        """As it would come out, by its spread, of so many units."""
        per_unit = self.degrees / (self.count - 1)
        return replace(
            self,
            standard_error=self.standard_error * math.sqrt(self.count / count),
            degrees=per_unit * (count - 1),
            count=count,
        )

    def interval(self, *, confidence_level: float) -> Interval:
        """The cost ratio with its t interval (1.0 = same, above is worse)."""
        reach = t_quantile((1 + confidence_level) / 2, self.whole_degrees)
        half, log = reach * self.whole_error, self.log_ratio
        point, low, high = map(math.exp, (log, log - half, log + half))
        facts = confidence_level, self.count, self.method
        return Interval(*facts, point=point, low=low, high=high)

    @property
    def p_value(self) -> float:
        """Of the claim that nothing changed, two-sided, by the units' own error."""
        if self.standard_error > 0:
            z = abs(self.log_ratio) / self.standard_error
            return 2 * float(special.stdtr(self.degrees, -z))
        return 0.0 if self.log_ratio else 1.0


def log_margin(tolerance_fraction: float) -> float:
    """log(1 + tolerance): as far up as its negative is down. Raises ValueError unless positive."""
    if not tolerance_fraction > 0:
        raise ValueError(f"tolerance_fraction must be positive, not {tolerance_fraction}")
    return math.log1p(tolerance_fraction)


def paired_change(baseline: ArrayLike, candidate: ArrayLike) -> Change:
    """From costs of both sides in the same rounds, in the same order. What a round's requests and
    its moment do to both sides cancels. ValueError for one pair, unequal sides, costs not
    positive."""
    first, second = logs_of(baseline), logs_of(candidate)
    if first.size != second.size:
        raise ValueError(f"{first.size} baseline rounds cannot pair with {second.size}")
    differences, count = second - first, first.size
    return Change(
        log_ratio=float(differences.mean()),
        standard_error=float(differences.std(ddof=1)) / math.sqrt(count),
        degrees=count - 1,
        count=count,
        method="t on log ratios paired by round",
    )


def unpaired_change(baseline: ArrayLike, candidate: ArrayLike) -> Change:
    """From costs of two sides that share no rounds, variances unequal. Welch, Biometrika 34, 1947,
    28-35. Raises as `paired_change`."""
    first, second = logs_of(baseline), logs_of(candidate)
    sizes = np.array([first.size, second.size])
    parts = np.array([first.var(ddof=1), second.var(ddof=1)]) / sizes
    errors = zip(np.sqrt(parts).tolist(), (sizes - 1).tolist(), strict=True)
    return Change(
        log_ratio=float(second.mean() - first.mean()),
        standard_error=math.sqrt(float(parts.sum())),
        degrees=satterthwaite(*errors) if parts.any() else float((sizes - 1).sum()),
        count=int(sizes.min()),
        method="t on logs, unequal variances",
    )


def undisturbed_change(baseline: ArrayLike, candidate: ArrayLike, *, is_paired: bool) -> Change:
    """Of the undisturbed level of two sides; `is_paired` where the n-th rounds did the same work.
    The spread is of logs cut at the highest that counts (Tukey & McLaughlin, Sankhya A 25, 1963,
    331-352; two sides: Yuen, Biometrika 61, 1974, 165-170). Raises as `paired_change`."""
    sides = [logs_of(baseline), logs_of(candidate)]
    if is_paired and sides[0].size != sides[1].size:
        raise ValueError(f"{sides[0].size} baseline rounds cannot pair with {sides[1].size}")
    counts = [undisturbed_count(side.size) for side in sides]
    cut = [
        np.minimum(side, np.sort(side)[count - 1]) * (side.size / count)
        for side, count in zip(sides, counts, strict=True)
    ]
    parts = [cut[1] - cut[0]] if is_paired else cut
    errors = [float(part.std(ddof=1)) / math.sqrt(part.size) for part in parts]
    return Change(
        log_ratio=undisturbed_level(sides[1]) - undisturbed_level(sides[0]),
        standard_error=math.hypot(*errors),
        degrees=satterthwaite(*((e, n - 1) for e, n in zip(errors, counts, strict=False))),
        count=min(side.size for side in sides),
        method=f"t on logs of the lowest third of rounds{', paired' if is_paired else ''}",
    )


def seen_run_errors(
    baseline: ArrayLike, candidate: ArrayLike, *, is_paired: bool
) -> tuple[float, float]:
    """What two runs show by themselves of how much runs differ, as errors of the log ratio of the
    undisturbed level and of the typical trial; costs are in the order of their rounds. Thirds of a
    run differ by more than their rounds explain where states of the machine last. And lowest and
    highest third of rounds change alike where the work alone does: half of what they disagree by
    is, for each run, a doubt of the level."""
    sides = [logs_of(baseline), logs_of(candidate)]
    parts = [sides[1] - sides[0]] if is_paired else sides
    drift = math.sqrt(sum(map(_drift_variance, parts)))
    # Within the middle 80 %: one trial far out is no mix.
    sides = [np.clip(side, *np.quantile(side, (0.1, 0.9))) for side in sides]
    widths = [-undisturbed_level(-side) - undisturbed_level(side) for side in sides]
    return max(abs(widths[1] - widths[0]) / math.sqrt(2), drift), drift


def _drift_variance(values: Floats) -> float:
    """The variance of means of thirds, less what their own spread explains; 0 below 6 values."""
    thirds = np.array_split(values, 3)
    if thirds[-1].size < 2:
        return 0.0
    within = np.mean([third.var(ddof=1) / third.size for third in thirds])
    return max(0.0, float(np.var([third.mean() for third in thirds], ddof=1) - within))


def undisturbed_count(rounds: int) -> int:
    """How many of so many rounds the undisturbed level is of."""
    return max(min(rounds, UNDISTURBED_ROUNDS), math.ceil(rounds * UNDISTURBED_SHARE))


def undisturbed_level(logs: Floats) -> float:
    """The mean of the lowest third."""
    return float(np.sort(logs)[: undisturbed_count(logs.size)].mean())


def satterthwaite(*parts: tuple[float, float]) -> float:
    """Degrees of freedom of (error, degrees) in quadrature; those of the first where all are 0."""
    total = sum(error**2 for error, _ in parts)
    squares = sum(error**4 / degrees for error, degrees in parts)
    if total <= 0:
        return parts[0][1]
    return total**2 / squares if squares > 0 else math.inf


def run_level_change(
    baseline_runs: Sequence[ArrayLike],
    candidate_runs: Sequence[ArrayLike],
    *,
    is_undisturbed: bool = False,
) -> Change:
    """From several runs a side, each given as its rounds' costs: the run is the unit, at the mean
    of its rounds or at its undisturbed level. What differs between days and reboots differs between
    runs, so the spread of whole-run means is the yardstick; it is taken as equal on both sides,
    since one is often a single run. ValueError unless there are three runs, one on each side."""
    level = undisturbed_level if is_undisturbed else np.mean
    first = np.array([level(logs_of(run)) for run in baseline_runs])
    second = np.array([level(logs_of(run)) for run in candidate_runs])
    degrees = first.size + second.size - 2
    if not first.size or not second.size or degrees < 1:
        raise ValueError("the spread between runs needs three runs, at least one on each side")
    squares = float(((first - first.mean()) ** 2).sum() + ((second - second.mean()) ** 2).sum())
    return Change(
        log_ratio=float(second.mean() - first.mean()),
        standard_error=math.sqrt(squares / degrees * (1 / first.size + 1 / second.size)),
        degrees=degrees,
        count=int(first.size + second.size),
        method="t on logs of whole runs",
    )


def holm_adjusted(p_values: Sequence[float]) -> Floats:
    """Holm's adjusted p-values, in the order given; reject where they are at most the level. Holds
    the family-wise error whatever the dependence between the tests (Holm, Scandinavian Journal of
    Statistics 6, 1979, 65-70). Raises ValueError for anything outside 0 to 1."""
    values = np.asarray(p_values, dtype=np.float64)
    if not ((values >= 0) & (values <= 1)).all():
        raise ValueError("p-values lie between 0 and 1")
    order = np.argsort(values, kind="stable")
    steps = values[order] * np.arange(values.size, 0, -1)
    adjusted = np.empty_like(values)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return adjusted

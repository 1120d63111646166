"""Where a series of run means stepped to another level, and how surely; and what the machine did
within one run, read off the reference kernel.

Binary segmentation (Scott & Knott, Biometrics 30, 1974, 507-512): the split into two levels that
fits best is tested; where it holds, both parts are split again in the same way. The test is the
greatest of the t statistics of all places, for a shift of unknown place, size and variance
(Worsley, Journal of the American Statistical Association 74, 1979, 365-367); its p-value is bounded
by the sum over the places (Bonferroni), which needs no simulation and is never too small for
independent normal errors.

A value is weighted by 1 / (standard error² + variance between runs). The errors are those inside a
run; what differs between days, reboots and neighbours is estimated from the series itself. The
scale of both is estimated from the residuals, and never taken as less than the runs' own errors.

    value │ ● ● ●                    one change, between the third run and the fourth
          │       ● ● ● ●
          └─────────────── runs in the order they were made

A step up that is soon taken back is found less often than a lasting one, since one split fits it
badly; a slow drift comes out as one or more steps.

Within a run (`classify_course`): the kernel does the same work in every round, so whatever moves in
its times is the machine. All tests are on logarithms of times in the order they were measured."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from mezzmark.statistics.intervals import Floats, t_quantile

FEWEST_VALUES: Final = 3  # Two levels and a spread cannot be told from two values

_CHI_SQUARE_MEDIAN: Final = 0.45493642311957283
"""Median of chi-square with one degree of freedom: makes a median of squares a variance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangePoint:
    """A step between value `index` - 1 and value `index` (from 0). `change` is the level after less
    the level before, in the unit of the values, with its standard error and degrees of freedom.
    `p_value` is its split's, for "no change in this part", times the parts tested at that depth."""

    index: int
    change: float
    standard_error: float
    degrees: int
    p_value: float

    def limits(self, *, confidence_level: float) -> tuple[float, float]:
        """Limits of the change by Student's t; they take the place of the step as known."""
        half = t_quantile((1 + confidence_level) / 2, self.degrees) * self.standard_error
        return self.change - half, self.change + half


def find_change_points(
    values: ArrayLike, standard_errors: ArrayLike, *, error_level: float
) -> tuple[ChangePoint, ...]:
    """All steps of the series whose p-value is at most `error_level`, in order. With no change
    anywhere, any step is claimed in at most that share of series. Raises ValueError for arrays of
    unequal length, values that are not finite, negative errors, or a level outside 0 to 1."""
    if not 0 < error_level < 1:
        raise ValueError(f"error_level must lie between 0 and 1, not {error_level}")
    series = _Series.of(values, standard_errors)
    return series.steps(dict(sorted(_segment(series, error_level))))


def change_p_value(values: ArrayLike, standard_errors: ArrayLike) -> float:
    """The p-value of "no change anywhere in this series"; 1 for fewer than three values."""
    return _Series.of(values, standard_errors).best_split()[1]


def between_run_variance(values: ArrayLike, standard_errors: ArrayLike) -> float:
    """What neighbouring values differ beyond their errors, as a variance; 0 where they do not. From
    squared differences of neighbours, since a step spoils only one of them (von Neumann et al.,
    Annals of Mathematical Statistics 12, 1941, 153-162); by their median, to leave that out."""
    series, errors = _checked(values, standard_errors)
    if series.size < FEWEST_VALUES:
        return 0.0
    squares = np.diff(series) ** 2
    whole = float(np.median(squares)) / _CHI_SQUARE_MEDIAN
    own = float(np.mean(errors[1:] ** 2 + errors[:-1] ** 2))
    return max(0.0, (whole - own) / 2)


@dataclass(frozen=True, slots=True)
class _Series:
    """Values with their standard errors and weights: 1 / variance, up to a common factor."""

    values: Floats
    errors: Floats
    weights: Floats

    @staticmethod
    def of(values: ArrayLike, standard_errors: ArrayLike) -> "_Series":
        """Weights are equal where nothing is known of any. No error counts as smaller than their
        median: six rounds that agree by luck would else outweigh all other runs."""
        series, errors = _checked(values, standard_errors)
        typical = np.median(errors) if errors.size else 0.0
        variances = np.maximum(errors, typical) ** 2 + between_run_variance(series, errors)
        is_known = (variances > 0).all()
        return _Series(series, errors, 1 / variances if is_known else np.ones_like(series))

    def part(self, start: int, stop: int) -> "_Series":
        """The values from `start` to before `stop`."""
        inside = slice(start, stop)
        return _Series(self.values[inside], self.errors[inside], self.weights[inside])

    def best_split(self) -> tuple[int, float]:
        """The place where two levels fit best, with the bound on its p-value; 0 and 1 for none."""
        count = self.values.size
        if count < FEWEST_VALUES:
            return 0, 1.0
        mass = float(self.weights.sum())
        before = np.cumsum(self.weights)[:-1]
        mean = float(self.weights @ self.values) / mass
        gaps = np.cumsum(self.weights * (self.values - mean))[:-1]
        gains = gaps**2 * mass / (before * (mass - before))
        index = int(np.argmax(gains)) + 1
        gain = float(gains[index - 1])
        if gain <= self.rounding():
            return 0, 1.0
        scale = self.scale([index])
        if scale <= 0:
            return index, 0.0
        tail = 2 * float(special.stdtr(count - 2, -math.sqrt(gain / scale)))
        return index, min(1.0, (count - 1) * tail)

    def levels(self, starts: list[int]) -> list[tuple["_Series", float, float]]:
        """The parts before, between and after `starts`, with weighted means and sums of weights."""
        ends = (*starts, self.values.size)
        parts = [self.part(start, end) for start, end in zip((0, *starts), ends, strict=True)]
        masses = [float(part.weights.sum()) for part in parts]
        return [
            (part, float(part.weights @ part.values) / mass, mass)
            for part, mass in zip(parts, masses, strict=True)
        ]

    def scale(self, starts: list[int]) -> float:
        """Weighted residual variance about the levels; at least the runs' own errors."""
        squares = 0.0
        for part, level, _ in self.levels(starts):
            squares += float(part.weights @ (part.values - level) ** 2)
        residual = squares / (self.values.size - len(starts) - 1)
        own = float(np.mean(self.weights * self.errors**2))
        return max(residual if residual > self.rounding() else 0.0, own)

    def rounding(self) -> float:
        """Weighted squares so small that they may come from rounding alone."""
        return float(np.finfo(np.float64).eps) * float(self.weights @ self.values**2)

    def steps(self, p_values: dict[int, float]) -> tuple[ChangePoint, ...]:
        """Each as the difference of the levels on its sides; one scale for all."""
        degrees = self.values.size - len(p_values) - 1
        if not p_values or degrees < 1:
            return ()
        scale, levels = self.scale(list(p_values)), self.levels(list(p_values))
        return tuple(
            ChangePoint(
                index=index,
                change=after - before,
                standard_error=math.sqrt(scale * (1 / mass_before + 1 / mass_after)),
                degrees=degrees,
                p_value=p_value,
            )
            for (index, p_value), (_, before, mass_before), (_, after, mass_after) in zip(
                p_values.items(), levels[:-1], levels[1:], strict=True
            )
        )


def _segment(series: _Series, error_level: float) -> Iterator[tuple[int, float]]:
    """Places and p-values of splits; a part's counts as often as there may be others."""
    parts = [(0, series.values.size, 1, 0.0)]
    while parts:
        start, stop, count, parent_p = parts.pop()
        index, own_p = series.part(start, stop).best_split()
        p_value = max(parent_p, min(1.0, own_p * count))
        if p_value <= error_level:
            middle = start + index
            yield middle, p_value
            parts += [(start, middle, 2 * count, p_value), (middle, stop, 2 * count, p_value)]


def _checked(values: ArrayLike, standard_errors: ArrayLike) -> tuple[Floats, Floats]:
    series, errors = np.array((values, standard_errors), dtype=np.float64)
    if not (np.isfinite(series).all() and np.isfinite(errors).all() and (errors >= 0).all()):
        raise ValueError("values and errors must be finite, and no error below 0")
    return series, errors


CourseKind = Literal["steady", "drift", "step", "unsteady", "too short"]

MINIMUM_POINTS: Final = 6
"""A step needs two points on either side and a line some spread around it."""

SHORTEST_SEGMENT: Final = 2
COURSE_LEVEL: Final = 0.05

LEFTOVER_LEVEL: Final = 0.01
"""At this error level what a line or a step leaves over is more than noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How a series went. `change_fraction` is first to last level (0.05: 5 % slower at the end).
    `at` is the index of the first point after a step; `p_value` allows for both tests made."""

    kind: CourseKind
    change_fraction: float
    p_value: float
    at: int | None = None


def classify_course(times: ArrayLike) -> Course:
    """Steady, drift, step, or unsteady when neither explains the series. The chance to call a
    steady machine anything else is at most `COURSE_LEVEL`: three tests (slope, best step, likeness
    of neighbours) share it (Bonferroni; the step's search for its place too)."""
    data = np.asarray(times, dtype=np.float64)
    logs = np.log(data / data[0])  # so that times all alike are exactly 0
    if logs.size < MINIMUM_POINTS:
        return Course(kind="too short", change_fraction=0.0, p_value=1.0)
    line, line_p = _line(logs)
    at, step_p = _best_step(logs)
    step = np.repeat((logs[:at].mean(), logs[at:].mean()), (at, logs.size - at))
    wander_p = _wander_p(logs)
    p_value = min(1.0, 3 * min(line_p, step_p, wander_p))
    if p_value > COURSE_LEVEL:
        return Course(kind="steady", change_fraction=0.0, p_value=p_value)
    is_line = float(((logs - line) ** 2).sum()) <= float(((logs - step) ** 2).sum())
    fit = line if is_line else step
    left = logs - fit
    is_explained = min(line_p, step_p) <= wander_p
    kind: CourseKind = "drift" if is_line else "step"
    if not is_explained or min(_best_step(left)[1], _wander_p(left)) * 2 <= LEFTOVER_LEVEL:
        kind = "unsteady"
    change, at_step = math.expm1(float(fit[-1] - fit[0])), at if kind == "step" else None
    return Course(kind=kind, change_fraction=change, p_value=p_value, at=at_step)


def lag_one_autocorrelation(values: ArrayLike) -> float:
    """Σ d_k d_(k+1) / Σ d_k² with deviations d from the mean; 0 for values all alike."""
    data = np.asarray(values, dtype=np.float64)
    centred = data - data.mean()
    total = float(centred @ centred)
    return float(centred[1:] @ centred[:-1]) / total if total > 0 else 0.0


def _line(logs: Floats) -> tuple[Floats, float]:
    """The least-squares line and the two-sided p-value of its slope."""
    place = np.arange(logs.size) - (logs.size - 1) / 2
    slope = float(place @ logs) / float(place @ place)
    fit = logs.mean() + slope * place
    spread = float(((logs - fit) ** 2).sum()) / (logs.size - 2)
    return fit, _two_sided(slope, math.sqrt(spread / float(place @ place)), logs.size - 2)


def _best_step(logs: Floats) -> tuple[int, float]:
    """The split with the largest two-sample t, and its p-value times the splits tried."""
    count = logs.size
    places = np.arange(SHORTEST_SEGMENT, count - SHORTEST_SEGMENT + 1)
    sums = np.cumsum(logs - logs.mean())
    before = sums[places - 1] / places
    after = -sums[places - 1] / (count - places)
    between = (after - before) ** 2 * places * (count - places) / count
    best = int(np.argmax(between))
    explained = float(between[best])
    left = max(float(((logs - logs.mean()) ** 2).sum()) - explained, 0.0) / (count - 2)
    p_value = _two_sided(math.sqrt(explained), math.sqrt(left), count - 2)
    return int(places[best]), min(1.0, p_value * places.size)


def _wander_p(logs: Floats) -> float:
    """The one-sided p-value of neighbours being alike: lag-1 autocorrelation, about normal (-1/n,
    1/n) where nothing lingers (Anderson, Annals of Mathematical Statistics 13, 1942, 1-13)."""
    excess = lag_one_autocorrelation(logs) + 1 / logs.size
    return float(special.ndtr(-excess * math.sqrt(logs.size)))


def _two_sided(estimate: float, standard_error: float, degrees: int) -> float:
    if standard_error > 0:
        return float(2 * special.stdtr(degrees, -abs(estimate) / standard_error))
    return 0.0 if estimate != 0 else 1.0

"""What the machine did during a run, read off the reference kernel: steady, drift, step, or never.

The kernel does the same work in every round, so whatever moves in its times is the machine. All
tests are on logarithms of times in the order they were measured.
"""

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

CourseKind = Literal["steady", "drift", "step", "unsteady", "too short"]

MINIMUM_POINTS: Final = 6
"""A step needs two points on either side and a line some spread around it."""

SHORTEST_SEGMENT: Final = 2

LEFTOVER_LEVEL: Final = 0.01
"""At this error level what a line or a step leaves over is more than noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How a series went. `change_fraction` is first to last level (0.05: 5 % slower at the end).

    `at` is the index of the first point after a step; `p_value` allows for both tests made.
    """

    kind: CourseKind
    change_fraction: float
    p_value: float
    at: int | None = None


def classify_course(times: ArrayLike, *, confidence_level: float = 0.95) -> Course:
    """Steady, drift, step, or unsteady when neither explains the series.

    The chance to call a steady machine anything else is at most 1 - level: three tests (slope,
    best step, likeness of neighbours) share it (Bonferroni; the step's search for its place too).
    """
    data = np.asarray(times, dtype=np.float64)
    logs = np.log(data / data[0])  # so that times all alike are exactly 0
    if logs.size < MINIMUM_POINTS:
        return Course(kind="too short", change_fraction=0.0, p_value=1.0)
    line, line_p = _line(logs)
    at, step_p = _best_step(logs)
    step = np.repeat((logs[:at].mean(), logs[at:].mean()), (at, logs.size - at))
    wander_p = _wander_p(logs)
    p_value = min(1.0, 3 * min(line_p, step_p, wander_p))
    if p_value > 1 - confidence_level:
        return Course(kind="steady", change_fraction=0.0, p_value=p_value)
    is_line = float(((logs - line) ** 2).sum()) <= float(((logs - step) ** 2).sum())
    fit = line if is_line else step
    left = logs - fit
    is_explained = min(line_p, step_p) <= wander_p
    kind: CourseKind = "drift" if is_line else "step"
    if not is_explained or min(_best_step(left)[1], _wander_p(left)) * 2 <= LEFTOVER_LEVEL:
        kind = "unsteady"
    return Course(
        kind=kind,
        change_fraction=math.expm1(float(fit[-1] - fit[0])),
        p_value=p_value,
        at=at if kind == "step" else None,
    )


def lag_one_autocorrelation(values: ArrayLike) -> float:
    """Σ d_k d_(k+1) / Σ d_k² with deviations d from the mean; 0 for values all alike."""
    data = np.asarray(values, dtype=np.float64)
    centred = data - data.mean()
    total = float(centred @ centred)
    return float(centred[1:] @ centred[:-1]) / total if total > 0 else 0.0


def _line(logs: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """The least-squares line and the two-sided p-value of its slope."""
    place = np.arange(logs.size) - (logs.size - 1) / 2
    slope = float(place @ logs) / float(place @ place)
    fit = logs.mean() + slope * place
    spread = float(((logs - fit) ** 2).sum()) / (logs.size - 2)
    return fit, _two_sided(slope, math.sqrt(spread / float(place @ place)), logs.size - 2)


def _best_step(logs: NDArray[np.float64]) -> tuple[int, float]:
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


def _wander_p(logs: NDArray[np.float64]) -> float:
    """The one-sided p-value of neighbours being alike.

    Lag-1 autocorrelation, about normal with mean -1/n and variance 1/n where nothing lingers
    (Anderson, Annals of Mathematical Statistics 13, 1942, 1-13).
    """
    excess = lag_one_autocorrelation(logs) + 1 / logs.size
    return float(stats.norm.sf(excess * math.sqrt(logs.size)))


def _two_sided(estimate: float, standard_error: float, degrees: int) -> float:
    if standard_error > 0:
        return float(2 * stats.t.sf(abs(estimate) / standard_error, degrees))
    return 0.0 if estimate != 0 else 1.0

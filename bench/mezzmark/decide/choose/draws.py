"""What the true figures may be, jointly for all encodings: draws that keep rounds paired.

Method: the report's point plus Student's t with n - 1 degrees of freedom, n the encoding's rounds,
whose covariance between any two columns is that of their rounds. Every draw weighs the rounds alike
for all encodings, so what a round did to all of them cancels in comparisons, and the difference of
two columns with the same rounds has exactly the paired t distribution; a round that only one of
them has is that one's own noise. A resampling of few rounds (bootstrap, also with
Dirichlet weights) has too light tails: over simulated catalogues of close encodings
and three rounds it is sure of the fastest with 89 % on average where 83 % come true, and this with
81 % (tests/simulation/test_choice_reliability.py).
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS, estimate_values
from mezzmark.model.estimate import Estimate, Withheld
from mezzmark.model.figures import FigureName

RoundKey = tuple[int, int]
"""Place of the run among those given, and round."""

EXACTLY: Final[RoundKey] = (-1, -1)
"""The key of a value that no round made."""

KNOWN_EXACTLY: Final = (Withheld(kind="exact"),)
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


DRAW_COUNT: Final = 8000
"""A chance then moves by half a point (one standard error) at most from one seed to another."""

CHOICE_SEED: Final = 20260701
"""Fixed, so that the same runs always give the same answer."""

ENOUGH_ROUNDS_FRACTION: Final = 0.5
"""An encoding that finished in fewer of a figure's rounds than this share is not judged: what it
did in the others is not known, and may be why it failed there."""

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Likely:
    """Figures on the log scale: `points` (encodings, figures), `draws` (draws, encodings,
    figures). NaN where nothing is known, infinite where an encoding does without the figure.
    `standard_errors` are 0 and `degrees` infinite where a value is exact; both are 0 where fewer
    than `MINIMUM_ROUNDS` units leave the spread unknown and all draws are the point (`is_thin`)."""

    encodings: tuple[str, ...]
    figures: tuple[FigureName, ...]
    points: Floats
    draws: Floats
    standard_errors: Floats
    degrees: Floats
    reasons: Mapping[tuple[str, str], str]
    values: Mapping[tuple[str, str], tuple[float, ...]]
    estimates: Mapping[tuple[str, str], Estimate]
    settings: Mapping[tuple[str, str], str]
    unit_count: int
    is_thin: bool

    def place(self, figure_name: str) -> int:
        """The last axis' index of a figure."""
        return [figure.name for figure in self.figures].index(figure_name)


def left_out(
    columns: Mapping[str, Column], unit: str, cut_short: Collection[RoundKey] = ()
) -> dict[str, str]:
    """Encodings that finished in too few of a figure's rounds (or runs), with the reason: in less
    than half of them, or in too few for a chance where others have enough. One alone would else
    take their chances from all. Rounds that were `cut_short` are not held against those whose turn
    in them never came.
    """
    timed = {name: c for name, c in columns.items() if c.logs and not c.is_exact}
    most = max((len(c.logs) for c in timed.values()), default=0)
    most_whole = max((len(c.logs.keys() - set(cut_short)) for c in timed.values()), default=0)
    enough = MINIMUM_ROUNDS if most_whole >= MINIMUM_ROUNDS else 0
    return {
        name: f"finished in only {len(c.logs)} of {most} {unit}s"
        for name, c in timed.items()
        if len(c.logs) < max(ENOUGH_ROUNDS_FRACTION * most, enough)
    }


def draw_figures(
    figures: Sequence[FigureName],
    columns: Mapping[str, Mapping[str, Column]],
    encodings: Sequence[str],
    *,
    rng: np.random.Generator,
    unit: str = "round",
    cut_short: Collection[RoundKey] = (),
    confidence_level: float = 0.95,
    draw_count: int = DRAW_COUNT,
) -> Likely:
    """Points and draws of every figure; `columns` by figure name, then encoding. `unit` is what
    their values are of; rounds that were `cut_short` lack some of them by no fault."""
    found: dict[tuple[str, str], _Summary] = {}
    for figure in figures:
        why = left_out(columns[figure.name], unit, cut_short)
        for name in encodings:
            column = columns[figure.name][name]
            found[name, figure.name] = _summarise(column, figure, why.get(name, ""))
    shape = (len(encodings), len(figures))
    points, errors, degrees = np.empty(shape), np.empty(shape), np.empty(shape)
    draws = np.empty((draw_count, *shape))
    noise = _SharedNoise(rng, draw_count)
    for (f, figure), (e, name) in product(enumerate(figures), enumerate(encodings)):
        one = found[name, figure.name]
        points[e, f], errors[e, f], degrees[e, f] = one.point, one.standard_error, one.degrees
        draws[:, e, f] = one.point
        if one.standard_error > 0:
            draws[:, e, f] += noise.draw(one.units)
    counts = [len(one.units) for one in found.values() if one.is_sampled]
    return Likely(
        encodings=tuple(encodings),
        figures=tuple(figures),
        points=points,
        draws=draws,
        standard_errors=errors,
        degrees=degrees,
        reasons={key: one.reason for key, one in found.items() if one.reason},
        values={key: tuple(one.units.values()) for key, one in found.items() if one.units},
        estimates={
            (name, figure.name): estimate
            for figure in figures
            for name in encodings
            if (one := found[name, figure.name]).units
            and (estimate := _estimate(one, columns[figure.name][name], figure, confidence_level))
        },
        settings={
            (name, figure): columns[figure][name].wording or columns[figure][name].setting
            for name, figure in found
        },
        unit_count=min(counts, default=0),
        is_thin=min(counts, default=MINIMUM_ROUNDS) < MINIMUM_ROUNDS,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Summary:
    """One figure of one encoding: its point on the log scale with the spread of its units, or a
    `reason` why nothing is known. A free figure has a point without units."""

    point: float = math.nan
    units: Mapping[RoundKey, float] = field(default_factory=dict)
    standard_error: float = 0.0
    degrees: float = math.inf
    is_sampled: bool = False
    reason: str = ""


def _summarise(column: Column, figure: FigureName, why_left_out: str) -> _Summary:
    if reason := why_left_out or column.reason:
        return _Summary(reason=reason)
    if column.is_free:
        return _Summary(point=-math.inf if figure.better == "less" else math.inf)
    if not column.logs:
        return _Summary(reason="not measured")
    if column.is_exact:
        return _Summary(point=column.point, units=column.logs)
    standard_error, degrees = _spread(np.array(list(column.logs.values())))
    return _Summary(
        point=column.point,
        units=column.logs,
        standard_error=standard_error,
        degrees=degrees,
        is_sampled=True,
    )


def _estimate(
    one: _Summary, column: Column, figure: FigureName, confidence_level: float
) -> Estimate | None:
    """What is shown: the report's estimate, or one of the values; None where words are."""
    if column.wording:
        return None
    if column.estimate is not None:
        return column.estimate
    values = [from_log(log, figure.unit) for log in one.units.values()]
    estimate = estimate_values(values, figure.unit, len(values), confidence_level)
    if not column.is_exact:
        return estimate
    return estimate.model_copy(update={"withheld": KNOWN_EXACTLY, "method": "as it is"})


def _spread(logs: Floats) -> tuple[float, float]:
    """Standard error of the mean and its degrees of freedom: 0 and infinite without any spread, 0
    and 0 where too few units leave it unknown."""
    if logs.size < MINIMUM_ROUNDS:
        return 0.0, 0.0
    if np.ptp(logs) == 0:
        return 0.0, math.inf
    return float(logs.std(ddof=1)) / math.sqrt(logs.size), float(logs.size - 1)


class _SharedNoise:
    """One normal number per draw and unit, and one scale per draw, for all columns alike."""

    def __init__(self, rng: np.random.Generator, draw_count: int) -> None:
        self._rng = rng
        self._draw_count = draw_count
        self._normals: dict[RoundKey, Floats] = {}
        self._levels = rng.random(draw_count)

    def draw(self, units: Mapping[RoundKey, float]) -> Floats:
        """Errors of the mean of these units: t with their count less one degrees of freedom."""
        logs = np.array(list(units.values()))
        count = logs.size
        normals = np.stack([self._normal(key) for key in units])
        scale = np.sqrt((count - 1) / special.chdtri(count - 1, self._levels))
        weighed = (logs - logs.mean()) @ normals
        return np.asarray(weighed / math.sqrt(count * (count - 1)) * scale)

    def _normal(self, key: RoundKey) -> Floats:
        if key not in self._normals:
            self._normals[key] = self._rng.standard_normal(self._draw_count)
        return self._normals[key]

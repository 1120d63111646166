"""What the true figures may be, jointly for all encodings: draws that keep rounds paired.

Method: the report's point plus Student's t with n - 1 degrees of freedom, n the encoding's rounds,
whose covariance between any two columns is that of their rounds. Every draw weighs the rounds alike
for all encodings, so what a round did to all of them cancels in comparisons, and the difference of
two columns with the same rounds has exactly the paired t distribution; a round that only one of
them has is that one's own noise. A resampling of few rounds (bootstrap, also with
Dirichlet weights) has too light tails: over simulated catalogues of close encodings
and three rounds it is sure of the fastest with 89 % on average where 83 % come true, and this with
81 % (tests/simulation/test_choice_reliability.py)."""

import math
import zlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from mezzmark.decide.choose.choice import Lack, NoNumber, Unit
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.model.cell import Setting
from mezzmark.model.estimate import Estimate
from mezzmark.model.figures import FigureName

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
RoundKey = tuple[int, int]  # Place of the run among those given, and round

DECIBEL_LOG: Final = math.log(10) / 10
"""A decibel as a natural log of a ratio of powers: for PSNR, of the mean squared error."""

TINY: Final = 1e-9  # Stands for a share of 0, which has no log

DRAW_COUNT: Final = 8000
"""A chance then moves by half a point (one standard error) at most from one seed to another."""

CHOICE_SEED: Final = 20260701  # Fixed, so that the same runs always give the same answer

ENOUGH_ROUNDS_FRACTION: Final = 0.5
"""An encoding that finished in fewer of a figure's rounds than this share is not judged: what it
did in the others is not known, and may be why it failed there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureSamples:
    """One figure of one encoding. `point` is what counts, on the log scale: about that of
    `estimate`, which is what the report shows; infinite where the encoding does without the figure.
    `logs` has one value a unit (a round, or a whole run), whose spread is the figure's, and is
    empty where that is known without spread. `clips` has the same of each clip that decides, and
    `moves` a clip's latencies by trial where the figure is their tail. `sides` are standard
    deviations below and above the point of a figure of sizing, only for "no" where it `is_bound`.
    `lack` says why nothing is known."""

    point: float = math.nan
    logs: Mapping[RoundKey, float] = field(default_factory=dict)
    estimate: Estimate | None = None
    setting: Setting | None = None
    no_number: NoNumber | None = None
    lack: Lack | None = None
    clips: Mapping[str, "FigureSamples"] = field(default_factory=dict)
    moves: tuple[Floats, ...] = ()
    sides: tuple[float, float] | None = None
    is_bound: bool = False

    @property
    def spread(self) -> tuple[float, float]:
        """Standard error of the mean, and degrees: 0, infinite without spread; 0, 0 of too few."""
        logs = np.array(list(self.logs.values()))
        if 0 < logs.size < MINIMUM_ROUNDS:
            return 0.0, 0.0
        if logs.size == 0 or np.ptp(logs) == 0:
            return 0.0, math.inf
        return float(logs.std(ddof=1)) / math.sqrt(logs.size), float(logs.size - 1)


def to_log(value: float, unit: str) -> float:
    """A figure on the log scale; decibels are turned into natural logs."""
    return value * DECIBEL_LOG if unit == "dB" else math.log(max(value, TINY))


def from_log(log: float, unit: str) -> float:
    """The inverse of `to_log`."""
    return log / DECIBEL_LOG if unit == "dB" else math.exp(log)


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureDraws:
    """Figures on the log scale: `points` (encodings, figures), `draws` (draws, encodings,
    figures). NaN where nothing is known, infinite where an encoding does without the figure; all
    draws are the point where a value is exact or its spread is not known. `samples` are by encoding
    and name of the figure; `unit_count` is that of the one with the fewest. All chance comes from
    `seed` and names, so that a further encoding leaves the draws of the others as they are."""

    encodings: tuple[str, ...]
    figures: tuple[FigureName, ...]
    points: Floats
    draws: Floats
    samples: Mapping[tuple[str, str], FigureSamples]
    unit_count: int
    seed: int = 0

    @property
    def is_thin(self) -> bool:
        """Whether a figure has fewer units than a chance takes."""
        return 0 < self.unit_count < MINIMUM_ROUNDS

    def place(self, figure: FigureName) -> int:
        """The last axis' index of a figure."""
        return self.figures.index(figure)

    def of(self, one: FigureSamples, key: str) -> Floats:
        """What a figure of one clip may be on the log scale, with the noise that all share."""
        if one.sides is not None:
            z = special.ndtri(self.levels(key))
            return np.asarray(one.point + z * np.where(z > 0, one.sides[1], one.sides[0]))
        return np.asarray(one.point + _errors(one, self.seed, len(self.draws)))

    def levels(self, name: str) -> Floats:
        """Uniform on 0 to 1, a draw each; the same for the same name."""
        return _stream(self.seed, zlib.crc32(name.encode())).random(len(self.draws))


def draw_figures(
    samples: Mapping[FigureName, Mapping[str, FigureSamples]],
    encodings: Sequence[str],
    *,
    rng: np.random.Generator,
    unit: Unit = "round",
    cut_short: Collection[RoundKey] = (),
    draw_count: int = DRAW_COUNT,
) -> FigureDraws:
    """Points and draws of every figure; `samples` by figure, then encoding. `unit` is what their
    logs are of; rounds that were `cut_short` lack some of them by no fault."""
    found: dict[tuple[str, str], FigureSamples] = {}
    for figure, by_encoding in samples.items():
        lacks = _left_out(by_encoding, unit, cut_short)
        for name in encodings:
            lack = lacks.get(name)
            found[name, figure.name] = FigureSamples(lack=lack) if lack else by_encoding[name]
    points = np.array([[found[name, f.name].point for f in samples] for name in encodings])
    points = points.reshape(len(encodings), len(samples))  # also without encodings
    draws = np.repeat(points[np.newaxis], draw_count, axis=0)
    seed = int(rng.integers(2**32))
    for (f, figure), (e, name) in product(enumerate(samples), enumerate(encodings)):
        draws[:, e, f] += _errors(found[name, figure.name], seed, draw_count)
    return FigureDraws(
        encodings=tuple(encodings),
        figures=tuple(samples),
        points=points,
        draws=draws,
        samples=found,
        unit_count=min((len(one.logs) for one in found.values() if one.logs), default=0),
        seed=seed,
    )


def _stream(*key: int) -> np.random.Generator:
    return np.random.default_rng(key)


@lru_cache(maxsize=64)
def _scales(seed: int, draw_count: int, degrees: int) -> Floats:
    """One scale per draw, for all columns of as many units alike."""
    levels = _stream(seed, 0).random(draw_count)
    return np.asarray(np.sqrt(degrees / special.chdtri(degrees, levels)))


@lru_cache(maxsize=1024)
def _normals(seed: int, draw_count: int, place: int, index: int) -> Floats:
    """One normal number per draw of a unit, for all columns alike."""
    return _stream(seed, 1 + place, 1 + index).standard_normal(draw_count)


def _errors(one: FigureSamples, seed: int, draw_count: int) -> Floats | float:
    """Errors of the mean of units: t with their count less one degrees of freedom."""
    if one.spread[0] <= 0:
        return 0.0
    logs = np.array(list(one.logs.values()))
    weighed = np.zeros(draw_count)
    for key, log in one.logs.items():
        weighed += (log - logs.mean()) * _normals(seed, draw_count, *key)
    count = logs.size
    return weighed / math.sqrt(count * (count - 1)) * _scales(seed, draw_count, count - 1)


def _left_out(
    samples: Mapping[str, FigureSamples], unit: Unit, cut_short: Collection[RoundKey]
) -> dict[str, Lack]:
    """Encodings that finished in too few of a figure's rounds (or runs): in less than half of them,
    or in too few for a chance where others have enough: it would take their chances from all.
    Rounds that were `cut_short` count for no one whose turn was to come."""
    timed = {name: one.logs.keys() for name, one in samples.items() if one.logs}
    most = max(map(len, timed.values()), default=0)
    most_whole = max((len(rounds - set(cut_short)) for rounds in timed.values()), default=0)
    enough = MINIMUM_ROUNDS if most_whole >= MINIMUM_ROUNDS else 0
    return {
        name: Lack(kind="few units", have=len(rounds), of=most, unit=unit)
        for name, rounds in timed.items()
        if len(rounds) < max(ENOUGH_ROUNDS_FRACTION * most, enough)
    }

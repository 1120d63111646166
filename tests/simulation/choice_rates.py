"""How often the choice keeps its word, over simulated catalogues whose best encoding is known.

A catalogue has a few encodings with true times to picture, encode speeds and bit rates; rounds are
drawn around the truth, the choice is made from them, and the rule applied to the truth says who
was right. Spreads are sds of natural logarithms.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from mezzmark.decide.choose.choice import Choice, ChoiceRequest
from mezzmark.decide.choose.choose import choose_among
from mezzmark.decide.choose.draws import (
    FigureDraws,
    FigureSamples,
    Floats,
    draw_figures,
    from_log,
    to_log,
)
from mezzmark.decide.choose.preference import NOBODY, prefer
from mezzmark.decide.estimate.rounds import estimate_values
from mezzmark.model.estimate import Estimate
from mezzmark.model.request import Need, Wish, parse_wishes

Noise = Literal["normal", "skewed", "stalls"]

SPREADS: Final = {"far apart": 0.8, "apart": 0.15, "bunched": 0.04}
"""How far true values lie from each other; `pairs` are far apart in twos that lie 5 % apart."""

CATALOGUES: Final = (*SPREADS, "pairs")
PAIR_SD: Final = 0.05
ENCODINGS: Final = (2, 8)
ROUNDS: Final = (3, 4, 6, 10)

ROUND_SD: Final = 0.05
"""What a round does to all encodings alike."""

TRIAL_SD: Final = 0.03
TRIAL_SD_SPREAD: Final = 0.5
"""Encodings differ in how steady they are: the log of their trial sd has this sd."""

STALL_CHANCE: Final = 0.1
STALL_SDS: Final = 3.0
TAIL_SHARE: Final = 0.7
"""How much of a trial's noise its median and its 95th percentile have in common (correlation)."""

WISHES: Final = ("less scrub.jump.p50_ms", "less bitrate_bps", "more encode.throughput_fps")
FIGURES: Final = ("scrub.jump.p50_ms", "scrub.jump.p95_ms", "encode.throughput_fps")


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """One simulated catalogue: true logs by (encoding, figure of `FIGURES`), true log bit rates,
    and measured logs by (round, encoding, figure)."""

    true_logs: Floats
    bitrate_logs: Floats
    measured: Floats

    @property
    def names(self) -> tuple[str, ...]:
        """Encodings in the order of the arrays."""
        return tuple(f"encoding {e}" for e in range(self.true_logs.shape[0]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """One choice against the truth: what it stated, and what was so.

    `chance_best` is None where nobody was recommended; `is_right_ruled_out` is None where no
    encoding truly meets all needs.
    """

    chance_best: float | None
    is_best: bool
    chance_ahead: float | None
    is_ahead: bool
    is_right_ruled_out: bool | None


def simulate_promises(
    count: int,
    rng: np.random.Generator,
    *,
    noise: Noise,
    kinds: Sequence[str] = CATALOGUES,
    rounds: Sequence[int] = ROUNDS,
    draw_count: int = 1000,
    redraw: Callable[[FigureDraws], FigureDraws] = lambda draws: draws,
    request: ChoiceRequest | None = None,
    is_cut_short: bool = False,
) -> tuple[Promise, ...]:
    """So many catalogues of the kinds in turn, half with ordered wishes and half with weights.

    `redraw` replaces the draws, to put other methods to the same test; `request` is put to all
    in place of needs and wishes made up for each. `is_cut_short`: only every other encoding has a
    trial in a further round, as when a run is stopped within it.
    """
    promises = []
    for index in range(count):
        kind = kinds[index % len(kinds)]
        count_of_rounds = int(rng.choice(rounds)) + is_cut_short
        catalogue = draw_catalogue(kind, rng, noise=noise, rounds=count_of_rounds)
        asked = request or ask(catalogue, rng, is_weighted=(index // len(kinds)) % 2 == 1)
        draws = redraw(
            draw_catalogue_figures(
                catalogue, asked, rng, draw_count=draw_count, is_cut_short=is_cut_short
            )
        )
        choice = choose_among(asked, draws, dict.fromkeys(catalogue.names, ()), {})
        promises.append(compare_with_truth(choice, catalogue, asked))
    return tuple(promises)


def draw_catalogue(kind: str, rng: np.random.Generator, *, noise: Noise, rounds: int) -> Catalogue:
    """Truth and rounds of one catalogue of a kind of `CATALOGUES`."""
    size = int(rng.integers(ENCODINGS[0], ENCODINGS[1] + 1))
    shape = (size, len(FIGURES))
    if kind == "pairs":
        base = np.repeat(rng.normal(0, SPREADS["far apart"], ((size + 1) // 2, 3)), 2, axis=0)
        true_logs = base[:size] + rng.normal(0, PAIR_SD, shape)
    else:
        true_logs = rng.normal(0, SPREADS[kind], shape)
    true_logs[:, 1] = true_logs[:, 0] + 0.5 + rng.normal(0, 0.1, size)
    true_logs += np.log([20.0, 20.0, 60.0])
    sds = np.exp(rng.normal(np.log(TRIAL_SD), TRIAL_SD_SPREAD, shape))
    errors = _errors(rng, (rounds, *shape), noise)
    errors[..., 1] = TAIL_SHARE * errors[..., 0] + np.sqrt(1 - TAIL_SHARE**2) * errors[..., 1]
    shared = rng.normal(0, ROUND_SD, (rounds, 1, 1)) * np.array([1.0, 1.0, -1.0])
    return Catalogue(
        true_logs=true_logs,
        bitrate_logs=np.log(1e8) + rng.normal(0, 0.5, size),
        measured=true_logs + sds * errors + shared,
    )


def _errors(rng: np.random.Generator, shape: tuple[int, ...], noise: Noise) -> Floats:
    """Errors of mean 0 and sd about 1."""
    if noise == "skewed":
        return rng.exponential(1.0, shape) - 1
    errors = rng.standard_normal(shape)
    if noise == "stalls":
        errors += STALL_SDS * ((rng.random(shape) < STALL_CHANCE) - STALL_CHANCE)
    return errors


def ask(catalogue: Catalogue, rng: np.random.Generator, *, is_weighted: bool) -> ChoiceRequest:
    """Needs whose limits lie near some encoding's true value, and wishes."""
    size = len(catalogue.names)
    near = catalogue.true_logs[rng.integers(size, size=3), np.arange(3)] + rng.normal(0, 0.1, 3)
    slack = np.log(1.5)
    needs: tuple[Need, ...] = (
        Need.parse(f"scrub.jump.p95_ms <= {np.exp(near[1] + slack * rng.random())}"),
        Need.parse(f"encode.throughput_fps >= {np.exp(near[2] - slack * rng.random())}"),
    )
    weights = tuple(rng.uniform(0.5, 2, 3).tolist()) if is_weighted else ()
    return ChoiceRequest(needs=needs, wishes=parse_wishes(WISHES), weights=weights)


def samples_of(logs: Sequence[float] | Floats, unit: str) -> FigureSamples:
    """What one run says of a figure whose rounds had these logs."""
    values = [from_log(float(log), unit) for log in logs]
    estimate = estimate_values(values, unit, len(values), 0.95)
    return FigureSamples(
        point=to_log(estimate.point, unit),
        logs={(0, r): float(log) for r, log in enumerate(logs)},
        estimate=estimate,
    )


def draw_catalogue_figures(
    catalogue: Catalogue,
    request: ChoiceRequest,
    rng: np.random.Generator,
    *,
    draw_count: int,
    is_cut_short: bool = False,
) -> FigureDraws:
    """The measured rounds as draws, by the method under test; every other encoding lacks the last
    round where the run `is_cut_short`."""
    figures = {need.figure.name: need.figure for need in request.needs if need.figure}
    figures |= {wish.figure.name: wish.figure for wish in request.wishes}
    samples: dict[str, dict[str, FigureSamples]] = {name: {} for name in figures}
    for e, encoding in enumerate(catalogue.names):
        last = -1 if is_cut_short and e % 2 else None
        for name, figure in figures.items():
            if name in FIGURES:
                logs = catalogue.measured[:last, e, FIGURES.index(name)]
                samples[name][encoding] = samples_of(logs, figure.unit)
            else:
                log = float(catalogue.bitrate_logs[e])
                estimate = Estimate.exact(np.exp(log), figure.unit)
                samples[name][encoding] = FigureSamples(point=log, estimate=estimate)
    return draw_figures(
        {figure: samples[name] for name, figure in figures.items()},
        catalogue.names,
        rng=rng,
        draw_count=draw_count,
    )


def true_costs(catalogue: Catalogue, wishes: tuple[Wish, ...]) -> Floats:
    """True costs (encodings, goals) of the wishes, less is better."""
    goals = []
    for wish in wishes:
        name = wish.figure.name
        logs = (
            catalogue.bitrate_logs
            if name == "bitrate_bps"
            else catalogue.true_logs[:, FIGURES.index(name)]
        )
        goals.append(logs if wish.figure.better == "less" else -logs)
    return np.stack(goals, axis=1)


def truly_meets(catalogue: Catalogue, needs: tuple[Need, ...]) -> "np.ndarray":
    """Which encodings meet every need in truth."""
    met = np.ones(len(catalogue.names), dtype=np.bool_)
    for need in needs:
        assert need.limit is not None
        values = [from_log(v, "ms") for v in catalogue.true_logs[:, FIGURES.index(need.subject)]]
        below = np.array(values) <= need.limit
        met &= below if need.operator == "<=" else ~below
    return met


def compare_with_truth(choice: Choice, catalogue: Catalogue, request: ChoiceRequest) -> Promise:
    """Whether what the choice stated was so."""
    costs = true_costs(catalogue, request.wishes)
    met = truly_meets(catalogue, request.needs)
    right = int(prefer(costs, met, choice))
    names = catalogue.names
    is_ahead = False
    if choice.recommendation is not None and choice.runner_up is not None:
        pair = np.isin(names, (choice.recommendation, choice.runner_up))
        one = int(prefer(costs, met & pair, choice))
        is_ahead = one != NOBODY and names[one] == choice.recommendation
    ruled_out = None if right == NOBODY else choice.find(names[right]).status == "ruled out"
    return Promise(
        chance_best=choice.chance_best,
        is_best=right != NOBODY and names[right] == choice.recommendation,
        chance_ahead=choice.chance_ahead,
        is_ahead=is_ahead,
        is_right_ruled_out=ruled_out,
    )

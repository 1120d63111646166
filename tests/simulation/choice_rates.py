"""How often the choice keeps its word, over simulated catalogues whose best encoding is known.

A catalogue has a few encodings with true times to picture, encode speeds and bit rates; rounds are
drawn around the truth, the choice is made from them, and the rule applied to the truth says who
was right. Spreads are sds of natural logarithms.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from mezzmark.decide.choose.chances import NOBODY, Rule, prefer
from mezzmark.decide.choose.choice import Choice
from mezzmark.decide.choose.choose import choose_among
from mezzmark.decide.choose.draws import EXACTLY, Column, Floats, Likely, draw_figures, from_log
from mezzmark.decide.choose.question import Question
from mezzmark.model.request import ChooseSettings, Need, Wish, parse_need, parse_wishes

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
    redraw: Callable[[Likely], Likely] = lambda likely: likely,
    question: Question | None = None,
    is_cut_short: bool = False,
) -> tuple[Promise, ...]:
    """So many catalogues of the kinds in turn, half with ordered wishes and half with weights.

    `redraw` replaces the draws, to put other methods to the same test; `question` is asked of all
    in place of needs and wishes made up for each. `is_cut_short`: only every other encoding has a
    trial in a further round, as when a run is stopped within it.
    """
    promises = []
    for index in range(count):
        kind = kinds[index % len(kinds)]
        count_of_rounds = int(rng.choice(rounds)) + is_cut_short
        catalogue = draw_catalogue(kind, rng, noise=noise, rounds=count_of_rounds)
        asked = question or ask(catalogue, rng, is_weighted=(index // len(kinds)) % 2 == 1)
        likely = redraw(
            draw_likely(catalogue, asked, rng, draw_count=draw_count, is_cut_short=is_cut_short)
        )
        choice = choose_among(asked, likely, dict.fromkeys(catalogue.names, ()), {})
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


def ask(catalogue: Catalogue, rng: np.random.Generator, *, is_weighted: bool) -> Question:
    """Needs whose limits lie near some encoding's true value, and wishes."""
    size = len(catalogue.names)
    near = catalogue.true_logs[rng.integers(size, size=3), np.arange(3)] + rng.normal(0, 0.1, 3)
    slack = np.log(1.5)
    needs: tuple[Need, ...] = (
        parse_need(f"scrub.jump.p95_ms <= {np.exp(near[1] + slack * rng.random())}"),
        parse_need(f"encode.throughput_fps >= {np.exp(near[2] - slack * rng.random())}"),
    )
    weights = rng.uniform(0.5, 2, 3) if is_weighted else ()
    texts = (
        [f"{wish} = {weight}" for wish, weight in zip(WISHES, weights, strict=True)]
        if is_weighted
        else list(WISHES)
    )
    return Question(needs=needs, wishes=parse_wishes(texts), settings=ChooseSettings())


def draw_likely(
    catalogue: Catalogue,
    question: Question,
    rng: np.random.Generator,
    *,
    draw_count: int,
    is_cut_short: bool = False,
) -> Likely:
    """The measured rounds as draws, by the method under test; every other encoding lacks the last
    round where the run `is_cut_short`."""
    columns: dict[str, dict[str, Column]] = {name: {} for name in (*FIGURES, "bitrate_bps")}
    for e, encoding in enumerate(catalogue.names):
        last = -1 if is_cut_short and e % 2 else None
        for f, figure in enumerate(FIGURES):
            logs = {(0, r): float(log) for r, log in enumerate(catalogue.measured[:last, e, f])}
            columns[figure][encoding] = Column(logs=logs)
        exact = {EXACTLY: float(catalogue.bitrate_logs[e])}
        columns["bitrate_bps"][encoding] = Column(logs=exact, is_exact=True)
    named = {need.figure.name: need.figure for need in question.needs if need.figure}
    named |= {wish.figure.name: wish.figure for wish in question.wishes}
    return draw_figures(
        tuple(named.values()),
        columns,
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


def compare_with_truth(choice: Choice, catalogue: Catalogue, question: Question) -> Promise:
    """Whether what the choice stated was so."""
    costs = true_costs(catalogue, question.wishes)
    met = truly_meets(catalogue, question.needs)
    rule = Rule.build(choice.weights, choice.indifference_fraction)
    right = int(prefer(costs, met, rule))
    names = catalogue.names
    is_ahead = False
    if choice.recommendation is not None and choice.runner_up is not None:
        pair = np.isin(names, (choice.recommendation, choice.runner_up))
        is_ahead = names[int(prefer(costs, pair, rule))] == choice.recommendation
    ruled_out = None if right == NOBODY else choice.find(names[right]).status == "ruled out"
    return Promise(
        chance_best=choice.chance_best,
        is_best=right != NOBODY and names[right] == choice.recommendation,
        chance_ahead=choice.chance_ahead,
        is_ahead=is_ahead,
        is_right_ruled_out=ruled_out,
    )

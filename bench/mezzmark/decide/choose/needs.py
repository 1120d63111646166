"""Whether encodings meet needs: outcome, chance and margin of each, and who is ruled out.

The chance of truly meeting a limit is Student's t on the log scale, which is also the p-value of
the claim "it meets it". An encoding is ruled out by a measured need only where that p-value,
adjusted for all needs and encodings together (Holm), is at most 1 - `confidence_level`: then the
chance that noise rules out anyone who truly meets, the right one included, is at most that.
"""

import math
from collections.abc import Mapping, Sequence
from itertools import product
from typing import Final

import numpy as np
from scipy import special

from mezzmark.decide.choose.choice import JudgedEncoding, Lack, NearMiss, NeedResult, Outcome
from mezzmark.decide.choose.draws import FigureDraws, Flags, to_log
from mezzmark.model.encoding import Encoding
from mezzmark.model.request import Need
from mezzmark.statistics.paired import holm_adjusted

NEAREST_SHOWN: Final = 3

Traits = dict[str, str]
"""Fact name → value as needs write it; a fact that is not known is left out."""

NeedResults = dict[str, tuple[NeedResult, ...]]
"""By encoding, in the order of the needs."""


def traits_of(encoding: Encoding) -> Traits:
    """What an encoding is, as far as it is known."""
    traits = {
        "alpha": encoding.has_alpha,
        "intra": encoding.is_intra,
        "lossless": encoding.is_lossless,
        "container": encoding.container,
        "codec": encoding.codec,
        "bit_depth": encoding.bit_depth,
        "chroma": None if encoding.chroma == "other" else encoding.chroma,
    }
    return {
        name: str(value).lower() if isinstance(value, bool) else str(value)
        for name, value in traits.items()
        if value is not None
    }


def judge_needs(
    needs: Sequence[Need],
    draws: FigureDraws,
    traits: Mapping[str, Sequence[Traits]],
    *,
    confidence_level: float,
) -> tuple[NeedResults, Flags]:
    """Every need against every encoding, and the draws in which it is met (draws, encodings,
    needs), True where it is not shown at all."""
    passes = np.ones((draws.draws.shape[0], len(draws.encodings), len(needs)), dtype=np.bool_)
    table: dict[str, list[NeedResult]] = {name: [] for name in draws.encodings}
    measured: dict[tuple[str, int], float] = {}
    for (e, name), (n, need) in product(enumerate(draws.encodings), enumerate(needs)):
        if need.figure is None:
            result = _judge_fact(need, traits[name])
            passes[:, e, n] = result.outcome != "misses"
        else:
            result, passes[:, e, n] = _judge_figure(need, draws, e, confidence_level)
            if result.chance is not None and draws.samples[name, need.subject].spread[0] > 0:
                measured[name, n] = result.chance
        table[name].append(result)
    # What holds for all measured needs together.
    p_values = holm_adjusted(list(measured.values()))
    for (name, n), p_value in zip(measured, p_values, strict=True):
        if table[name][n].outcome != "meets":
            outcome = "misses" if p_value <= 1 - confidence_level else "open"
            table[name][n] = table[name][n].model_copy(update={"outcome": outcome})
    return {name: tuple(results) for name, results in table.items()}, passes


def _judge_fact(need: Need, traits: Sequence[Traits]) -> NeedResult:
    """Whether every one of `traits` has what the need asks for."""
    values = [entry.get(need.subject) for entry in traits]
    known = tuple(dict.fromkeys(value for value in values if value is not None))
    if not all(map(need.is_met_by, known)):
        return NeedResult(need=need, outcome="misses", facts=known, chance=0.0)
    if known and None not in values:
        return NeedResult(need=need, outcome="meets", facts=known, chance=1.0)
    lack = Lack(kind="fact not known", need=need)
    return NeedResult(need=need, outcome="not shown", facts=known, lack=lack)


def _judge_figure(
    need: Need, draws: FigureDraws, e: int, confidence_level: float
) -> tuple[NeedResult, Flags | bool]:
    assert need.figure is not None
    assert need.limit is not None
    f, samples = draws.place(need.figure), draws.samples[draws.encodings[e], need.subject]
    if samples.lack is not None:
        lack = samples.lack.model_copy(update={"need": need})
        return NeedResult(need=need, outcome="not shown", lack=lack), True
    limit, estimate = to_log(need.limit, need.figure.unit), samples.estimate
    sign = 1.0 if need.operator == "<=" else -1.0
    error, degrees = samples.spread
    met: Flags | bool = sign * (limit - draws.draws[:, e, f]) >= 0
    chance: float | None = None
    if estimate is None:  # known without a number: nothing to do, the footage itself, identical
        met = sign * (limit - samples.point) >= 0
        chance = float(met)
    elif error == 0 and degrees > 0:  # as shown: what a wish counts may be held within bounds
        met = sign * (need.limit - estimate.point) >= 0
        chance = float(met)
    elif degrees > 0:
        chance = float(special.stdtr(degrees, sign * (limit - samples.point) / error))
    outcome: Outcome = "open"
    if chance is not None and (chance >= confidence_level or chance == 0):
        outcome = "meets" if chance else "misses"
    room = sign * (need.limit - estimate.point) if estimate else None
    is_db = need.figure.unit == "dB"
    return NeedResult(
        need=need,
        outcome=outcome,
        value=estimate,
        no_number=samples.no_number,
        chance=chance,
        margin_db=room if is_db else None,
        margin_fraction=None if is_db or room is None else room / need.limit,
    ), met


def nearest_misses(entries: Sequence[JudgedEncoding]) -> tuple[NearMiss, ...]:
    """The encodings with the fewest missed facts, then the smallest worst miss of a limit."""

    def distance(miss: NearMiss) -> tuple[int, float, str]:
        sizes = [_miss_size(result) for result in miss.missed]
        limits = (size for size in sizes if math.isfinite(size))
        return sizes.count(math.inf), max(limits, default=0.0), miss.encoding

    misses = [
        NearMiss(
            encoding=entry.encoding,
            missed=tuple(sorted(entry.outcomes("misses"), key=_miss_size, reverse=True)),
        )
        for entry in entries
        if entry.status == "ruled out"
    ]
    return tuple(sorted(misses, key=distance)[:NEAREST_SHOWN])


def _miss_size(result: NeedResult) -> float:
    """How far beyond its limit, as a share of it (dB: as a ratio); a missed fact is infinite."""
    if result.margin_db is not None:
        return math.expm1(-result.margin_db * math.log(10) / 10)
    return math.inf if result.margin_fraction is None else -result.margin_fraction

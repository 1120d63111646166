"""Whether encodings meet needs: outcome, chance and margin of each, and who is ruled out.

The chance of truly meeting a limit is Student's t on the log scale, which is also the p-value of
the claim "it meets it". An encoding is ruled out by a measured need only where that p-value,
adjusted for all needs and encodings together (Holm), is at most 1 - `confidence_level`: then the
chance that noise rules out anyone who truly meets, the right one included, is at most that.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from scipy import special

from mezzmark.decide.choose.choice import (
    JudgedEncoding,
    Lack,
    NearMiss,
    NeedResult,
    Outcome,
    Status,
)
from mezzmark.decide.choose.draws import FigureDraws, Flags, Floats, to_log
from mezzmark.model.encoding import Encoding
from mezzmark.model.request import Need, Wish
from mezzmark.model.run import Manifest
from mezzmark.statistics.paired import holm_adjusted

NEAREST_SHOWN: Final = 3

Traits = dict[str, str]
"""Fact name → value as needs write it; a fact that is not known is left out."""


def encoding_traits(manifest: Manifest, name: str) -> tuple[Traits, ...]:
    """One entry for an encoding; for the original one per clip, since clips may differ."""
    return tuple(_traits(encoding) for encoding in manifest.find_encodings(name))


def _traits(encoding: Encoding) -> Traits:
    traits = {
        "alpha": _word(encoding.has_alpha),
        "intra": _word(encoding.is_intra),
        "lossless": _word(encoding.is_lossless),
        "container": encoding.container,
        "codec": encoding.codec,
    }
    if encoding.bit_depth is not None:
        traits["bit_depth"] = str(encoding.bit_depth)
    if encoding.chroma != "other":
        traits["chroma"] = encoding.chroma
    return traits


def _word(claim: bool) -> str:
    return "true" if claim else "false"


NeedResults = dict[str, tuple[NeedResult, ...]]
"""By encoding, in the order of the needs."""


def judge_needs(
    needs: Sequence[Need],
    draws: FigureDraws,
    traits: Mapping[str, Sequence[Traits]],
    *,
    confidence_level: float,
) -> tuple[NeedResults, Flags]:
    """Every need against every encoding, and the draws in which it is met (draws, encodings,
    needs), True where it is not shown at all."""
    shape = (draws.draws.shape[0], len(draws.encodings), len(needs))
    passes = np.ones(shape, dtype=np.bool_)
    p_values = np.full(shape[1:], np.nan)
    table: list[list[NeedResult]] = [[] for _ in draws.encodings]
    for n, need in enumerate(needs):
        for e, name in enumerate(draws.encodings):
            if need.figure is None:
                result = _judge_fact(need, traits[name])
                passes[:, e, n] = result.outcome != "misses"
            else:
                result, passes[:, e, n] = _judge_figure(need, draws, e, confidence_level)
                if draws.standard_errors[e, draws.place(need.figure)] > 0:
                    p_values[e, n] = math.nan if result.chance is None else result.chance
            table[e].append(result)
    _settle(table, p_values, confidence_level)
    return {name: tuple(table[e]) for e, name in enumerate(draws.encodings)}, passes


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
    error, degrees = draws.standard_errors[e, f], draws.degrees[e, f]
    if estimate is None:  # known without a number: nothing to do, the footage itself, identical
        is_met = bool(sign * (limit - samples.point) >= 0)
        return NeedResult(
            need=need,
            outcome="meets" if is_met else "misses",
            no_number=samples.no_number,
            chance=float(is_met),
        ), is_met
    met: Flags | bool = sign * (limit - draws.draws[:, e, f]) >= 0
    chance: float | None = None
    outcome: Outcome = "open"
    if degrees > 0:
        if error == 0:  # as shown, for what counts in a wish may be held within bounds
            met = bool(sign * (need.limit - estimate.point) >= 0)
            chance = float(met)
        else:
            chance = float(special.stdtr(degrees, sign * (limit - samples.point) / error))
        if chance >= confidence_level or chance == 0:
            outcome = "misses" if chance == 0 else "meets"
    room = sign * (need.limit - estimate.point)
    is_db = need.figure.unit == "dB"
    return NeedResult(
        need=need,
        outcome=outcome,
        value=estimate,
        chance=chance,
        margin_db=room if is_db else None,
        margin_fraction=None if is_db else room / need.limit,
    ), met


def _settle(table: list[list[NeedResult]], p_values: Floats, confidence_level: float) -> None:
    """Turn `open` and `misses` of measured needs into what holds for all of them together."""
    places = np.argwhere(~np.isnan(p_values))
    if places.size == 0:
        return
    adjusted = holm_adjusted([p_values[e, n] for e, n in places])
    for (e, n), p_value in zip(places, adjusted, strict=True):
        result = table[e][n]
        if result.outcome == "meets":
            continue
        outcome = "misses" if p_value <= 1 - confidence_level else "open"
        table[e][n] = result.model_copy(update={"outcome": outcome})


def list_not_shown(needs: Sequence[Need], results: NeedResults) -> tuple[Need, ...]:
    """The needs that were shown of no encoding."""
    return tuple(
        need
        for n, need in enumerate(needs)
        if all(row[n].outcome == "not shown" for row in results.values())
    )


def judge_encoding(
    e: int,
    draws: FigureDraws,
    results: Sequence[NeedResult],
    wishes: Sequence[Wish],
    bars: Sequence[Lack],
    *,
    not_shown: Sequence[Need],
    chance: float,
    confidence_level: float,
) -> JudgedEncoding:
    """One encoding by its needs, met in a `chance` of draws but for those `not_shown` of any; by
    what `bars` it; with the figures that the wishes look at."""
    name = draws.encodings[e]
    missing = [result.lack for result in results if result.lack and result.need not in not_shown]
    known = [result for result in results if result.lack not in missing]
    lacks = (*bars, *missing)
    is_unsure = draws.is_thin and any(result.chance is None for result in known)
    status: Status = "open"
    if any(result.outcome == "misses" for result in results):
        status = "ruled out"
    elif lacks:
        status = "not judged"
    elif chance >= confidence_level and not is_unsure:
        status = "meets"
    wished = {wish.figure.name: draws.samples[name, wish.figure.name] for wish in wishes}
    return JudgedEncoding(
        encoding=name,
        status=status,
        lacks=lacks,
        needs=tuple(results),
        figures={figure: one.estimate for figure, one in wished.items() if one.estimate},
        settings={figure: one.setting for figure, one in wished.items() if one.setting is not None},
        no_numbers={figure: one.no_number for figure, one in wished.items() if one.no_number},
        chance_all=None if missing or is_unsure else chance,
        chance_measured=None if is_unsure else chance,
    )


def nearest_misses(entries: Sequence[JudgedEncoding]) -> tuple[NearMiss, ...]:
    """The encodings with the fewest missed facts, then the smallest worst miss of a limit."""
    found = []
    for entry in entries:
        missed = sorted(entry.outcomes("misses"), key=_miss_size, reverse=True)
        sizes = [_miss_size(result) for result in missed]
        limits = [size for size in sizes if math.isfinite(size)]
        rank = (sizes.count(math.inf), max(limits, default=0.0), entry.encoding)
        if entry.status == "ruled out":
            found.append((rank, NearMiss(encoding=entry.encoding, missed=tuple(missed))))
    return tuple(miss for _, miss in sorted(found, key=lambda pair: pair[0])[:NEAREST_SHOWN])


def _miss_size(result: NeedResult) -> float:
    """How far beyond its limit, as a share of it (dB: as a ratio); a missed fact is infinite."""
    if result.margin_db is not None:
        return math.expm1(-result.margin_db * math.log(10) / 10)
    return math.inf if result.margin_fraction is None else -result.margin_fraction

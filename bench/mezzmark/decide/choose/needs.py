"""Whether encodings meet needs: outcome, chance and margin of each, and who is ruled out.

The chance of truly meeting a limit is Student's t on the log scale, which is also the p-value of
the claim "it meets it". An encoding is ruled out by a measured need only where that p-value,
adjusted for all needs and encodings together (Holm), is at most 1 - `confidence_level`: then the
chance that noise rules out anyone who truly meets, the right one included, is at most that.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from mezzmark.decide.choose.choice import NeedResult
from mezzmark.decide.choose.draws import Flags, Floats, Likely, to_log
from mezzmark.model.encoding import Encoding
from mezzmark.model.request import CHROMA_ORDER, Need
from mezzmark.model.run import Manifest
from mezzmark.report.prose.numbers import withheld_text
from mezzmark.statistics.multiplicity import holm_adjusted

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


def judge_trait(
    need: Need, traits: Sequence[Traits]
) -> tuple[Literal["meets", "misses", "not shown"], str]:
    """Whether every one of `traits` has what the need asks for, and the value in words."""
    values = [entry.get(need.subject) for entry in traits]
    known = [value for value in values if value is not None]
    shown = " or ".join(dict.fromkeys(known)) or "not known"
    if any(not _has(need, value) for value in known):
        return "misses", shown
    return ("meets" if known and len(known) == len(values) else "not shown"), shown


def _has(need: Need, value: str) -> bool:
    if need.subject == "bit_depth":
        return _compare(need.operator, int(value), int(need.value))
    if need.subject == "chroma":
        order = {name: place for place, name in enumerate(CHROMA_ORDER)}
        return _compare(need.operator, order.get(value, -1), order[need.value])
    return value.lower() == need.value.lower()


def _compare(operator: str, value: int, limit: int) -> bool:
    return {"<=": value <= limit, ">=": value >= limit, "=": value == limit}[operator]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """Needs against encodings. `results` by encoding, in the order of the needs; `passes` (draws,
    encodings, needs) says in which draws a need is met (True where it is not shown at all)."""

    results: Mapping[str, tuple[NeedResult, ...]]
    passes: Flags
    chance_all: Floats
    not_shown: tuple[str, ...]


def judge_needs(
    needs: Sequence[Need],
    likely: Likely,
    traits: Mapping[str, Sequence[Traits]],
    *,
    confidence_level: float,
) -> Judged:
    """Every need against every encoding of `likely`."""
    shape = (likely.draws.shape[0], len(likely.encodings), len(needs))
    passes = np.ones(shape, dtype=np.bool_)
    chances = np.full(shape[1:], np.nan)
    table: list[list[NeedResult]] = [[] for _ in likely.encodings]
    for n, need in enumerate(needs):
        for e, name in enumerate(likely.encodings):
            if need.figure is None:
                outcome, shown = judge_trait(need, traits[name])
                passes[:, e, n] = outcome != "misses"
                table[e].append(
                    NeedResult(
                        need=need.text,
                        outcome=outcome,
                        value_text=shown,
                        chance={"meets": 1.0, "misses": 0.0}.get(outcome),
                        reason="not known" if outcome == "not shown" else "",
                    )
                )
                continue
            result, passes[:, e, n] = _judge_figure(need, likely, e, confidence_level)
            table[e].append(result)
            if (
                likely.standard_errors[e, likely.place(need.subject)] > 0
                and result.chance is not None
            ):
                chances[e, n] = result.chance
    _settle(table, chances, confidence_level)
    shown_somewhere = [
        any(row[n].outcome != "not shown" for row in table) for n in range(len(needs))
    ]
    return Judged(
        results={name: tuple(table[e]) for e, name in enumerate(likely.encodings)},
        passes=passes,
        chance_all=passes.all(axis=2).mean(axis=0),
        not_shown=tuple(
            need.text for need, is_shown in zip(needs, shown_somewhere, strict=True) if not is_shown
        ),
    )


def _judge_figure(
    need: Need, likely: Likely, e: int, confidence_level: float
) -> tuple[NeedResult, Flags | bool]:
    assert need.figure is not None
    assert need.limit is not None
    f, name = likely.place(need.subject), likely.encodings[e]
    reason = likely.reasons.get((name, need.subject))
    if reason is not None:
        return NeedResult(need=need.text, outcome="not shown", reason=reason), True
    point, limit = likely.points[e, f], to_log(need.limit, need.figure.unit)
    sign = 1.0 if need.operator == "<=" else -1.0
    estimate = likely.estimates.get((name, need.subject))
    if estimate is None:  # known without a number: nothing to do, the footage itself, identical
        is_met = bool(sign * (limit - point) >= 0)
        return NeedResult(
            need=need.text,
            outcome="meets" if is_met else "misses",
            value_text=likely.settings[name, need.subject],
            chance=float(is_met),
        ), is_met
    error, is_unsure = likely.standard_errors[e, f], likely.degrees[e, f] == 0
    is_exact = error == 0 and not is_unsure
    if is_exact:  # as shown, for what counts in a wish may be held within bounds
        met: Flags | bool = bool(sign * (need.limit - estimate.point) >= 0)
        chance = float(met)
    else:
        met = sign * (limit - likely.draws[:, e, f]) >= 0
        chance = _chance(sign * (limit - point), error, likely.degrees[e, f])
    result = NeedResult(
        need=need.text,
        outcome="meets" if chance >= confidence_level else "misses" if chance == 0 else "open",
        value=estimate,
        chance=None if is_unsure else chance,
        **_margin(need, estimate.point),
    )
    if is_unsure:
        result = result.model_copy(
            update={"outcome": "open", "reason": withheld_text(estimate.withheld)}
        )
    return result, met


def _chance(room: float, standard_error: float, degrees: float) -> float:
    if standard_error == 0:
        return float(room >= 0)
    return float(special.stdtr(degrees, room / standard_error))


def _margin(need: Need, point: float) -> dict[str, float]:
    assert need.figure is not None
    assert need.limit is not None
    room = need.limit - point if need.operator == "<=" else point - need.limit
    if need.figure.unit == "dB":
        return {"margin_db": room}
    return {"margin_fraction": room / need.limit}


def _settle(table: list[list[NeedResult]], chances: Floats, confidence_level: float) -> None:
    """Turn `open` and `misses` of measured needs into what holds for all of them together."""
    places = np.argwhere(~np.isnan(chances))
    if places.size == 0:
        return
    adjusted = holm_adjusted([chances[e, n] for e, n in places])
    for (e, n), p_value in zip(places, adjusted, strict=True):
        result = table[e][n]
        if result.outcome == "meets":
            continue
        outcome = "misses" if p_value <= 1 - confidence_level else "open"
        table[e][n] = result.model_copy(update={"outcome": outcome})

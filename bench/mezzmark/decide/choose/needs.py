"""Whether encodings meet needs: outcome, chance and margin of each, and who is ruled out.

A need holds where it holds on every clip that decides. A need of a tail (p95) is a claim about the
share of moves within its limit, judged from ten trials a clip on (`claim_share`); any other is
Student's t on the log scale. It is met where each clip meets it with `confidence_level`
(intersection-union, Berger 1982), and missed where a clip's p-value of meeting it, adjusted over
the encoding's needs and clips (Holm; without those that are known exactly), is at most
1 - `confidence_level`: then the chance that noise rules out who truly meets all is at most that. No
other encoding changes what is said of one."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from mezzmark.decide.choose.choice import JudgedEncoding, Lack, NearMiss, NeedResult, Outcome
from mezzmark.decide.choose.draws import TINY, FigureDraws, FigureSamples, Floats, to_log
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.model.encoding import ORIGINAL, Encoding
from mezzmark.model.request import Need
from mezzmark.model.run import Manifest
from mezzmark.model.survival import is_kept
from mezzmark.model.tasks import TASKS
from mezzmark.statistics.paired import holm_adjusted
from mezzmark.statistics.tails import CLAIM_TRIALS, claim_share, draw_tail

NEAREST_SHOWN: Final = 3

Traits = dict[str, str]
"""Fact name → value as needs write it; a fact that is not known is left out."""

NeedResults = dict[str, tuple[NeedResult, ...]]  # By encoding, in the order of the needs


def traits_of(encoding: Encoding) -> Traits:
    """What an encoding is, as far as it is known."""
    traits = {
        "alpha": encoding.has_alpha,
        "intra": encoding.is_intra,
        "lossless": encoding.is_lossless,
        "proxy": encoding.is_proxy,
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


def kept_things(name: str, manifests: Sequence[Manifest]) -> Traits:
    """Whether an encoding's files keep each thing that some clip has; the original is the clip."""
    found: Traits = {}
    for manifest in manifests:
        containers = {one.name: one.container for one in manifest.encodings}
        for medium in manifest.media:
            for one in medium.survives:
                if one.state == "not asked" or name not in (ORIGINAL, medium.encoding):
                    continue
                fact = f"survives.{one.thing}"
                is_lost = name != ORIGINAL and not is_kept(one, containers.get(name, ""))
                found[fact] = "false" if is_lost else found.get(fact, "true")
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """A need on one clip. `excess` are draws of how far the figure lies beyond the limit, on the
    log scale; `p_met` and `p_missed` are None where too few trials carry a claim."""

    clip: str
    one: FigureSamples
    excess: Floats
    p_met: float | None = None
    p_missed: float | None = None
    share: float | None = None
    rounds_missing: int = 0


def judge_needs(
    needs: Sequence[Need],
    draws: FigureDraws,
    traits: Mapping[str, Sequence[Traits]],
    *,
    confidence_level: float,
) -> tuple[NeedResults, Floats]:
    """Every need against every encoding; and how far each lies beyond the limit on its worst clip,
    on the log scale (draws, encodings, needs): met up to 0, minus infinity if not shown."""
    excess = np.full((len(draws.draws), len(draws.encodings), len(needs)), -np.inf)
    table: NeedResults = {}
    for e, name in enumerate(draws.encodings):
        parts: dict[int, list[_Part]] = {}
        results: list[NeedResult] = []
        for n, need in enumerate(needs):
            if need.figure is None:
                results.append(_judge_fact(need, traits[name]))
                excess[:, e, n] = np.inf if results[n].outcome == "misses" else -np.inf
            elif (lack := _lack(need, draws.samples[name, need.subject])) is not None:
                lack = lack.model_copy(update={"need": need})
                results.append(NeedResult(need=need, outcome="not shown", lack=lack))
            else:
                parts[n] = _parts(need, draws, name, confidence_level)
                excess[:, e, n] = np.max([part.excess for part in parts[n]], axis=0)
                results.append(NeedResult(need=need, outcome="open"))
        for n, missing in _worst_misses(parts).items():
            chance = float((excess[:, e, n] <= 0).mean())
            results[n] = _result(needs[n], parts[n], chance, missing, 1 - confidence_level)
        table[name] = tuple(results)
    return table, excess


def _lack(need: Need, one: FigureSamples) -> Lack | None:
    """Why nothing can be said of a need: of a number that is "at least", on one side of it."""
    found = one.estimate
    if one.lack or found is None or not found.is_least or need.limit is None:
        return one.lack
    is_beyond = found.point < need.limit if need.operator == ">=" else found.point <= need.limit
    return Lack(kind="capped", have=round(found.point)) if is_beyond else None


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


def _parts(need: Need, draws: FigureDraws, name: str, level: float) -> list[_Part]:
    """A need on every clip, or on all together where its figure belongs to no clip."""
    whole = draws.samples[name, need.subject]
    return [
        (_judge_share if one.moves else _judge_level)(
            need, draws, f"{name}/{clip}", clip, one, level
        )
        for clip, one in (whole.clips or {"": whole}).items()
    ]


def _beyond(need: Need, values: Floats | float) -> Floats:
    """How far logs of a figure lie beyond the limit."""
    figure, limit = need.bound
    return np.asarray(need.sign * (values - to_log(limit, figure.unit)))


def _judge_share(
    need: Need, draws: FigureDraws, key: str, clip: str, one: FigureSamples, level: float
) -> _Part:
    """A tail: whether the share of moves within the limit is what the tail's name says."""
    figure, limit = need.bound
    probability = TASKS[figure.task].figure(figure.figure).probability or 0.0
    counts = np.array([moves.size for moves in one.moves], dtype=np.float64)
    if counts.size < MINIMUM_ROUNDS:
        beyond = np.full(len(draws.draws), _beyond(need, one.point))
        return _Part(clip=clip, one=one, excess=beyond, rounds_missing=CLAIM_TRIALS - counts.size)
    inside = np.array([np.count_nonzero(moves <= limit) for moves in one.moves])
    claim = claim_share(inside, counts, probability, confidence_level=level)
    pooled = np.sort(np.concatenate(one.moves))
    values = np.log(draw_tail(pooled, probability, claim.effective, draws.levels(key)))
    p_values = (claim.p_met, claim.p_missed)
    missing = max(0, CLAIM_TRIALS - counts.size)
    p_met, p_missed = p_values if need.operator == "<=" else p_values[::-1]
    return _Part(
        clip=clip,
        one=one,
        excess=_beyond(need, values),
        p_met=None if missing else p_met,
        p_missed=None if missing else p_missed,
        share=claim.share,
        rounds_missing=missing,
    )


def _judge_level(
    need: Need, draws: FigureDraws, key: str, clip: str, one: FigureSamples, _level: float
) -> _Part:
    """Any other figure: Student's t, or a value that is known without spread."""
    unit, point = need.bound[0].unit, one.point
    error, degrees = one.spread
    if error == 0 and degrees > 0 and one.estimate is not None and one.sides is None:
        # As shown: what a wish counts may be held within bounds.
        value = one.estimate.point
        point = to_log(value, unit) if value > 0 or unit == "dB" else -np.inf
    beyond = _beyond(need, draws.of(one, key) if error or one.sides is not None else point)
    excess = np.broadcast_to(beyond, len(draws.draws))
    if degrees == 0:
        missing = MINIMUM_ROUNDS - len(one.logs)
        return _Part(clip=clip, one=one, excess=excess, rounds_missing=missing)
    if one.sides is not None and one.estimate is not None:
        # As `size` says it: by the whole interval.
        found = one.estimate
        ends = (found.low, found.high) if found.low is not None else (0.0, 1 / TINY)
        is_in = [float(_beyond(need, math.log(max(end or 0.0, TINY)))) <= 0 for end in ends]
        p_met = 1.0 if one.is_bound or not all(is_in) else 0.0
        return _Part(clip=clip, one=one, excess=excess, p_met=p_met, p_missed=float(any(is_in)))
    if error > 0:
        p_missed = float(special.stdtr(degrees, -float(_beyond(need, one.point)) / error))
    else:
        p_missed = float(beyond <= 0)
    return _Part(clip=clip, one=one, excess=excess, p_met=1 - p_missed, p_missed=p_missed)


def _worst_misses(parts: Mapping[int, Sequence[_Part]]) -> dict[int, float]:
    """The smallest p-value of meeting each need, adjusted over all needs and clips but those that
    are known exactly: noise says nothing false of them, so they take no share of the error."""
    found = dict.fromkeys(parts, 1.0)
    noisy: list[tuple[int, float]] = []
    for n, part in ((n, part) for n, mine in parts.items() for part in mine):
        if part.p_missed is not None and (part.one.logs or part.one.sides):
            noisy.append((n, part.p_missed))
        elif part.p_missed is not None:
            found[n] = min(found[n], part.p_missed)
    for (n, _), p_value in zip(noisy, holm_adjusted([p for _, p in noisy]), strict=True):
        found[n] = min(found[n], float(p_value))
    return found


def _result(
    need: Need, parts: Sequence[_Part], chance: float, missed: float, alpha: float
) -> NeedResult:
    """One need by its clips, told by that of `NeedResult.clip`."""

    def doubt(part: _Part) -> tuple[float, float]:
        return (-1.0 if part.p_missed is None else 1 - part.p_missed, float(part.excess.mean()))

    figure, limit = need.bound
    worst = max(parts, key=doubt)
    outcome: Outcome = "open"
    if missed <= alpha:
        outcome = "misses"
    elif all(part.p_met is not None and part.p_met <= alpha for part in parts):
        outcome, worst = "meets", max(parts, key=lambda part: float(part.excess.mean()))
    estimate, is_db = worst.one.estimate, figure.unit == "dB"
    room = need.sign * (limit - estimate.point) if estimate else None
    is_known = all(part.p_met is not None or part.share is not None for part in parts)
    return NeedResult(
        need=need,
        outcome=outcome,
        value=estimate,
        no_number=worst.one.no_number,
        chance=chance if is_known else None,
        noise_fraction=_noise(parts, chance, missed, alpha) if outcome == "open" else None,
        clip=worst.clip if len(parts) > 1 else "",
        share_within=worst.share,
        rounds_missing=max(part.rounds_missing for part in parts),
        margin_db=room if is_db else None,
        margin_fraction=None if is_db or room is None else room / limit,
    )


def _noise(parts: Sequence[_Part], chance: float, missed: float, alpha: float) -> float | None:
    """The p-value of the claim, missed or met, that would follow from the chance alone; None where
    the chance is between, and of figures of sizing, which have no p-value."""
    p_met = [part.p_met for part in parts if part.p_met is not None and not part.one.sides]
    if len(p_met) < len(parts):
        return None
    if chance <= alpha:
        return missed
    return max(p_met) if chance >= 1 - alpha else None


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

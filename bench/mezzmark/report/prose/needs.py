"""One need in words: what it asks, what was found and how surely, or why nothing is known."""

import math
from collections.abc import Sequence
from typing import Final

from mezzmark.decide.choose.choice import LIKELY, SHOWN_CHANCE, Lack, NeedResult, Outcome
from mezzmark.model.request import Need
from mezzmark.model.survival import THINGS
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_text,
    list_text,
    number_text,
    shown_name,
    shown_unit,
    shown_value,
    visible_text,
)

MANY_PERCENT: Final = 10
"""From here on a tenth of a percent tells nobody anything."""

OUTCOMES: Final[dict[Outcome, str]] = {
    "meets": "✓ met",
    "open": "? open",
    "misses": "✕ missed",
    "not shown": "? not measured",
}
"""What becomes of one need, with a sign that needs no colour."""

_SURVIVALS: Final = {f"survives.{n}": f"{thing.label} survives" for n, thing in THINGS.items()}
_SIGNS: Final = {"<=": "≤ ", ">=": "≥ ", "=": ""}
_TRUTHS: Final = {"true": "yes", "false": "no"}


def chance_text(chance: float | None) -> str:
    """`97 %`; the ends as `> 99 %` and `< 1 %`, for draws cannot say more."""
    if chance is None:
        return "not known"
    if chance >= 1 - SHOWN_CHANCE:
        return "> 99 %"
    if chance < SHOWN_CHANCE:
        return "< 1 %"
    return f"{chance * 100:.0f} %"


def margin_text(result: NeedResult) -> str:
    """`12 % below the limit`, `8.5× the limit`; empty for a need without a number."""
    room = result.margin_fraction if result.margin_db is None else result.margin_db
    if room is None:
        return ""
    side = "below" if (room >= 0) == (result.need.operator == "<=") else "above"
    if result.margin_db is not None:
        return f"{abs(room):.1f} dB {side} the limit"
    if room <= -1 and side == "above":
        return f"{1 - room:.{1 if room > -9 else 0}f}× the limit"
    percent = percent_digits(room)
    return "at the limit" if percent == "0.0" else f"{percent} % {side} the limit"


def percent_digits(fraction: float) -> str:
    """Without its sign; `3.3`, but `33`, where a tenth of a percent says nothing."""
    percent = 100 * abs(fraction)
    return f"{percent:.{1 if percent < MANY_PERCENT else 0}f}"


def need_label(need: Need) -> str:
    """`bit depth`, `median scrub latency (jump)`."""
    subject = _SURVIVALS.get(need.subject, need.subject)
    return need.figure.label if need.figure else subject.replace("_", " ")


def limit_text(need: Need) -> str:
    """`≤ 100 ms`, `yes`."""
    if need.figure is None or need.limit is None:
        return f"{_SIGNS[need.operator]}{_TRUTHS.get(need.value, visible_text(need.value))}"
    unit = need.figure.unit
    limit = number_text(shown_value(need.limit, unit))
    return f"{_SIGNS[need.operator]}{limit} {shown_unit(unit)}".strip()


def outcome_text(result: NeedResult) -> str:
    """Of one need, in a word or two; where one looks likely though it is open, which."""
    text = OUTCOMES[result.outcome]
    if result.noise_fraction is None or result.chance is None:
        return text
    return f"{text}, likely {'met' if result.chance > LIKELY else 'missed'}"


def found_text(result: NeedResult) -> str:
    """What was found of one need, without the need itself; empty where nothing is known."""
    if result.lack is not None or result.need.figure is None:
        return " or ".join(_TRUTHS.get(fact, visible_text(fact)) for fact in result.facts)
    clip = f" ({shown_name(result.clip)})" if result.clip else ""
    return f"{estimate_text(result.value) if result.value else result.no_number}{clip}"


def need_text(result: NeedResult) -> str:
    """One need's outcome: value, margin and chance."""
    need, value = result.need, result.value
    if result.lack is not None:
        return lack_text(result.lack)
    if need.figure is None:
        return _fact_text(need, result.facts)
    found = estimate_text(value) if value else str(result.no_number)
    if result.share_within is not None:
        found += f", {100 * result.share_within:.3g} % of moves within the limit"
    clip = f" on {shown_name(result.clip)}" if result.clip else ""
    text = (
        f"{visible_text(need.text)}: {', '.join(filter(None, [found, margin_text(result)]))}{clip}"
    )
    if result.outcome == "meets" or value is None:
        return text
    if result.outcome == "open" and result.rounds_missing:
        return f"{text} (open: at least {count_text(result.rounds_missing, 'more round')} needed)"
    if result.chance is None:
        return f"{text} (too few rounds to tell)"
    likely = f"{chance_text(result.chance)} likely to meet it{' on every clip' * bool(result.clip)}"
    if result.noise_fraction is not None:
        return f"{text} (open: {likely}, but {_noise_text(result.noise_fraction, result.chance)})"
    is_exact = value.round_count == 1
    return text if is_exact else f"{text} ({likely})"


def _noise_text(fraction: float, chance: float) -> str:
    """Why a need is open though its chance alone would decide."""
    other = "one that misses it" if chance > LIKELY else "one that meets every need"
    percent = percent_digits(math.ceil(1000 * fraction) / 1000)
    return f"{other} looks so by noise in up to {percent} % of runs"


def _fact_text(need: Need, facts: Sequence[str]) -> str:
    """`bit depth 8 (needs ≥ 10)`, `alpha: no (needs yes)`."""
    name, values = need.subject.replace("_", " "), visible_text(" or ".join(facts))
    if need.value in _TRUTHS:
        answer = " or ".join(_TRUTHS[fact] for fact in facts)
        return f"{name}: {answer} (needs {_TRUTHS[need.value]})"
    return f"{name} {values} (needs {_SIGNS[need.operator]}{visible_text(need.value)})"


def lack_text(lack: Lack) -> str:
    """Why something is not known of an encoding, or bars it, with what asked for it."""
    reason = {
        "not measured": "not measured",
        "clip missing": f"{list_text(lack.clips) if lack.clips else 'a clip'} is missing",
        "size not known": "its size is not known",
        "fact not known": "not known",
        "few units": f"finished in only {lack.have} of {lack.of} {lack.unit}s",
        "wrong pictures": f"showed {count_text(lack.have, 'wrong picture')}",
        "no weight": "nothing to do, which no weight can weigh",
        "capped": f"no more than {lack.have} were tried, and all played",
    }[lack.kind]
    asked = lack.need.text if lack.need else lack.wish.figure.label if lack.wish else ""
    return f"{visible_text(asked)}: {reason}" if asked else reason

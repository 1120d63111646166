"""Figures and names as text for people: digits that match the uncertainty, names made harmless."""

import math
import unicodedata
from collections.abc import Callable, Collection, Sequence
from typing import Final

from mezzmark.decide.estimate.observed_run import BITS_PER_HOUR_TO_GB
from mezzmark.decide.estimate.rounds import most_slow_share
from mezzmark.decide.machine.noise import TwoKinds
from mezzmark.model.errors import count_text as count_text  # noqa: PLC0414 - also had from here
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate, Withheld

SHOWN_UNITS: Final = {"bit/s": (1e-6, "Mbit/s"), "B": (1e-6, "MB")}
"""Stored unit → (factor, unit in text). MB is 10^6 bytes."""

NAME_LIMIT: Final = 48
"""Characters of a name shown in running text and figures; tables hold the whole name."""

_BIDI_CONTROLS: Final = {0x061C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A)}
_HIDDEN: Final = {*_BIDI_CONTROLS, 0xFFFE, 0xFFFF}  # no XML holds the last two
_MARKS: Final = {"\n": "⏎", "\r": "⏎", "\u2028": "⏎", "\u2029": "⏎", "\t": "⇥"}
_FIRST_STRONG_ISOLATE, _POP_ISOLATE = "\u2068", "\u2069"


def shown_unit(unit: str) -> str:
    """The unit that text and figures use for a stored one."""
    return SHOWN_UNITS.get(unit, (1.0, unit))[1]


def shown_value(value: float, unit: str) -> float:
    """A stored value in the unit of `shown_unit`."""
    return value * SHOWN_UNITS.get(unit, (1.0, unit))[0]


MOST_DIGITS: Final = 4
"""Significant digits at most: no reader here has a use for a fifth."""


def number_text(value: float, *, half_width: float | None = None) -> str:
    """`value` down to a third of its half-width and to at most four significant digits; three
    digits where no half-width is known. What has no end is ∞ or −∞, what is no number a dash."""
    if math.isnan(value):
        return "–"
    if math.isinf(value):
        return "∞" if value > 0 else "−∞"
    if half_width is not None and not math.isfinite(half_width):
        half_width = None
    scale = (half_width or 0.0) / 3 or abs(value) / 100
    if not scale:
        return "0"
    decimals = -math.floor(math.log10(scale))
    if value:
        decimals = min(decimals, MOST_DIGITS - 1 - math.floor(math.log10(abs(value))))
    return f"{value:,.{max(0, decimals)}f}"


def estimate_text(estimate: Estimate, *, with_unit: bool = True) -> str:
    """`12.4 ms [12.1, 12.8]`; without an interval the bare point, whose reason is `withheld`."""
    return " ".join(filter(None, estimate_parts(estimate, with_unit=with_unit)))


def row_text(estimate: Estimate) -> str:
    """As `estimate_text`, in a figure's row, which has no room for the names of clips."""
    return estimate_parts(estimate)[0] if estimate.spans_clips else estimate_text(estimate)


def estimate_parts(estimate: Estimate, *, with_unit: bool = True) -> tuple[str, str]:
    """`12.4 ms` and `[12.1, 12.8]`; the second is empty without an interval. Of clips that differ
    too much for one number `10 to 400 ms` and `(harbour 400; walk 10)`."""
    point = shown_value(estimate.point, estimate.unit)
    unit = shown_unit(estimate.unit)
    tail = ("×" if unit == "×" else f" {unit}") if with_unit and unit else ""
    if estimate.spans_clips:
        return _clips_parts(estimate, tail)
    if noun := {"streams": "stream", "editors at once": "editor"}.get(estimate.unit):
        return _count_parts(estimate, noun)
    if estimate.low is None or estimate.high is None:
        return f"{number_text(point)}{tail}", ""
    low, high = (shown_value(end, estimate.unit) for end in (estimate.low, estimate.high))
    half = (high - low) / 2
    texts = [number_text(number, half_width=half) for number in (point, low, high)]
    return f"{texts[0]}{tail}", f"[{texts[1]}, {texts[2]}]"


def _count_parts(estimate: Estimate, noun: str) -> tuple[str, str]:
    """`5 streams` and `[4, 6]`; capped: `at least 16 streams` and `[9, 16 or more]`."""
    low, high, cap = estimate.low, estimate.high, estimate.capped_at or math.inf
    least = "at least " * estimate.is_least
    point = f"{least}{count_text(round(estimate.point), noun)}"
    more = " or more" * ((high or 0) >= cap)
    return point, "" if low is None or high is None else f"[{low:.0f}, {high:.0f}{more}]"


def _clips_parts(estimate: Estimate, tail: str) -> tuple[str, str]:
    """Its range, and the clips, the worst first."""
    values = [shown_value(clip.point, estimate.unit) for clip in estimate.by_clip]
    named = [
        f"{shown_name(clip.clip)} {number_text(value)}"
        for clip, value in zip(estimate.by_clip, values, strict=True)
    ]
    clips = few_text(named, lambda left: count_text(left, "more clip"))
    ends = span_text(number_text(min(values)), number_text(max(values)))
    return f"{ends}{tail}", f"({clips})"


def bare_ratio(estimate: Estimate) -> str:
    """`3.1 [2.8, 3.4]`."""
    return estimate_text(estimate, with_unit=False)


def level_text(fraction: float) -> str:
    """A level or a share that was set: `95 %`, `2.5 %`."""
    return f"{100 * fraction:g} %"


IN_BRACKETS: Final = f"{level_text(CONFIDENCE_LEVEL)} intervals in brackets"


def duration_text(seconds: float) -> str:
    """Seconds up to a minute and a half, then minutes, then hours: as exact as a guess may be.

    Below ten minutes to a tenth, or a few rounds would not look like so many times one."""
    if seconds < 10:
        return f"{max(0.1, seconds):.1f} s"
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 90 * 60:
        minutes = seconds / 60
        return f"{minutes:.2g} min" if minutes < 10 else f"{minutes:.0f} min"
    return f"{seconds / 3600:.1f} h"


def span_text(low: str, high: str) -> str:
    """`4 to 6`, or `4` where both ends read the same."""
    return low if low == high else f"{low} to {high}"


def sentence(text: str) -> str:
    """`text` with its first letter raised; never of a text that begins with a user's name."""
    return text[:1].upper() + text[1:]


def visible_text(text: str) -> str:
    """`text` with control characters and direction marks written out, so that they do nothing."""
    return "".join(
        _MARKS.get(one) or (f"‹U+{ord(one):04X}›" if _is_hidden(one) else one) for one in text
    )


def _is_hidden(one: str) -> bool:
    return ord(one) in _HIDDEN or unicodedata.category(one) in ("Cc", "Cs", "Co")


def shown_name(name: str, *, limit: int = NAME_LIMIT) -> str:
    """A user's name made harmless, of at most `limit` characters, isolated if right-to-left."""
    text = visible_text(name)
    if len(text) > limit:
        tail = limit // 3
        text = f"{text[: limit - tail - 1]}…{text[-tail:]}"
    if any(unicodedata.bidirectional(character) in ("R", "AL", "AN") for character in text):
        return f"{_FIRST_STRONG_ISOLATE}{text}{_POP_ISOLATE}"
    return text


def list_text(names: Sequence[str], *, limit: int = 4) -> str:
    """`A, B and C`; beyond `limit` names `A, B, C, D and 7 more`."""
    shown = [shown_name(name) for name in names[:limit]]
    comma = "; " if any("," in name for name in shown) else ", "
    if len(names) > limit:
        return f"{comma.join(shown)} and {len(names) - limit} more"
    return joined_text(shown, comma=comma)


def joined_text(parts: Sequence[str], *, comma: str = ", ", word: str = "and") -> str:
    """`A, B and C` of words that are fit to be shown as they are; empty without any."""
    if len(parts) <= 1:
        return "".join(parts)
    return f"{comma.join(parts[:-1])} {word} {parts[-1]}"


MOST_NAMED: Final = 3
"""Things named in a sentence, or beside a figure; tables and JSON have all of them."""


def few_text(
    parts: Sequence[str],
    rest: Callable[[int], str] = "and {} more".format,
    *,
    most: int = MOST_NAMED,
) -> str:
    """`A; B; and 3 more`: the first `most`, and what `rest` says of the number left out."""
    left = len(parts) - most
    return "; ".join([*parts[:most], *([rest(left)] if left > 0 else [])])


def count_span_text(counts: Collection[int], noun: str) -> str:
    """`4 rounds`, or `4 to 6 rounds`."""
    low, high = min(counts), max(counts)
    return count_text(high, noun) if low == high else f"{low:,} to {count_text(high, noun)}"


def round_count_text(complete_count: int, begun_count: int) -> str:
    """`6 rounds`, or `5 whole rounds and part of another` where the last one was not finished."""
    if begun_count <= complete_count:
        return count_text(begun_count, "round")
    if not complete_count:
        return "part of the first round"
    return f"{count_text(complete_count, 'whole round')} and part of another"


def wrong_text(count: int) -> str:
    """`✕ 3 wrong` pictures; empty where none was."""
    return f"✕ {count:,} wrong" if count else ""


def two_kinds_text(found: TwoKinds) -> str:
    """`6 of 15 trials at 8.9 ms, the others at 11 ms`."""
    fast, slow = map(number_text, (found.fast, found.slow))
    first = f"{found.fast_count} of {found.count} trials at {fast} {found.unit}"
    return f"{first}, the others at {slow} {found.unit}"


def slow_texts(slow_count: int, round_count: int) -> tuple[str, str]:
    """`0 of 10` slow rounds, and `(at most 26 %)` of all that may be."""
    most = most_slow_share(slow_count, round_count)
    return f"{slow_count} of {round_count}", f"(at most {100 * most:.0f} %)"


def hour_gb_text(bitrate_bps: float) -> str:
    """`52.2 GB for an hour`."""
    return f"{gb_text(bitrate_bps)} for an hour"


def gb_text(bitrate_bps: float) -> str:
    """What an hour takes: `52.2 GB`; GB is 10^9 bytes."""
    return f"{number_text(bitrate_bps * BITS_PER_HOUR_TO_GB)} GB"


def mbps_text(bitrate_bps: float) -> str:
    """`116 Mbit/s`."""
    return f"{number_text(bitrate_bps / 1e6)} Mbit/s"


def size_text(bitrate_bps: float) -> str:
    """`116 Mbit/s, or 52.2 GB for an hour`."""
    return f"{mbps_text(bitrate_bps)}, or {hour_gb_text(bitrate_bps)}"


def withheld_text(reasons: Sequence[Withheld]) -> str:
    """Why an estimate has no interval; empty where it has one."""
    return "; ".join(_reason(reason) for reason in reasons)


def _reason(reason: Withheld) -> str:
    needed, moves = reason.needed, reason.moves_a_round
    shorter = f", or {count_text(moves, 'sample')} a round" if moves else ""

    def few(noun: str) -> str:
        more = count_text(needed, noun)
        return f"no interval from {count_text(reason.have, noun)}: {more} more needed"

    texts = {
        "few_rounds": few("round"),
        "few_clips": few("clip"),
        "few_moves": f"no interval: needs {count_text(needed, 'more round')}{shorter}",
        "clustered": "no interval: slow samples crowd into few trials, so the limit lies beyond "
        "the slowest sample; twice as many rounds may show it",
        "constant": "the same in every round",
        "exact": "known exactly",
    }
    return texts.get(reason.kind, "it has no interval")

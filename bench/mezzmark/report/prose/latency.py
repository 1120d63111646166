"""What the answer says of time to picture: of one encoding, of the original, of "immediate"."""

from typing import Final

from mezzmark.decide.estimate.ranking import Ranked, Ranking
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.report.prose.numbers import (
    PATTERN_PHRASES,
    count_text,
    estimate_text,
    list_text,
    number_text,
    shown_name,
    size_text,
)

INSTANT_MS: Final = 100.0
"""Up to here a response feels immediate: Miller 1968 and Card, Robertson & Mackinlay 1991, as
attributed in Nielsen, Usability Engineering, 1993, chapter 5 ("0.1 second")."""


def speed_sentence(lead: Ranking, entry: Ranked, *, with_original: bool = True) -> str:
    """One encoding's median and p95 beside the original's, and their ratio; without the original's
    own times where they were told."""
    phrase = PATTERN_PHRASES[lead.setting["pattern"] or "jump"]
    text = (
        f"{shown_name(entry.encoding)} showed the right picture after "
        f"{estimate_text(entry.estimates['p50_ms'])} at the median and within "
        f"{estimate_text(entry.estimates['p95_ms'])} in 95 of 100 moves, {phrase}"
    )
    original = lead.find(ORIGINAL)
    if original is None or entry.encoding == ORIGINAL or entry.speedup_ratio is None:
        return f"{text}."
    if not with_original:
        return f"{text}: {estimate_text(entry.speedup_ratio)} as fast as the original."
    return (
        f"{text}. The original took {estimate_text(original.estimates['p50_ms'])} and "
        f"{estimate_text(original.estimates['p95_ms'])}. Round by round, that is "
        f"{estimate_text(entry.speedup_ratio)} as fast."
    )


def instant_sentences(lead: Ranking, bitrates: dict[str, float]) -> list[str]:
    """Who stays under the line at which waiting starts, and the smallest of them."""
    sure = [e for e in lead.entries if e.is_eligible and _is_instant(e.estimates["p95_ms"])]
    measured = count_text(len(lead.entries), "encoding")
    if all(entry.estimates["p95_ms"].high is None for entry in lead.entries):
        return []
    if not sure:
        return [
            f"None of the {measured} is sure to stay under {INSTANT_MS:.0f} ms, where waiting "
            "starts to be felt, in 95 of 100 moves."
        ]
    texts = [
        f"Sure to stay under {INSTANT_MS:.0f} ms, where waiting starts to be felt, in 95 of 100 "
        f"moves: {len(sure)} of {measured} ({list_text([e.encoding for e in sure], limit=6)})."
    ]
    sized = [entry.encoding for entry in sure if entry.encoding in bitrates]
    if len(sized) > 1:
        smallest = min(sized, key=lambda name: (bitrates[name], name))
        texts.append(
            f"The smallest of these is {shown_name(smallest)}: {size_text(bitrates[smallest])}."
        )
    return texts


def _is_instant(estimate: Estimate) -> bool:
    return estimate.high is not None and estimate.high < INSTANT_MS


def _seldom_waits(entry: Ranked) -> bool:
    """Whether 95 of 100 moves are within what feels immediate, as far as was measured."""
    tail = entry.estimates.get("p95_ms")
    return tail is not None and (tail.point if tail.high is None else tail.high) < INSTANT_MS


def original_sentences(lead: Ranking, name: str, bitrates: dict[str, float]) -> list[str]:
    """That the camera's own files already feel immediate, where that is sure of jumps, slow ones
    included, and what the encoding `name` would take more in place of them."""
    original = lead.find(ORIGINAL)
    if (
        name == ORIGINAL
        or lead.setting["pattern"] != "jump"
        or original is None
        or not original.is_eligible
        or not _is_instant(original.estimates["p50_ms"])
        or not _seldom_waits(original)
    ):
        return []
    times = bitrates[name] / bitrates[ORIGINAL] if {name, ORIGINAL} <= bitrates.keys() else None
    price = ""
    if times is not None and times > 1:
        price = f" and take {number_text(times)} times the disk"
    return [
        f"The originals already answer within {INSTANT_MS / 1000:g} s, at the median "
        f"({estimate_text(original.estimates['p50_ms'])}) and in 95 of 100 moves "
        f"({estimate_text(original.estimates['p95_ms'])}); an intermediate such as "
        f"{shown_name(name)} would gain little here{price}."
    ]


def fastest_elsewhere(other: Ranking, lead: Ranking) -> str:
    """Who was fastest in a further way of moving, thread count or policy; empty without anyone."""
    if other.fastest is None:
        return ""
    best = other.fastest
    verb = "looked" if best.estimates["p50_ms"].low is None else "was"
    text = (
        f"{shown_name(best.encoding)} {verb} fastest {_setting_phrase(other, lead)}, with "
        f"{estimate_text(best.estimates['p50_ms'])} at the median"
    )
    if best.speedup_ratio is not None:
        text += f", {estimate_text(best.speedup_ratio)} as fast as the original"
    if other.tied:
        names = list_text([entry.encoding for entry in other.tied])
        text += f"; {names} cannot be told from it"
    return f"{text}."


def medians_elsewhere(name: str, others: list[Ranking], lead: Ranking) -> list[str]:
    """One encoding's medians in every other way of moving, in one sentence."""
    parts = [
        f"{_setting_phrase(other, lead)}, {estimate_text(entry.estimates['p50_ms'])}"
        for other in others
        if (entry := other.find(name)) is not None
    ]
    return [f"Its other medians: {'; '.join(parts)}."] if parts else []


def _setting_phrase(other: Ranking, lead: Ranking) -> str:
    phrase = PATTERN_PHRASES[other.setting["pattern"] or "jump"]
    if other.setting["threads"] != lead.setting["threads"]:
        phrase += f" with {count_text(other.setting['threads'], 'thread')}"
    if other.setting["policy"] != lead.setting["policy"]:
        phrase += f" and the player's policy was {other.setting['policy']}"
    return phrase

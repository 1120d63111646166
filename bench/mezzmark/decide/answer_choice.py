"""What the answer says beside a chosen encoding: who is faster, and why it was not taken."""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.estimates import compare_groups, group_over_clips
from mezzmark.decide.observations import Observation
from mezzmark.decide.ranking import Ranking, setting_of
from mezzmark.decide.wording import estimate_text, list_text, visible_text
from mezzmark.facts.choice import Choice, JudgedEncoding, NeedResult
from mezzmark.facts.choosing import parse_need

_LACKING: Final = {
    "alpha": "no alpha channel",
    "intra": "not every picture is a key frame",
    "lossless": "not lossless",
}
"""What is wrong with an encoding whose fact is `false` where `true` is needed."""


def chosen_encodings(choice: Choice) -> tuple[str, ...]:
    """Who the choice comes to: one, two that cannot be told apart, or nobody."""
    if choice.recommendation is None:
        return ()
    return (choice.recommendation, *([choice.tied] if choice.tied else []))


def faster_sentences(
    lead: Ranking, choice: Choice, observations: Sequence[Observation]
) -> list[str]:
    """Those ahead of the chosen one in time to picture: ruled out, with the need that does it, or
    put behind by the wishes. Only whom the rounds show to be ahead is called faster."""
    names = [entry.encoding for entry in lead.entries]
    chosen = chosen_encodings(choice)
    if not chosen or chosen[0] not in names:
        return []
    judged = {entry.encoding: entry for entry in choice.encodings}
    ahead = [
        name for name in names[: names.index(chosen[0])] if name not in chosen and name in judged
    ]
    sure = _surely_faster(ahead, chosen[0], lead, observations)
    grouped: dict[tuple[bool, str], list[str]] = {}
    for name in ahead:
        grouped.setdefault((name in sure, _reason(judged[name])), []).append(name)
    return [
        f"{list_text(who, limit=6)} {_claim(len(who), is_sure=is_sure)}, but {reason}."
        for (is_sure, reason), who in grouped.items()
    ]


def _claim(count: int, *, is_sure: bool) -> str:
    if not is_sure:
        return "looked faster (these rounds cannot tell)"
    return "is faster" if count == 1 else "are faster"


def _surely_faster(
    ahead: Sequence[str], chosen: str, lead: Ranking, observations: Sequence[Observation]
) -> set[str]:
    """Who of `ahead` is faster by the ratio paired by round, one-sided and adjusted for all rivals
    as `mezzmark.decide.ranking` does, since points picked them."""
    groups = group_over_clips(o for o in observations if setting_of(o.cell) == lead.setting)
    by_name = {cell.encoding: group for cell, group in groups.items()}
    one_sided = (1 - lead.confidence_level) / max(1, len(lead.entries) - 1)
    sure = set()
    for name in ahead:
        ratio = compare_groups(
            by_name[chosen], by_name[name], "p50_ms", confidence_level=1 - 2 * one_sided
        )
        if ratio is not None and ratio.low is not None and ratio.low > 1:
            sure.add(name)
    return sure


def _reason(entry: JudgedEncoding) -> str:
    missed = [result for result in entry.needs if result.outcome == "misses"]
    if entry.status == "ruled out" and missed:
        return f"ruled out: {'; '.join(map(_shortcoming, missed))}"
    if entry.status == "meets":
        return "your wishes put the chosen one first"
    if entry.status == "open":
        return "not sure to meet your needs"
    return f"not judged: {visible_text('; '.join(entry.reasons)) or 'a figure is lacking'}"


def _shortcoming(result: NeedResult) -> str:
    """`8 bit`, `4:2:0`, or the need with what was measured."""
    if result.value is not None:
        return f"{visible_text(result.need)} was needed and it has {estimate_text(result.value)}"
    subject = parse_need(result.need).subject
    if subject == "bit_depth":
        return f"{result.value_text} bit"
    if subject in _LACKING and result.value_text == "false":
        return _LACKING[subject]
    return f"{subject.replace('_', ' ')} {visible_text(result.value_text)}"

"""What the answer says beside a chosen encoding: who is faster, and why it was not taken."""

from typing import Final

from mezzmark.decide.ranking import Ranking
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


def faster_sentences(lead: Ranking, choice: Choice) -> list[str]:
    """Those ahead of the chosen one in time to picture: ruled out, with the need that does it, or
    put behind by the wishes."""
    names = [entry.encoding for entry in lead.entries]
    chosen = chosen_encodings(choice)
    if not chosen or chosen[0] not in names:
        return []
    judged = {entry.encoding: entry for entry in choice.encodings}
    ahead = [name for name in names[: names.index(chosen[0])] if name not in chosen]
    by_reason: dict[str, list[str]] = {}
    for name in ahead:
        if name in judged:
            by_reason.setdefault(_reason(judged[name]), []).append(name)
    return [
        f"{list_text(who, limit=6)} {'is' if len(who) == 1 else 'are'} faster, but {reason}."
        for reason, who in by_reason.items()
    ]


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

"""The choice in words, for someone who edits video: the answer, then what stands behind it."""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.choose.choice import Choice, Flip, Front, JudgedEncoding, NeedResult
from mezzmark.decide.choose.draws import Likely
from mezzmark.decide.choose.question import Question
from mezzmark.decide.estimate.observations import Observation
from mezzmark.decide.estimate.pooling import compare_groups, group_over_clips
from mezzmark.decide.estimate.ranking import Ranking
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.figures import parse_figure
from mezzmark.model.request import parse_need, parse_wish
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

FRONT_LEVEL: Final = 0.95
"""An encoding is off the front when it is dominated with this chance, on it when the chance of
that is no more than the rest."""

NEARLY_SURE: Final = 0.995


def front_of(chance_dominated: float) -> Front:
    """Where an encoding stands towards the Pareto front."""
    if chance_dominated >= FRONT_LEVEL:
        return "off it"
    return "on it" if chance_dominated <= 1 - FRONT_LEVEL else "may be on it"


def chance_text(chance: float | None) -> str:
    """`97 %`; the ends as `over 99 %` and `under 1 %`, for draws cannot say more."""
    if chance is None:
        return "not known"
    if chance >= NEARLY_SURE:
        return "over 99 %"
    if chance < 1 - NEARLY_SURE:
        return "under 1 %"
    return f"{chance * 100:.0f} %"


def margin_text(result: NeedResult) -> str:
    """`12 % of room` or `12 % beyond`; empty for a need without a number."""
    if result.margin_db is not None:
        side = "of room" if result.margin_db >= 0 else "short"
        return f"{abs(result.margin_db):.1f} dB {side}"
    if result.margin_fraction is None:
        return ""
    side = "of room" if result.margin_fraction >= 0 else "beyond"
    return f"{number_text(abs(result.margin_fraction) * 100)} % {side}"


def need_text(result: NeedResult) -> str:
    """One need's outcome: value, margin and chance."""
    if result.outcome == "not shown":
        return f"{visible_text(result.need)}: not shown ({result.reason or 'not measured'})"
    value = estimate_text(result.value) if result.value else result.value_text
    parts = [value, margin_text(result)]
    if result.outcome == "open":
        parts.append(
            f"chance to meet {chance_text(result.chance)}"
            if result.chance is not None
            else "too few rounds to tell"
        )
    elif result.outcome == "misses" and result.value is not None and result.value.round_count > 1:
        parts.append(f"chance to meet {chance_text(result.chance)}")
    return f"{visible_text(result.need)}: {', '.join(part for part in parts if part)}"


def headline(choice: Choice) -> str:
    """The answer in one sentence, or two."""
    if choice.verdict == "none meets":
        return f"No encoding meets your needs. {_nearest(choice)}"
    if choice.leader is None:
        return "No encoding could be judged: each lacks a figure that the needs or wishes ask for."
    if choice.verdict == "cannot say":
        return _cannot_say(choice, choice.leader)
    name = shown_name(choice.leader)
    if choice.unit_count == 0:
        return _chosen_without_rounds(choice, name)
    if choice.chance_best is None:
        return f"{name} looks best, but {_too_few(choice)}."
    best = f"the chance that it is the best choice is {chance_text(choice.chance_best)}"
    if choice.verdict == "none is sure":
        sure = chance_text(choice.find(choice.leader).chance_all)
        return f"No encoding is sure to meet your needs. {name} is likeliest to ({sure}); {best}."
    which = _needs_met(choice)
    if choice.tied is None:
        verb = "Keep to" if choice.leader == ORIGINAL else "Choose"
        meets = f"it meets {which}, and " if which else ""
        return f"{verb} {name}: {meets}{best}."
    meets = f" Both meet {which}." if which else ""
    return f"Choose {name} or {_tie(choice, choice.tied)}.{meets}"


def _too_few(choice: Choice) -> str:
    return (
        f"{count_text(choice.unit_count, choice.unit)} cannot tell: {MINIMUM_ROUNDS} are needed "
        "for a chance"
    )


def _tie(choice: Choice, second: str) -> str:
    return (
        f"{shown_name(second)}; these {choice.unit}s cannot tell them apart (chance to be the best "
        f"choice {chance_text(choice.chance_best)} and "
        f"{chance_text(choice.find(second).chance_best)})"
    )


def _cannot_say(choice: Choice, leader: str) -> str:
    """A need was not measured: which, what to do, and who is best by the rest."""
    missing = [f'"{visible_text(need)}"' for need in choice.needs_not_shown]
    is_one = len(missing) == 1
    added = [text for text in dict.fromkeys(choice.needs_not_shown_remedies) if text]
    todo = f"Measure again, but first {list_text(added)}" if added else "Measure it again"
    whose = "your need" if is_one else "your needs"
    told = "was" if is_one else "were"
    rest = "the other needs" if len(choice.needs) > len(missing) else "your wishes alone"
    if len(choice.needs) - len(missing) == 1:
        rest = "the other need"
    return (
        f"Cannot say: {whose} {list_text(missing)} {told} not measured. {todo}; by {rest}, "
        f"{_best_by_the_rest(choice, leader)}."
    )


def _best_by_the_rest(choice: Choice, leader: str) -> str:
    name = shown_name(leader)
    if choice.tied is not None:
        return f"{name} or {_tie(choice, choice.tied)}"
    if choice.unit_count == 0:
        return f"{name} comes first"
    if choice.chance_best is None:
        return f"{name} looks best, but {_too_few(choice)}"
    best = f"the chance that it is the best choice is {chance_text(choice.chance_best)}"
    sure = choice.find(leader).chance_measured or 0.0
    if sure < choice.confidence_level:
        return f"no encoding is sure; {name} is likeliest to meet them ({chance_text(sure)})"
    return f"choose {name} ({best})"


def _chosen_without_rounds(choice: Choice, name: str) -> str:
    """Where nothing asked for was timed: what decided, which has no spread."""
    which = _needs_met(choice)
    meets = f"it meets {which}, and " if which else ""
    by = list_text([parse_wish(wish).figure.label for wish in choice.wishes])
    if choice.wishes_not_measured:
        return f"Of what was wished for, only {by} was measured. By that alone, choose {name}."
    return f"Choose {name}: {meets}it comes first by {by}, which is the same in every round."


def _needs_met(choice: Choice) -> str:
    """The needs as a phrase; empty where there is none."""
    count = len(choice.needs)
    return {0: "", 1: "your need", 2: "both of your needs"}.get(count, f"all {count} of your needs")


def goal_text(wish: str) -> str:
    """`less bit rate` for `less bitrate_bps`."""
    figure = parse_wish(wish).figure
    return f"{figure.better} {figure.label}"


def _nearest(choice: Choice) -> str:
    first = choice.nearest[0]
    missed = "; ".join(need_text(result) for result in first.missed)
    return f"The nearest is {shown_name(first.encoding)}, which misses {missed}."


def findings(choice: Choice) -> tuple[str, ...]:
    """What stands behind the answer, a sentence each."""
    texts = [_rule(choice)]
    if choice.leader is not None:
        texts += _runner_up(choice)
        texts += _better_if_sure(choice)
    texts += [
        f"Next nearest: {shown_name(miss.encoding)}, which misses "
        f"{'; '.join(need_text(result) for result in miss.missed)}."
        for miss in choice.nearest[1:]
    ]
    texts += [
        f'Not measured, so nobody is known to meet it: "{visible_text(need)}".'
        for need in choice.needs_not_shown
    ]
    return (*texts, *choice.notes)


def _rule(choice: Choice) -> str:
    origin = (
        " (nobody gave wishes, so these are the usual ones)" if choice.has_default_wishes else ""
    )
    if choice.weights:
        goals = ", ".join(
            f"{goal_text(wish)} (weight {weight:g})"
            for wish, weight in zip(choice.wishes, choice.weights, strict=True)
        )
        return f"Wishes, weighed: {goals}."
    if len(choice.wishes) == 1:
        return f"Wish: {goal_text(choice.wishes[0])}{origin}."
    return (
        f"Wishes in order: {'; then '.join(map(goal_text, choice.wishes))}{origin}. Differences "
        f"of up to {choice.indifference_fraction * 100:g} % leave the next wish to decide."
    )


def _runner_up(choice: Choice) -> list[str]:
    if choice.runner_up is None:
        return ["No other encoding is left to choose from."]
    name = shown_name(choice.runner_up)
    by = f" (decided by: {goal_text(choice.decided_by)})" if choice.decided_by else ""
    if choice.chance_ahead is None:
        return [f"Next comes {name}{by}; too few rounds to say how surely."]
    chance = chance_text(choice.chance_ahead)
    if not choice.is_rivalled:
        return [f"Next comes {name}; it is behind with a chance of {chance}{by}."]
    return [
        f"{name} cannot be told apart from it: the chance that the choice between these two is "
        f"right is {chance}{by}. Either will do, or measure more rounds."
    ]


def _better_if_sure(choice: Choice) -> list[str]:
    """Open encodings that would be the best choice more often than rarely, if they met."""
    rivals = [
        entry
        for entry in choice.encodings
        if entry.status == "open"
        and entry.encoding != choice.leader
        and (entry.chance_measured or 0) < choice.confidence_level
        and (entry.chance_best or 0) > 1 - FRONT_LEVEL
    ]
    return [
        f"{shown_name(e.encoding)} might be the better choice ({chance_text(e.chance_best)}), but "
        f"whether it meets {'the measured' if choice.needs_not_shown else 'all'} needs is open "
        f"(chance {chance_text(e.chance_measured)})."
        for e in rivals
    ]


def against_text(choice: Choice, entry: JudgedEncoding) -> str:
    """What speaks against an encoding: needs missed or open, with value, margin and chance, or why
    it is not judged; empty where only needs that nobody measured are open."""
    if entry.status == "not judged":
        return visible_text("; ".join(entry.reasons))
    told = "; ".join(need_text(r) for r in entry.needs if r.outcome in ("misses", "open"))
    is_sure = (entry.chance_measured or 0) >= choice.confidence_level
    return told or ("" if entry.status != "open" or is_sure else "all its needs together are open")


def basis_text(choice: Choice) -> str:
    """What the chances and the word "ruled out" rest on."""
    units = rounds_text(choice)
    chances = f"Chances from {choice.draw_count} draws over {units}. " if choice.unit_count else ""
    return (
        f"{chances}Ruled out: surely beyond a need at level {choice.confidence_level * 100:g} %. "
        "There is no overall score."
    )


def rounds_text(choice: Choice) -> str:
    """`5 rounds`; `5 whole rounds` where more were begun and not finished by every encoding."""
    if choice.begun_count > choice.unit_count and choice.unit == "round":
        return count_text(choice.unit_count, "whole round")
    return count_text(choice.unit_count, choice.unit)


def notes(question: Question, likely: Likely) -> tuple[str, ...]:
    """What the reader must know of how this was found."""
    texts = []
    if question.dropped:
        others = [text for text in question.others if text not in question.wished]
        instead = (
            f" These were measured and can be wished for: {list_text(others)}." if others else ""
        )
        texts.append(
            f"Not measured, so left out of the wishes: {list_text(list(question.dropped))}."
            f"{instead}"
        )
    if question.run_count == MINIMUM_ROUNDS - 1:
        texts.append(
            "Two runs were put together round by round; what differed between their days is in no "
            "chance. From three runs on, whole runs are compared."
        )
    if likely.is_thin:
        texts.append(
            f"Only {count_text(likely.unit_count, 'round')}: nothing measured rules an encoding "
            "out, and no chance is given."
        )
    return tuple(texts)


FLIPS_SHOWN: Final = 4

MANY_PERCENT: Final = 10
"""From here on a tenth of a percent tells nobody anything."""


def flip_sentences(choice: Choice) -> tuple[str, ...]:
    """The smallest changes that would change the answer."""
    return tuple(_flip(flip) for flip in choice.flips[:FLIPS_SHOWN])


def _flip(flip: Flip) -> str:
    then = (
        "no encoding would be sure to meet the needs"
        if flip.then is None
        else f"{shown_name(flip.then)} would be chosen"
    )
    if flip.kind == "order":
        first, second = map(goal_text, flip.subject.split(" before "))
        return f'If "{first}" came before "{second}", {then}.'
    assert flip.old_value is not None
    assert flip.new_value is not None
    if flip.kind == "indifference":
        return (
            f"If differences of up to {flip.new_value * 100:.1f} % did not matter "
            f"(now {flip.old_value * 100:.1f} %), {then}."
        )
    old, new = _values(flip)
    if flip.kind == "need":
        return (
            f'If the limit of "{visible_text(flip.subject)}" were {new} ({_change(flip)}), {then}.'
        )
    if flip.kind == "weight":
        return f'If the weight of "{goal_text(flip.subject)}" were {new} in place of {old}, {then}.'
    figure = parse_figure(flip.subject, where=flip.subject).label
    return (
        f"If the {figure} of {shown_name(flip.encoding)} were {new} in place of {old} "
        f"({_change(flip)}), {then}."
    )


def _change(flip: Flip) -> str:
    if flip.unit == "dB" or flip.ratio is None:
        difference = (flip.new_value or 0) - (flip.old_value or 0)
        return f"{difference:+.1f} dB"
    percent = (flip.ratio - 1) * 100
    decimals = 1 if abs(percent) < MANY_PERCENT else 0
    return f"{'+' if percent > 0 else '−'}{abs(percent):.{decimals}f} %"


def _values(flip: Flip) -> tuple[str, str]:
    """Old and new with enough digits to tell them apart."""
    old, new = (shown_value(v or 0.0, flip.unit) for v in (flip.old_value, flip.new_value))
    texts = (number_text(value, half_width=abs(new - old) or None) for value in (old, new))
    unit = shown_unit(flip.unit)
    first, second = (f"{text} {unit}".strip() for text in texts)
    return first, second


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
    as `mezzmark.decide.estimate.ranking` does, since points picked them."""
    groups = group_over_clips(
        o for o in observations if o.cell.task == "scrub" and o.cell.setting == lead.setting
    )
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

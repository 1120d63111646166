"""The choice in words, for someone who edits video: the answer, then what stands behind it."""

from typing import Final

from mezzmark.decide.choose_draws import Likely
from mezzmark.decide.choose_question import Question
from mezzmark.decide.rounds import MINIMUM_ROUNDS
from mezzmark.decide.wording import (
    count_text,
    estimate_text,
    list_text,
    number_text,
    sentence,
    shown_name,
    visible_text,
)
from mezzmark.facts.choice import Choice, Front, JudgedEncoding, NeedResult
from mezzmark.facts.choosing import parse_wish
from mezzmark.facts.encoding import ORIGINAL

FRONT_LEVEL: Final = 0.95
"""An encoding is off the front when it is dominated with this chance, on it when the chance of
that is no more than the rest."""

_NEARLY_SURE: Final = 0.995


def front_of(chance_dominated: float) -> Front:
    """Where an encoding stands towards the Pareto front."""
    if chance_dominated >= FRONT_LEVEL:
        return "off it"
    return "on it" if chance_dominated <= 1 - FRONT_LEVEL else "may be on it"


def chance_text(chance: float | None) -> str:
    """`97 %`; the ends as `over 99 %` and `under 1 %`, for draws cannot say more."""
    if chance is None:
        return "not known"
    if chance >= _NEARLY_SURE:
        return "over 99 %"
    if chance < 1 - _NEARLY_SURE:
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
    todo = sentence(f"{list_text(added)} and measure again") if added else "Measure it again"
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


def ruled_out_text(entry: JudgedEncoding) -> str:
    """Which needs rule an encoding out, with value, margin and chance."""
    return "; ".join(need_text(result) for result in entry.needs if result.outcome == "misses")


def open_text(choice: Choice, entry: JudgedEncoding) -> str:
    """What is open about an encoding; empty where only needs that nobody measured are."""
    unsure = "; ".join(need_text(result) for result in entry.needs if result.outcome == "open")
    is_sure = (entry.chance_measured or 0) >= choice.confidence_level
    return unsure or ("" if is_sure else "all its needs together are open")


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

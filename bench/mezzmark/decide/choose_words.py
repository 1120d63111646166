"""The choice in words, for someone who edits video: the answer, then what stands behind it."""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.choose_draws import Likely
from mezzmark.decide.rounds import MINIMUM_ROUNDS
from mezzmark.decide.wording import (
    count_text,
    estimate_text,
    list_text,
    number_text,
    shown_name,
    shown_unit,
    shown_value,
    visible_text,
)
from mezzmark.facts.choice import Choice, Flip, Front, JudgedEncoding, NeedResult
from mezzmark.facts.choosing import parse_wish
from mezzmark.facts.choosing_figures import parse_figure
from mezzmark.facts.encoding import ORIGINAL

FRONT_LEVEL: Final = 0.95
"""An encoding is off the front when it is dominated with this chance, on it when the chance of
that is no more than the rest."""

FLIPS_SHOWN: Final = 4

_NEARLY_SURE: Final = 0.995

MANY_PERCENT: Final = 10
"""From here on a tenth of a percent tells nobody anything."""


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
    """The answer in one sentence."""
    if choice.verdict == "none meets":
        return f"No encoding meets your needs. {_nearest(choice)}"
    if choice.verdict == "nothing to judge" or choice.recommendation is None:
        return "No encoding could be judged: each lacks a figure that the needs or wishes ask for."
    name = shown_name(choice.recommendation)
    if choice.unit_count == 0:
        which = _needs_met(choice)
        meets = f"it meets {which}, and " if which else ""
        return f"Choose {name}: {meets}nothing that was asked for varies from round to round."
    if choice.chance_best is None:
        return (
            f"{name} looks best, but {count_text(choice.unit_count, choice.unit)} cannot tell: "
            f"{MINIMUM_ROUNDS} are needed for a chance."
        )
    best = f"the chance that it is the best choice is {chance_text(choice.chance_best)}"
    if choice.verdict == "none is sure":
        sure = chance_text(choice.find(choice.recommendation).chance_all)
        return f"No encoding is sure to meet your needs. {name} is likeliest to ({sure}); {best}."
    which = _needs_met(choice)
    second = choice.find(choice.runner_up) if choice.runner_up else None
    if second is None or choice.is_told_apart or second.status != "meets":
        verb = "Keep to" if choice.recommendation == ORIGINAL else "Choose"
        meets = f"it meets {which}, and " if which else ""
        return f"{verb} {name}: {meets}{best}."
    meets = f" Both meet {which}." if which else ""
    return (
        f"Choose {name} or {shown_name(second.encoding)}; these {choice.unit}s cannot tell them "
        f"apart (chance to be the best choice {chance_text(choice.chance_best)} and "
        f"{chance_text(second.chance_best)}).{meets}"
    )


def _needs_met(choice: Choice) -> str:
    """The needs as a phrase; empty where none was shown."""
    shown = len(choice.needs) - len(choice.needs_not_shown)
    if not shown:
        return ""
    if choice.needs_not_shown:
        return "the one need that was measured" if shown == 1 else f"the {shown} measured needs"
    return {1: "your need", 2: "both of your needs"}.get(shown, f"all {shown} of your needs")


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
    if choice.recommendation is not None:
        texts += _runner_up(choice)
        texts += _better_if_sure(choice)
    texts += [
        f"Next nearest: {shown_name(miss.encoding)}, which misses "
        f"{'; '.join(need_text(result) for result in miss.missed)}."
        for miss in choice.nearest[1:]
    ]
    texts += [
        f'Not shown by these runs, so nobody has passed it: "{visible_text(need)}".'
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
    if choice.is_told_apart:
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
        and entry.encoding != choice.recommendation
        and (entry.chance_best or 0) > 1 - FRONT_LEVEL
    ]
    return [
        f"{shown_name(e.encoding)} might be the better choice ({chance_text(e.chance_best)}), but "
        f"whether it meets all needs is open (chance {chance_text(e.chance_all)})."
        for e in rivals
    ]


def ruled_out_text(entry: JudgedEncoding) -> str:
    """Which needs rule an encoding out, with value, margin and chance."""
    return "; ".join(need_text(result) for result in entry.needs if result.outcome == "misses")


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


def notes(dropped: Sequence[str], likely: Likely, *, run_count: int) -> tuple[str, ...]:
    """What the reader must know of how this was found."""
    texts = []
    if dropped:
        texts.append(f"Not measured, so left out of the wishes: {list_text(list(dropped))}.")
    if run_count == MINIMUM_ROUNDS - 1:
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

"""The smallest changes that would change a choice, a sentence each."""

from typing import Final

from mezzmark.decide.choose_words import goal_text
from mezzmark.decide.wording import number_text, shown_name, shown_unit, shown_value, visible_text
from mezzmark.facts.choice import Choice, Flip
from mezzmark.facts.choosing_figures import parse_figure

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

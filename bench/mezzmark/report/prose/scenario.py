"""What a scenario would measure, in a few lines for a person."""

from collections.abc import Iterator

from mezzmark.model.scenario import INTERVAL_ROUNDS, ROUNDS_RULE, Scenario
from mezzmark.report.prose.numbers import visible_text


def scenario_lines(plan: Scenario) -> Iterator[str]:
    """Clips, encodings, each task with its settings, and how many rounds, a line each."""
    names = [*plan.encodings, *(custom.name for custom in plan.custom_encodings)]
    yield visible_text(f"{plan.name}: {plan.title}" if plan.title else plan.name)
    yield f"clips: {_list([clip.name for clip in plan.clips])}"
    yield f"encodings ({len(names)}): {_list(names)}"
    for name, settings in plan.tasks.items():
        facts = (f"{key} {_list(value)}" for key, value in settings if value not in (None, False))
        yield f"{name}: {'; '.join(facts)}"
    if plan.choose:
        wishes = plan.choose.goals or ("the usual ones",)
        yield f"choose: needs {_list(plan.choose.needs) or 'none'}; wishes {_list(wishes)}"
    yield (
        f"rounds: {plan.minimum_rounds} to {plan.rounds}, until every interval is within "
        f"±{plan.precision_fraction:.0%}; seed {plan.seed}"
    )
    if plan.time_budget_s:
        yield f"time budget: {plan.time_budget_s:g} s; {ROUNDS_RULE}"
    yield from (f"warning: {text}" for text in limit_warnings_of(plan))


def limit_warnings_of(plan: Scenario) -> tuple[str, ...]:
    """What a run with the scenario's numbers of rounds may lack, with what to do about it."""
    if plan.rounds < INTERVAL_ROUNDS:
        return (
            f"an interval needs {INTERVAL_ROUNDS} rounds and this run has at most {plan.rounds}: "
            f"its figures will carry none. Allow {INTERVAL_ROUNDS} rounds or more for an answer.",
        )
    if plan.minimum_rounds < INTERVAL_ROUNDS and plan.time_budget_s is not None:
        return (
            f"an interval needs {INTERVAL_ROUNDS} rounds and minimum_rounds is "
            f"{plan.minimum_rounds}: the time budget may end the run before its figures carry any. "
            f"Set minimum_rounds to {INTERVAL_ROUNDS} or more, or leave it out.",
        )
    return ()


def _list(values: object) -> str:
    several = values if isinstance(values, tuple | list) else [values]
    return ", ".join(visible_text(str(value)) for value in several)

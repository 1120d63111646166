"""What a scenario would measure, in a few lines for a person."""

from collections.abc import Iterator

from mezzmark.model.round_limits import ROUNDS_RULE, limit_warnings
from mezzmark.model.scenario import Scenario
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
    """What the scenario's numbers of rounds let it lack."""
    return limit_warnings(
        rounds=plan.rounds,
        minimum_rounds=plan.minimum_rounds,
        has_budget=plan.time_budget_s is not None,
    )


def _list(values: object) -> str:
    several = values if isinstance(values, tuple | list) else [values]
    return ", ".join(visible_text(str(value)) for value in several)

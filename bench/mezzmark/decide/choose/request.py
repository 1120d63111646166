"""What is put to runs, and what a scenario lacks to answer it."""

from collections.abc import Sequence
from typing import Any, Final

from mezzmark.decide.choose.choice import Addition
from mezzmark.model.figures import FigureName
from mezzmark.model.request import ChooseSettings, Need, Wish, parse_wishes
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.fidelity import metric_of

DEFAULT_WISHES: Final = parse_wishes(
    ("less scrub.jump.p50_ms", "less bitrate_bps", "more encode.throughput_fps")
)
"""Where nobody says otherwise: waiting comes before size, and size before encode time, for a
person waits many times a day, a disk fills once, and encoding runs unattended."""


def settings_for(
    scenarios: Sequence[Scenario],
    *,
    needs: Sequence[str] = (),
    wishes: Sequence[str] = (),
    indifference_fraction: float | None = None,
    confidence_level: float | None = None,
) -> ChooseSettings:
    """What is given, completed by the first scenario that has a `[choose]` table.

    Needs given replace the scenario's needs, wishes given its wishes and weights. ScenarioError
    names what cannot be read.
    """
    base = next((s.choose for s in scenarios if s.choose is not None), ChooseSettings())
    changes: dict[str, object] = {}
    if needs:
        changes["needs"] = tuple(map(Need.parse, needs))
    if wishes:
        changes |= {"wishes": parse_wishes(wishes), "weights": {}}
    if indifference_fraction is not None:
        changes["indifference_fraction"] = indifference_fraction
    if confidence_level is not None:
        changes["confidence_level"] = confidence_level
    return ChooseSettings.model_validate(dict(base) | changes)


def list_unmeasured(scenario: Scenario) -> tuple[tuple[Need | Wish, Addition], ...]:
    """Needs and wishes of `[choose]` that no run of this scenario can answer, in their order, each
    with what is missing."""
    settings = scenario.choose or ChooseSettings()
    asked: tuple[Need | Wish, ...] = (*settings.needs, *settings.goals)
    return tuple(
        (one, addition)
        for one in asked
        if one.figure is not None and (addition := what_to_add(one.figure, scenario)) is not None
    )


def what_to_add(figure: FigureName, scenario: Scenario) -> Addition | None:
    """What makes the scenario measure a figure; None where it does already."""
    if not figure.task:
        return None
    settings: Any = scenario.tasks.get(figure.task)
    if settings is None:
        key = "patterns" if figure.pattern else ""
        return Addition(task=figure.task, key=key, value=figure.pattern or "", is_new_table=True)
    metric = metric_of(figure.figure) if figure.task == "fidelity" else None
    for value, key in (
        (figure.pattern, "patterns"),
        (metric, "metrics"),
        (figure.thread_count, "threads"),
        (figure.job_count, "jobs"),
    ):
        choices = getattr(settings, key) if value else ()
        # "half" and "all" are counts that only the machine knows.
        if value and value not in choices and not {"half", "all"} & set(choices):
            return Addition(task=figure.task, key=key, value=value)
    return None

"""Whether a scenario measures what its needs and wishes are about, and what to add if not."""

from typing import Final

from mezzmark.facts.base import Fact
from mezzmark.facts.choosing import parse_need, parse_wishes
from mezzmark.facts.choosing_figures import FigureName
from mezzmark.facts.choosing_values import KNOWN_VALUES, unknown_value
from mezzmark.facts.scenario import Scenario

_METRICS: Final = {"psnr_db": "psnr", "psnr_worst_db": "psnr", "xpsnr_db": "xpsnr", "ssim": "ssim"}


class Unmeasured(Fact):
    """A need or wish whose figure a scenario does not measure; `remedy` says what to add."""

    text: str
    figure: str
    remedy: str


def list_unmeasured(scenario: Scenario) -> tuple[Unmeasured, ...]:
    """Needs and wishes of `[choose]` that no run of this scenario can answer, in their order."""
    settings = scenario.choose
    if settings is None:
        return ()
    needs = [parse_need(text) for text in settings.needs]
    wishes = parse_wishes(settings.wishes, weights=settings.weights)
    asked = [(need.text, need.figure) for need in needs if need.figure is not None]
    asked += [(wish.text, wish.figure) for wish in wishes]
    return tuple(
        Unmeasured(text=text, figure=figure.name, remedy=remedy)
        for text, figure in asked
        if (remedy := what_to_add(figure, scenario))
    )


def choosing_warnings(scenario: Scenario) -> tuple[str, ...]:
    """What a run of this scenario could not answer of `[choose]`, a sentence each."""
    texts = [
        f'[choose] "{found.text}": this scenario does not measure {found.figure}, so no run of it '
        f"can answer that; {found.remedy}"
        for found in list_unmeasured(scenario)
    ]
    for need in map(parse_need, scenario.choose.needs if scenario.choose else ()):
        known = (*KNOWN_VALUES.get(need.subject, ()), *_custom_values(scenario, need.subject))
        if need.subject in KNOWN_VALUES and (problem := unknown_value(need, known)):
            texts.append(f"[choose] {problem.what}, unless your footage has it. {problem.remedy}")
    return tuple(f"warning: {text}" for text in texts)


def _custom_values(scenario: Scenario, subject: str) -> tuple[str, ...]:
    """Codecs that the scenario itself brings, under the encoder's own name."""
    if subject != "codec":
        return ()
    return tuple(custom.encoder for custom in scenario.custom_encodings if custom.encoder)


def what_to_add(figure: FigureName, scenario: Scenario) -> str:
    """What makes the scenario measure a figure, as an order; empty where it does already."""
    if not figure.task:
        return ""
    settings = getattr(scenario, figure.task)
    if settings is None:
        return _table(figure)
    if figure.pattern and figure.pattern not in settings.patterns:
        return f'add "{figure.pattern}" to the patterns of [scrub]'
    metric = _METRICS.get(figure.figure) if figure.task == "fidelity" else None
    if metric and metric not in settings.metrics:
        return f'add "{metric}" to the metrics of [fidelity]'
    for count, key in ((figure.thread_count, "threads"), (figure.job_count, "jobs")):
        choices = getattr(settings, key) if count else ()
        # "half" and "all" are counts that only the machine knows.
        if count and count not in choices and not {"half", "all"} & set(choices):
            return f"add {count} to the {key} of [{figure.task}]"
    return ""


def _table(figure: FigureName) -> str:
    if figure.pattern:
        return f'add a [scrub] table with patterns = ["{figure.pattern}"]'
    article = "an" if figure.task[0] in "aeiou" else "a"
    return f"add {article} [{figure.task}] table"

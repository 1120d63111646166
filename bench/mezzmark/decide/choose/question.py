"""The question put to runs: needs, wishes that were measured, and what to do about the others."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from mezzmark.decide.choose.draws import Likely
from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.model.errors import ScenarioError
from mezzmark.model.fact import Fact
from mezzmark.model.figures import FigureName, parse_figure
from mezzmark.model.request import (
    KNOWN_VALUES,
    ChooseSettings,
    Need,
    Wish,
    parse_need,
    parse_wishes,
    unknown_value,
)
from mezzmark.model.scenario import Scenario

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
    settings: Any = scenario.tasks.get(figure.task)
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


DEFAULT_WISHES: Final = (
    "less scrub.jump.p50_ms",
    "less bitrate_bps",
    "more encode.throughput_fps",
)
"""Where nobody says otherwise: waiting comes before size, and size before encode time, for a
person waits many times a day, a disk fills once, and encoding runs unattended."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked: needs, wishes that were measured, those that were not (`dropped`), and where
    they come from. `remedies` says what would measure a figure, by its name; `others` are wishes
    that the runs could answer."""

    needs: tuple[Need, ...]
    wishes: tuple[Wish, ...]
    settings: ChooseSettings
    dropped: tuple[str, ...] = ()
    has_default_wishes: bool = False
    run_count: int = 1
    begun_count: int = 0
    remedies: Mapping[str, str] = field(default_factory=dict)
    others: tuple[str, ...] = ()

    @property
    def wished(self) -> tuple[str, ...]:
        """The measured wishes as written."""
        return tuple(wish.text for wish in self.wishes)

    def remedies_of(self, not_shown: Collection[str]) -> tuple[str, ...]:
        """What would measure each of these needs, in the order of the needs; empty where nothing
        is known to."""
        return tuple(
            self.remedies.get(need.subject, "") for need in self.needs if need.text in not_shown
        )


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
        changes["needs"] = tuple(parse_need(text).text for text in needs)
    if wishes:
        found = parse_wishes(wishes)
        weights = {wish.text: wish.weight for wish in found if wish.weight is not None}
        changes |= {"weights": weights, "wishes": () if weights else tuple(w.text for w in found)}
    if indifference_fraction is not None:
        changes["indifference_fraction"] = indifference_fraction
    if confidence_level is not None:
        changes["confidence_level"] = confidence_level
    return ChooseSettings.model_validate(base.model_dump() | changes)


def measured_wishes(
    wishes: Sequence[Wish], likely: Likely, others: Sequence[str]
) -> tuple[tuple[Wish, ...], tuple[str, ...]]:
    """Wishes whose figure some encoding has, and those that none has; ScenarioError without any,
    naming `others` that could be wished for."""
    known = [bool((~np.isnan(likely.points[:, likely.place(w.figure.name)])).any()) for w in wishes]
    kept = tuple(w for w, is_known in zip(wishes, known, strict=True) if is_known)
    if not kept:
        raise ScenarioError(
            where=f'wish "{wishes[0].text}"',
            what="none of the wishes was measured in these runs",
            remedy=f"Wish for what was measured ({', '.join(others)}), or measure the missing task",
        )
    return kept, tuple(w.text for w, is_known in zip(wishes, known, strict=True) if not is_known)


def possible_wishes(figures: Sequence[str]) -> tuple[str, ...]:
    """The wishes that these figures can answer, size first."""
    names = ("bitrate_bps", *figures)
    return tuple(f"{parse_figure(name, where=name).better} {name}" for name in names)


def find_remedies(needs: Sequence[Need], runs: Sequence[MeasuredRun]) -> dict[str, str]:
    """By figure that a need names: what makes a run measure it. Where a run's scenario asked for it
    and nothing came of it, that is said instead."""
    scenarios = [run.manifest.scenario for run in runs]
    found = {}
    for need in needs:
        if need.figure is not None:
            added = [what_to_add(need.figure, scenario) for scenario in scenarios]
            found[need.subject] = "" if "" in added else added[0]
    return found

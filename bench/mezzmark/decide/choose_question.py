"""The question put to runs: needs, wishes that were measured, and what to do about the others."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from mezzmark.decide.choose_draws import Likely
from mezzmark.decide.evidence import MeasuredRun
from mezzmark.facts.choosing import ChooseSettings, Need, Wish, parse_need, parse_wishes
from mezzmark.facts.choosing_figures import parse_figure
from mezzmark.facts.choosing_scenario import what_to_add
from mezzmark.facts.errors import ScenarioError
from mezzmark.facts.scenario import Scenario

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

"""One run as a report needs it: what is read from it, each once, nothing formatted yet."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final, Literal

from mezzmark.decide.choose.choice import Choice
from mezzmark.decide.choose.choose import choose_with_doubt
from mezzmark.decide.estimate.observed_run import Observation, ObservedRun
from mezzmark.decide.estimate.over_clips import AtBest, at_best_of, bitrates_over_clips, pool_clips
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.decide.estimate.ranking import Ranking, rank_encodings, scrub_settings
from mezzmark.decide.machine.state import Steadiness, judge_steadiness
from mezzmark.decide.picture.fidelity import EncodingFidelity, judge_run
from mezzmark.decide.throughput.grid import GridFindings, judge_grid
from mezzmark.model.cell import Setting
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import ScenarioError
from mezzmark.model.estimate import CellSummary, Estimate
from mezzmark.model.fact import grouped
from mezzmark.model.link import Link

OPEN_LOOPS: Final = ("drag", "play", "streams", "editors")

Role = Literal["original", "leader", "other"]
"""What an encoding is to the reader: the camera's file, one of the fastest, or any other."""

ANY_RATE: Final = {"name": "", "rate_bps": 0}
LinkFamily = Sequence[tuple[Link, Ranking]]


@dataclass(frozen=True, eq=False)
class RunView(ObservedRun):
    """A run with what a report shows of it, each computed when first asked for. Trials of the
    reference workload and of self-comparisons take no part in `rankings`. `prefix` begins its ids
    where several share a page; `unknown` counts trials left out for a name not known here."""

    torn_line_count: int = 0
    unknown: Mapping[str, int] = field(default_factory=dict)
    prefix: str = ""

    @cached_property
    def summaries(self) -> tuple[CellSummary, ...]:
        """Estimates and counts of every cell."""
        return summarise_cells(self.trials, observations=self.observations)

    @cached_property
    def rankings(self) -> tuple[Ranking, ...]:
        """By scrub setting with a figure, the leading one first; of too few rounds in no order."""
        settings = scrub_settings(self.observations)
        found = [rank_encodings(self, self.summaries, setting) for setting in settings]
        names = [encoding.name for encoding in self.manifest.encodings]
        return tuple(one.unranked(names) if one.is_thin else one for one in found if one.entries)

    @cached_property
    def bitrates_bps(self) -> dict[str, float]:
        """Bits per second of each encoding that has every clip."""
        return bitrates_over_clips(self.manifest)

    @cached_property
    def encodes(self) -> dict[str, dict[int, dict[str, Estimate]]]:
        """Encode figures over all clips, by encoding and thread count."""
        encodes = [o for o in self.observations if o.cell.task == "encode"]
        found: dict[str, dict[int, dict[str, Estimate]]] = {}
        for cell, estimates in pool_clips(encodes, self.manifest).items():
            found.setdefault(cell.encoding, {})[cell.setting["threads"]] = estimates
        return found

    @cached_property
    def scrub_trials(self) -> dict[Setting, dict[str, list[Observation]]]:
        """By setting and encoding, in the order they ran."""
        found: dict[Setting, dict[str, list[Observation]]] = {}
        for one in self.observations:
            if one.cell.task == "scrub":
                in_setting = found.setdefault(one.cell.setting, {})
                in_setting.setdefault(one.cell.encoding, []).append(one)
        return found

    @cached_property
    def at_best(self) -> dict[str, AtBest]:
        """Each encoding of the open loops in its best setting."""
        return {task: at_best_of(self, task) for task in OPEN_LOOPS}

    @cached_property
    def fidelity(self) -> tuple[EncodingFidelity, ...]:
        """What each encoding does to the picture; empty where nothing was judged."""
        return judge_run(self)

    @cached_property
    def grid(self) -> tuple[GridFindings, ...]:
        """What the encode grid says of each encoding."""
        return judge_grid(self)

    @cached_property
    def steadiness(self) -> Steadiness:
        """What the spread rests on, and who would lead without the disturbed trials."""
        return judge_steadiness(self, disturbance=getattr(self.choice, "disturbance", None))

    @property
    def choice(self) -> Choice | None:
        """None where the scenario has no `[choose]` table, or nothing can be chosen."""
        return self.once("choice", lambda: _choose(self))[0]

    @property
    def choice_problem(self) -> str:
        """Why nothing can be chosen, though the scenario asks for it."""
        return self.once("choice", lambda: _choose(self))[1]

    @property
    def round_count(self) -> int:
        """Rounds that were begun."""
        return len({trial.round_index for trial in self.trials})

    @property
    def link_families(self) -> list[LinkFamily]:
        """Scrub settings that differ in the rate of their link alone, by rate; only of several."""
        links = {link.name: link for link in self.manifest.links}
        found = ((links.get(one.setting["link"]), one) for one in self.rankings)
        alike = grouped(
            ((one.setting.but(link=None), link.model_copy(update=ANY_RATE)), (link, one))
            for link, one in found
            if link
        )
        return [sorted(f, key=lambda pair: pair[0].rate_bps) for f in alike.values() if len(f) > 1]

    def role(self, encoding: str, ranking: Ranking | None = None) -> Role:
        """The chosen one where something is chosen, else who may be the fastest in `ranking`."""
        if encoding == ORIGINAL:
            return "original"
        if self.choice is not None:
            return "leader" if encoding in self.choice.chosen else "other"
        of = ranking or (self.rankings[0] if self.rankings else None)
        if of is None or of.fastest is None:
            return "other"
        leaders = {of.fastest.encoding, *(entry.encoding for entry in of.tied)}
        return "leader" if encoding in leaders else "other"


def _choose(run: ObservedRun) -> tuple[Choice | None, str]:
    settings = run.manifest.scenario.choose
    if settings is None:
        return None, ""
    try:
        return choose_with_doubt([run], settings), ""
    except ScenarioError as problem:
        return None, problem.what

"""One run as a report needs it: everything computed once, nothing formatted yet."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mezzmark.decide.choose.choice import Choice
from mezzmark.decide.choose.choose import choose_encoding
from mezzmark.decide.estimate.observed_run import Observation, ObservedRun
from mezzmark.decide.estimate.pooling import pool_clips, summarise_cells
from mezzmark.decide.estimate.ranking import Ranking, rank_encodings, scrub_settings
from mezzmark.decide.machine.noise import Leaders
from mezzmark.decide.machine.state import Steadiness, judge_steadiness
from mezzmark.decide.picture.fidelity import EncodingFidelity, judge_run
from mezzmark.model.cell import Cell, Setting
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import ScenarioError
from mezzmark.model.estimate import CellSummary, Estimate
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.report.prose.answer import Answer, answer_from
from mezzmark.report.prose.cautions import steadiness_warnings

Role = Literal["original", "leader", "other"]
"""What an encoding is to the reader: the camera's file, one of the fastest, or any other."""

MOST_DOTS = 200
"""Trials of an encoding that a figure shows as dots: more would be a solid bar, and megabytes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunView:
    """A run with its estimates, rankings (the leading one first) and answer. `choice` is None where
    the scenario has no `[choose]` table, or nothing can be chosen (`choice_problem` says why)."""

    run: ObservedRun
    summaries: tuple[CellSummary, ...]
    rankings: tuple[Ranking, ...]
    answer: Answer
    fidelity: tuple[EncodingFidelity, ...]
    pooled_encodes: dict[Cell, dict[str, Estimate]]
    confidence_level: float
    steadiness: Steadiness
    torn_line_count: int = 0
    choice: Choice | None = None
    choice_problem: str = ""
    scrub_by_setting: dict[Setting, tuple[Observation, ...]] = field(default_factory=dict)

    @property
    def manifest(self) -> Manifest:
        """What the run says of itself."""
        return self.run.manifest

    @property
    def trials(self) -> tuple[Trial, ...]:
        """All trials, in the order they ran."""
        return self.run.trials

    @property
    def observations(self) -> tuple[Observation, ...]:
        """The finished trials of the main arm as figures."""
        return self.run.observations

    @property
    def bitrates_bps(self) -> dict[str, float]:
        """Of each encoding over all its clips."""
        return self.run.bitrates_bps

    @property
    def round_count(self) -> int:
        """Rounds that were begun."""
        return len({trial.round_index for trial in self.trials})

    def role(self, encoding: str, ranking: Ranking | None = None) -> Role:
        """What an encoding is to the reader: the chosen one where something is chosen, else one
        that may be the fastest in `ranking` (the leading one unless given)."""
        if encoding == ORIGINAL:
            return "original"
        if self.choice is not None:
            return "leader" if encoding in self.choice.chosen else "other"
        of = ranking or (self.rankings[0] if self.rankings else None)
        if of is None or of.fastest is None:
            return "other"
        leaders = {of.fastest.encoding, *(entry.encoding for entry in of.tied)}
        return "leader" if encoding in leaders else "other"

    @property
    def leader_words(self) -> str:
        """What the mark of a leading encoding means, for legends: `chosen`."""
        return "may be the fastest" if self.choice is None else "chosen"


def view_run(
    manifest: Manifest,
    trials: Sequence[Trial],
    *,
    confidence_level: float = 0.95,
    torn_line_count: int = 0,
) -> RunView:
    """All that a report shows of one run. Trials of the reference workload and of self-comparisons
    stay in `trials` and `summaries` and take no part in the ranking."""
    run = ObservedRun(manifest, tuple(trials))
    observations = run.observations
    summaries = summarise_cells(
        trials, confidence_level=confidence_level, observations=observations
    )
    rankings = tuple(
        rank_encodings(observations, summaries, setting, confidence_level=confidence_level)
        for setting in scrub_settings(observations)
    )
    choice, problem = _choose(run)
    fidelity = judge_run(run, confidence_level=confidence_level)
    steadiness = judge_steadiness(
        manifest,
        trials,
        observations,
        confidence_level=confidence_level,
        chosen_by=None if choice is None else _chosen_by(run, choice),
    )
    return RunView(
        run=run,
        summaries=summaries,
        rankings=rankings,
        answer=answer_from(
            manifest,
            observations,
            summaries,
            rankings,
            fidelity,
            choice,
            doubts=steadiness_warnings(steadiness),
        ),
        steadiness=steadiness,
        choice=choice,
        choice_problem=problem,
        fidelity=fidelity,
        pooled_encodes=pool_clips(
            [o for o in observations if o.cell.task == "encode"], confidence_level=confidence_level
        ),
        confidence_level=confidence_level,
        torn_line_count=torn_line_count,
        scrub_by_setting=_scrub_by_setting(observations),
    )


def _scrub_by_setting(
    observations: Sequence[Observation],
) -> dict[Setting, tuple[Observation, ...]]:
    found: dict[Setting, list[Observation]] = {}
    for observation in observations:
        if observation.cell.task == "scrub":
            found.setdefault(observation.cell.setting, []).append(observation)
    return {setting: tuple(mine) for setting, mine in found.items()}


def _choose(run: ObservedRun) -> tuple[Choice | None, str]:
    settings = run.manifest.scenario.choose
    if settings is None:
        return None, ""
    try:
        return choose_encoding([run], settings), ""
    except ScenarioError as problem:
        return None, problem.what


def _chosen_by(run: ObservedRun, from_all: Choice) -> Leaders:
    """Who is chosen from some of a run's trials; that of all of them is known."""

    def chosen(trials: Sequence[Trial], observations: Sequence[Observation]) -> frozenset[str]:
        choice: Choice | None = from_all
        if len(trials) != len(run.trials):
            choice, _ = _choose(ObservedRun(run.manifest, tuple(trials), tuple(observations)))
        return frozenset(choice.chosen if choice else ())

    return chosen


def scrub_trials(view: RunView, setting: Setting) -> dict[str, list[Observation]]:
    """Each encoding's finished scrub trials in one setting, in the order they ran."""
    found: dict[str, list[Observation]] = {}
    for observation in view.scrub_by_setting.get(setting, ()):
        found.setdefault(observation.cell.encoding, []).append(observation)
    return found


def pooled_latencies_ms(trials: Sequence[Observation]) -> NDArray[np.float64]:
    """Every proved latency of these trials, one after the other."""
    parts = [t.work.latencies_ms for t in trials if t.work.latencies_ms is not None]
    return np.concatenate(parts) if parts else np.empty(0)


def trial_medians_ms(view: RunView, setting: Setting) -> dict[str, list[float]]:
    """Each encoding's per-trial median latency in one setting; of more than `MOST_DOTS` trials, so
    many spread evenly over their order, smallest and largest among them."""
    return {
        name: _thinned([trial.figures["p50_ms"] for trial in trials])
        for name, trials in scrub_trials(view, setting).items()
    }


def _thinned(values: list[float]) -> list[float]:
    if len(values) <= MOST_DOTS:
        return values
    places = np.linspace(0, len(values) - 1, MOST_DOTS).round().astype(int)
    ordered = sorted(values)
    return [ordered[place] for place in places]


def span_shares(trials: Sequence[Observation]) -> dict[str, float]:
    """The share of all proved waiting spent in each span; the three sum to 1."""
    names = ("locate", "decode", "present")
    totals = {name: sum(trial.work.span_ns[k] for trial in trials) for k, name in enumerate(names)}
    whole = sum(totals.values())
    return {name: total / whole if whole else 0.0 for name, total in totals.items()}


def encode_speeds(view: RunView) -> dict[str, dict[int, Estimate]]:
    """Encode fps over all clips by encoding and thread count."""
    speeds: dict[str, dict[int, Estimate]] = {}
    for cell, estimates in view.pooled_encodes.items():
        speeds.setdefault(cell.encoding, {})[cell.setting["threads"]] = estimates["throughput_fps"]
    return speeds

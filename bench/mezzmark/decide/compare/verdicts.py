"""What a comparison of runs says: per cell one of six verdicts, and what it rests on.

One interval of the cost ratio decides and is the one that is shown, simultaneous over the cells
(Bonferroni): with at least the stated confidence all of them hold their ratios, whatever depends on
what. It is of the undisturbed level; where that did not surely change and the typical trial surely
got slower, the cell is open, for either the machine or the software did it."""

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from mezzmark.decide.machine.identity import FactChange
from mezzmark.decide.machine.noise import CauseRange, TwoKinds
from mezzmark.decide.machine.state import MachineState
from mezzmark.model.cell import Cell
from mezzmark.model.errors import EXIT_DONE, EXIT_INCONCLUSIVE, EXIT_NOT_COMPARABLE, EXIT_REGRESSED
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact
from mezzmark.statistics.intervals import Interval
from mezzmark.statistics.paired import Change, log_margin
from mezzmark.statistics.spread import POWER, detectable_change, t_test_power

Verdict = Literal["improved", "equivalent", "regressed", "slower", "inconclusive", "not comparable"]
"""What is proved of a cell's cost, lo and hi being the limits of its ratio and t the tolerance:

regressed       it costs more by more than the tolerance: lo > 1 + t
improved        it costs less by more than the tolerance: hi < 1 / (1 + t)
equivalent      any change is smaller than the tolerance: both within
slower          it costs more, whether by more than the tolerance is open: lo > 1, hi > 1 + t
inconclusive    none of these is proved: "cannot tell" is never "same"
not comparable  the two sides did not measure the same thing"""

Design = Literal["interleaved", "separate", "at the same time", "several runs", "two machines"]
"""How the sides were measured, which decides what the spread is taken from.

interleaved       in turn, round by round, no round begun before the other side's had ended
separate          one after the other
at the same time  runs of one machine overlapped in time and disturbed each other: no verdict
several runs      four runs or more: the run is the unit
two machines      on different hardware
"""

EXIT_CODES: Final[dict[Verdict, int]] = {
    "improved": EXIT_DONE,
    "equivalent": EXIT_DONE,
    "regressed": EXIT_REGRESSED,
    "slower": EXIT_INCONCLUSIVE,
    "inconclusive": EXIT_INCONCLUSIVE,
    "not comparable": EXIT_NOT_COMPARABLE,
}

MOST_UNITS: Final = 16_384  # Beyond so many rounds or runs the answer is "not by more of them"


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One cell's change: of the undisturbed level, which decides, and of the typical trial."""

    undisturbed: Change
    typical: Change

    def detectable_fraction(self, *, error_level: float) -> float:
        """The smallest slowing that would have shown, as a slowing, nine times in ten."""
        error, degrees = self.undisturbed.whole_error, self.undisturbed.whole_degrees
        return detectable_change(error, degrees=degrees, error_level=error_level)

    def units_needed(self, tolerance_fraction: float, *, error_level: float) -> int | None:
        """Rounds (runs) that would settle the cell, were the change as it looks; None: no number
        would."""
        change = self.undisturbed
        room = abs(abs(change.log_ratio) - log_margin(tolerance_fraction))

        def is_enough(count: int) -> bool:
            seen = change.over(count)
            effect = room / seen.whole_error if seen.whole_error else math.inf
            power = t_test_power(effect, degrees=seen.whole_degrees, error_level=error_level)
            return power >= POWER

        counts = range(change.count + 1, MOST_UNITS + 1)
        at = bisect_left(counts, True, key=is_enough)
        return counts[at] if at < len(counts) else None


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict, its interval and that of the typical trial, both simultaneous over the cells."""

    verdict: Verdict
    interval: Interval
    typical: Interval

    @property
    def is_change(self) -> bool:
        """Whether it surely got faster or slower, and not by less than the tolerance."""
        is_sure = self.interval.low > 1 or self.interval.high < 1
        return is_sure and self.verdict != "equivalent"


def judge_evidence(
    evidence: Sequence[Evidence],
    *,
    tolerance_fraction: float,
    confidence_level: float,
    family: int = 0,
) -> tuple[Judgement, ...]:
    """One for each cell, in order; the level holds over `family` cells, where these are more."""
    level = 1 - (1 - confidence_level) / max(1, len(evidence), family)
    judgements = []
    for item in evidence:
        both = [one.interval(confidence_level=level) for one in (item.undisturbed, item.typical)]
        shown = [replace(interval, confidence_level=confidence_level) for interval in both]
        verdict = verdict_of(*shown, tolerance_fraction=tolerance_fraction)
        judgements.append(Judgement(verdict, *shown))
    return tuple(judgements)


def verdict_of(interval: Interval, typical: Interval, *, tolerance_fraction: float) -> Verdict:
    """What an interval of the cost ratio proves beside that of the typical trial."""
    most = 1 + tolerance_fraction
    if interval.low > most:
        return "regressed"
    if typical.low > most:
        return "slower" if interval.low > 1 else "inconclusive"
    if interval.high < 1 / most:
        return "improved"
    if interval.low >= 1 / most and interval.high <= most:
        return "equivalent"
    return "slower" if interval.low > 1 else "inconclusive"


ReasonKind = Literal[
    "few_rounds",
    "other_setting",
    "other_footage",
    "other_encoding",
    "other_file",
    "other_carried",
    "no_common_clip",
    "renamed_clips",
    "task_missing",
    "clip_missing",
    "encoding_missing",
    "setting_missing",
]


class Reason(Fact):
    """Why a cell is not compared; cells that share it have equal reasons.

    - `few_rounds`: the runs `before` of the baseline and `after` of the candidate have fewer than
      `needed` finished rounds;
    - `other_setting`: key `name` of the scenario's table `task` is `before` on one side and `after`
      on the other, each as text (nothing: not set);
    - `other_footage`: clip `name` is not the same footage; `other_encoding`: encoding `name` is
      defined differently; `other_file`: its file is another one;
      `other_carried`: its files hold other sound, timecode or tags beside the pictures;
    - `no_common_clip`: the sides measured the clips `before` and `after`; `renamed_clips`: the same
      footage under these names;
    - `…_missing`: `place` (a run or a host) lacks the `task`, its clip or encoding `name`, or a
      setting, of which the nearest cell there differs in `axes`."""

    kind: ReasonKind
    task: str = ""
    name: str = ""
    place: str = ""
    axes: tuple[str, ...] = ()
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    needed: int = 0


class Refusal(Fact):
    """Cells that are not compared, for the same reasons."""

    reasons: tuple[Reason, ...]
    cells: tuple[Cell, ...]


class CellVerdict(Fact):
    """One cell's verdict. `cost_ratio` is candidate / baseline (1.0 = same, above is worse) of the
    undisturbed level, with the interval that decides; `typical_ratio` that of the typical trial, as
    simultaneous. `is_slower_in_part` where only that one is surely beyond the tolerance.
    `detectable_fraction` is the smallest slowing that would have shown nine times in ten.
    `units_needed` says how many rounds (runs, in a comparison of several) would settle an open
    cell; None: more of the same would not. `reasons` say why there is no ratio. `withheld_verdict`
    is what would be said if runs had not overlapped, no self-comparison were significant and the
    machine had not changed. `run_spread` is what runs are taken to differ by; `two_kinds` are of
    both sides, where trials of either are surely fast or slow as a whole. `players` are those of
    both sides, where their best players are not the same: the ratio is then of the choice, too."""

    cell: Cell
    verdict: Verdict
    figure: str
    reasons: tuple[Reason, ...] = ()
    cost_ratio: Estimate | None = None
    typical_ratio: Estimate | None = None
    is_slower_in_part: bool = False
    detectable_fraction: float | None = None
    units_needed: int | None = None
    withheld_verdict: Verdict | None = None
    baseline_wrong_count: int = 0
    candidate_wrong_count: int = 0
    run_spread: float | None = None
    two_kinds: tuple[TwoKinds | None, ...] = ()
    players: tuple[tuple[str, ...], ...] = ()

    @property
    def shows_new_wrong_pictures(self) -> bool:
        """Whether the candidate alone showed wrong pictures: a regression that is not timed."""
        return self.candidate_wrong_count > 0 and self.baseline_wrong_count == 0


class SelfComparison(Fact):
    """A cell measured twice in one run: the ratio of the two, which should be 1."""

    run_id: str
    cell: Cell
    cost_ratio: Estimate
    adjusted_p: float
    is_significant: bool


class RunState(Fact):
    """How steady the machine was during one run; `name` is its folder."""

    side: Literal["baseline", "candidate"]
    name: str
    state: MachineState


class RunSpread(Fact):
    """How much runs of a task differ in which nothing changed: the standard deviation of a run's
    level, from `run_count` earlier runs with so many degrees of freedom; of 0 runs the most that
    the rounds of its cells show, or what is assumed at least."""

    task: str
    sd_fraction: float
    degrees: float | None = None
    run_count: int = 0


class SideLoad(Fact):
    """How busy the machine was on one side: load before trials, and the shares of them in which
    work waited for a processor or the hypervisor took it; median and highest, if told."""

    side: Literal["baseline", "candidate"]
    before: tuple[float, float] | None
    waiting: tuple[float, float] | None
    steal: tuple[float, float] | None


class ChangedVerdict(Fact):
    """A cell that would be judged otherwise without the disturbed trials."""

    cell: Cell
    verdict: Verdict
    verdict_without: Verdict


class RegressionReport(Fact):
    """The whole comparison. `exit_code` is that of `verdict`. `overlaps` names the runs, two by
    two, that were at work on one machine at the same time. `machine_ratio` is the reference
    kernel's cost, candidate / baseline; where the machine `has_moved` by it every cell is open.
    `run_spreads` are what was added to the errors of single runs, with `history_count` earlier runs
    handed in. `unsteady_runs` are those in which the machine was not steady, or nobody knows.
    `changed_without_flagged` are the cells whose verdict is another when disturbed trials are left
    out (None: no trial was flagged)."""

    verdict: Verdict
    exit_code: int
    design: Design
    overlaps: tuple[tuple[str, str], ...]
    tolerance_fraction: float
    confidence_level: float
    cells: tuple[CellVerdict, ...]
    machine_ratio: Estimate | None
    has_moved: bool = False
    run_spreads: tuple[RunSpread, ...] = ()
    history_count: int = 0
    loads: tuple[SideLoad, ...] = ()
    unsteady_runs: tuple[RunState, ...]
    host_changes: tuple[FactChange, ...]
    self_comparisons: tuple[SelfComparison, ...]
    flagged_trial_count: int
    flag_causes: tuple[CauseRange, ...]
    changed_without_flagged: tuple[ChangedVerdict, ...] | None
    baseline_run_ids: tuple[str, ...]
    candidate_run_ids: tuple[str, ...]


def overall_verdict(verdicts: tuple[Verdict, ...]) -> Verdict:
    """The verdict on all cells: a regression first, then what could not be told, then good news. A
    cell that cannot be compared outranks one that is merely unsure: a gate must not pass nor wait
    when part of what it guards was not looked at. No cells at all is "not comparable"."""
    ranked = ("regressed", "not comparable", "slower", "inconclusive", "improved", "equivalent")
    return min(verdicts, key=ranked.index, default="not comparable")

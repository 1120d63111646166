"""Whether the machine was steady while a run was measured, what its spread rests on, and how far
its intervals are from the precision asked for, with what a few more rounds bring. Long because all
of it is one answer, `Steadiness`.

The cell that spreads most decides when a run may stop, but says little of the others: both are
given. Nothing is predicted beyond a number of rounds that a person would wait for.

The reference kernel does the same work in every round, so what moves in its times is the machine.
Course (step, drift) and spread are judged together, so that no two findings can disagree. Nothing
here removes a trial; it says what would change without it."""

import math
import statistics
from collections.abc import Sequence
from typing import Final, Literal

import numpy as np

from mezzmark.decide.estimate.observed_run import MeasuredRun, Observation, ObservedRun, observe
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.decide.estimate.ranking import rank_encodings, scrub_settings
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.decide.machine.noise import Disturbance, TwoKinds, find_two_kinds, judge_disturbance
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import CONFIDENCE_LEVEL
from mezzmark.model.fact import NS_PER_S, Fact, grouped
from mezzmark.model.records import Trial
from mezzmark.model.run import HostFacts, Manifest
from mezzmark.statistics.change_points import classify_course
from mezzmark.statistics.intervals import Floats
from mezzmark.statistics.spread import (
    VarianceComponents,
    estimate_components,
    expected_log_half_width,
    plan_sampling,
    rounds_for_width,
)

MOST_MORE_ROUNDS: Final = 12
"""More are not proposed: intervals shrink with the root, so more needs a steadier machine."""

MOST_SHARE: Final = 0.75  # Share of the cells that a typical width is not exceeded by


class CellSpread(Fact):
    """How one cell's headline figure (median, speed) spread over its rounds, as a log sd."""

    cell: Cell
    round_sd: float
    round_count: int

    def half_width_fraction(self, round_count: int | None = None) -> float:
        """The relative half-width of its interval, now or after so many rounds."""
        count, level = round_count or self.round_count, CONFIDENCE_LEVEL
        half = expected_log_half_width(count, round_sd=self.round_sd, confidence_level=level)
        return math.expm1(half)


def measure_spreads(observations: Sequence[Observation]) -> tuple[CellSpread, ...]:
    """Scrub and encode cells that varied, the one that spreads most first."""
    logs = grouped(
        (o.cell, float(np.log(figure)))
        for o in observations
        if o.cell.task in ("scrub", "encode")
        and (figure := o.figures.get("p50_ms") or o.figures.get("throughput_fps"))
    )
    varied = [
        CellSpread(cell=cell, round_sd=sd, round_count=len(found))
        for cell, found in logs.items()
        if len(found) >= MINIMUM_ROUNDS and (sd := statistics.stdev(found)) > 0
    ]
    return tuple(sorted(varied, key=lambda spread: -spread.half_width_fraction()))


class Precision(Fact):
    """What a run's intervals reached, as half-widths relative to the point. `typical_fraction` is
    not exceeded by `MOST_SHARE` of the cells; `widest` is the cell that spreads most. `more_rounds`
    (0 where all reach the goal) take about `more_duration_s` and bring it to `reached_fraction`."""

    goal_fraction: float
    typical_fraction: float
    widest: Cell
    widest_fraction: float
    more_rounds: int
    more_duration_s: float
    reached_fraction: float


class PrecisionPlan(Fact):
    """What a scenario would reach, going by an earlier run; half-widths as in `Precision`, None
    where so few rounds give no interval. `limited_by` says what sets the number of rounds."""

    round_count: int
    limited_by: Literal["rounds", "time"]
    round_duration_s: float
    goal_fraction: float
    widest: Cell
    typical_fraction: float | None
    widest_fraction: float | None


def judge_precision(run: ObservedRun) -> Precision | None:
    """What cells reached, and what more rounds would bring; None where too little was measured."""
    spreads = measure_spreads(run.observations)
    if not spreads:
        return None
    goal, widest = run.manifest.scenario.precision_fraction, spreads[0]
    rounds = len({trial.round_index for trial in run.trials})
    round_s = sum(trial.wall_ns for trial in run.trials) / NS_PER_S / rounds
    more = 0
    if widest.half_width_fraction() > goal:
        needed = rounds_for_width(goal, round_sd=widest.round_sd, confidence_level=CONFIDENCE_LEVEL)
        lacking = needed - widest.round_count if needed else MOST_MORE_ROUNDS
        more = max(1, min(lacking, MOST_MORE_ROUNDS))
    return Precision(
        goal_fraction=goal,
        typical_fraction=_typical_fraction(spreads),
        widest=widest.cell,
        widest_fraction=widest.half_width_fraction(),
        more_rounds=more,
        more_duration_s=more * round_s,
        reached_fraction=max(goal, widest.half_width_fraction(widest.round_count + more)),
    )


def plan_precision(
    manifest: Manifest, trials: Sequence[Trial], trial_count: int
) -> PrecisionPlan | None:
    """What the scenario's own rounds of so many trials and time budget would bring, going by trials
    of an earlier run, however many cells that had; None where too little was measured."""
    spreads = measure_spreads(observe(trials))
    if not spreads:
        return None
    scenario = manifest.scenario
    walls_ns = [trial.wall_ns for trial in trials if not trial.arm]
    round_s = trial_count * statistics.fmean(walls_ns) / NS_PER_S
    rounds = scenario.rounds
    if scenario.time_budget_s is not None:
        affordable = max(scenario.minimum_rounds, int(scenario.time_budget_s // round_s))
        rounds = min(rounds, affordable)
    widest = max(spreads, key=lambda spread: spread.round_sd)
    has_intervals = rounds >= MINIMUM_ROUNDS
    return PrecisionPlan(
        round_count=rounds,
        limited_by="time" if rounds < scenario.rounds else "rounds",
        round_duration_s=round_s,
        goal_fraction=scenario.precision_fraction,
        widest=widest.cell,
        typical_fraction=_typical_fraction(spreads, rounds) if has_intervals else None,
        widest_fraction=widest.half_width_fraction(rounds) if has_intervals else None,
    )


def _typical_fraction(spreads: Sequence[CellSpread], round_count: int | None = None) -> float:
    """The relative half-width that `MOST_SHARE` of the cells do not exceed."""
    widths = sorted(spread.half_width_fraction(round_count) for spread in spreads)
    return widths[math.ceil(MOST_SHARE * len(widths)) - 1]


MATTERS_FRACTION: Final = 0.05
"""A smaller change or spread is no reason to doubt: comparisons, too, let 5 % pass."""

MINIMUM_KERNELS: Final = 3  # Fewer times of the kernel say nothing of how they spread

FOREIGN_LOAD_PER_CORE: Final = 0.5
"""Load beyond the run's own threads, for each core, from which on other programs are reported; our
own choice, above the half thread or so that the run's bookkeeping adds."""

MOST_ROUNDS: Final = 24  # A plan of more rounds than these is not given: nobody waits for it


class ForeignLoad(Fact):
    """Load before trials, smallest and largest, beyond the `most_own` of the run by itself."""

    low: float
    high: float
    most_own: int
    core_count: int


SteadinessKind = Literal["steady", "step", "drift", "spread", "unknown"]


class MachineState(Fact):
    """How the reference kernel's times went over a run: `unknown` for fewer than `MINIMUM_KERNELS`;
    `step` from `step_round` (its index) on, or `drift`, by `change_fraction` (above 0 is slower);
    `spread` where they are not `steady` in themselves. `low_ms` to `high_ms` is their range,
    `spread_fraction` their standard deviation on the log scale as a ratio."""

    kind: SteadinessKind
    kernel_count: int
    low_ms: float | None = None
    high_ms: float | None = None
    spread_fraction: float | None = None
    change_fraction: float | None = None
    step_round: int | None = None
    foreign_load: ForeignLoad | None = None

    @property
    def is_steady(self) -> bool | None:
        """None where too little was measured to tell."""
        return None if self.kind == "unknown" else self.kind == "steady"


def judge_machine(run: MeasuredRun) -> MachineState:
    """How steady the machine was in a run, and whether other programs were at work."""
    observations = observe(trial for trial in run.trials if trial.cell.task == "kernel")
    kernels = sorted(
        (o for o in observations if o.figures.get("kernel_ms", 0) > 0),
        key=lambda o: (o.round_index, o.position),
    )
    load = find_foreign_load(run.manifest.host, run.trials)
    times_ms = [kernel.figures["kernel_ms"] for kernel in kernels]
    if len(times_ms) < MINIMUM_KERNELS:
        return MachineState(kind="unknown", kernel_count=len(times_ms), foreign_load=load)
    course = classify_course(np.asarray(times_ms))
    spread = float(np.expm1(statistics.stdev(np.log(times_ms))))
    kind: SteadinessKind = "spread" if spread >= MATTERS_FRACTION else "steady"
    has_moved = abs(course.change_fraction) >= MATTERS_FRACTION and course.kind != "unsteady"
    if has_moved:
        kind = "step" if course.kind == "step" else "drift"
    return MachineState(
        kind=kind,
        kernel_count=len(times_ms),
        low_ms=min(times_ms),
        high_ms=max(times_ms),
        spread_fraction=spread,
        change_fraction=course.change_fraction if has_moved else None,
        step_round=kernels[course.at].round_index if has_moved and course.at is not None else None,
        foreign_load=load,
    )


def find_foreign_load(host: HostFacts, trials: Sequence[Trial]) -> ForeignLoad | None:
    """The load before trials where it was more than the run by itself can make. The most is all
    cores even where trials use fewer threads, for the average of a minute still holds the encoding
    before. So less than the cores of other work goes unseen beside a run of few threads."""
    noted = (trial.host_before.load_average_1m for trial in trials)
    loads = [load for load in noted if load is not None]
    if not loads:
        return None
    cores = host.usable_core_count
    most_own = max(
        cores, *(trial.cell.setting["threads"] * trial.cell.setting["jobs"] for trial in trials)
    )
    if statistics.median(loads) <= most_own + FOREIGN_LOAD_PER_CORE * cores:
        return None
    return ForeignLoad(low=min(loads), high=max(loads), most_own=most_own, core_count=cores)


class ScrubSpread(Fact):
    """Where the spread of a typical scrub cell comes from: the share of it between process starts.
    The cheapest way to ±`goal_fraction` (Kalibera & Jones 2013) is `round_count` rounds of
    `moves_a_round`; None where that is more than `MOST_ROUNDS`."""

    between_fraction: float
    goal_fraction: float
    moves_a_round: int
    round_count: int | None


class Steadiness(Fact):
    """What a run says of its own spread: the machine's course, disturbed trials, how precise it is,
    what the next run should do (None where too little was measured), and cells of two kinds."""

    machine: MachineState
    disturbance: Disturbance
    precision: Precision | None
    scrub_spread: ScrubSpread | None
    two_kinds: tuple[TwoKinds, ...] = ()


def judge_steadiness(run: ObservedRun, *, disturbance: Disturbance | None = None) -> Steadiness:
    """Of one run; the leaders of a `disturbance` not given are those that may be the fastest."""
    costs = run.costs
    scrubbed = sorted((c for c in costs.by_cell if c.task == "scrub"), key=lambda c: c.sort_key)
    return Steadiness(
        machine=judge_machine(run),
        disturbance=disturbance or judge_disturbance([run], _fastest, is_choice=False),
        precision=judge_precision(run),
        scrub_spread=_scrub_spread(run),
        two_kinds=tuple(filter(None, (find_two_kinds(cell, [costs]) for cell in scrubbed))),
    )


def _scrub_spread(run: ObservedRun) -> ScrubSpread | None:
    """Averaged over cells: one's are known badly, and who spreads most is often just the
    unluckiest. A trial with a move of no time, which has no logarithm, is left out."""
    moves: dict[Cell, list[Floats]] = {}
    start_costs_s: list[float] = []
    for observation in run.observations:
        found, trial = observation.work.latencies_ms, observation.trial
        if found is not None and found.size >= 2 and found.min() > 0 and trial is not None:
            moves.setdefault(trial.cell, []).append(found)
            start_costs_s.append(trial.wall_ns / NS_PER_S - float(found.sum()) / 1e3)
    cells = [found for found in moves.values() if len(found) >= MINIMUM_ROUNDS]
    if not cells:
        return None
    each = [estimate_components(found) for found in cells]
    components = VarianceComponents(
        between=statistics.fmean(found.between for found in each),
        within=statistics.fmean(found.within for found in each),
        samples_per_trial=statistics.fmean(found.samples_per_trial for found in each),
    )
    goal = run.manifest.scenario.precision_fraction
    rounds, moves_a_round = plan_sampling(
        components,
        trial_cost_s=max(statistics.median(start_costs_s), 1e-3),
        sample_cost_s=float(np.median(np.concatenate([m for found in cells for m in found]))) / 1e3,
        half_width_fraction=goal,
        confidence_level=CONFIDENCE_LEVEL,
    )
    return ScrubSpread(
        between_fraction=components.between_fraction,
        goal_fraction=goal,
        moves_a_round=moves_a_round,
        round_count=rounds if rounds and rounds <= MOST_ROUNDS else None,
    )


def _fastest(runs: Sequence[ObservedRun]) -> frozenset[str]:
    [run] = runs
    settings = scrub_settings(run.observations)
    if not settings:
        return frozenset()
    summaries = summarise_cells(run.trials, observations=run.observations)
    ranking = rank_encodings(run, summaries, settings[0])
    return frozenset(entry.encoding for entry in (ranking.fastest, *ranking.tied) if entry)

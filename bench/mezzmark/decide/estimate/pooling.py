"""Trials in, estimates out: a cell's figures over its rounds, and ratios paired by round.

The sampling unit is the trial; how its figures become an interval is in
`mezzmark.decide.estimate.rounds`."""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import get_args

from mezzmark.decide.estimate import rounds
from mezzmark.decide.estimate.observed_run import Observation, observe, over_common_blocks
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import CONFIDENCE_LEVEL, CellSummary, Estimate
from mezzmark.model.fact import grouped
from mezzmark.model.records import Trial
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.scrub import Proof


def summarise_cells(
    trials: Sequence[Trial],
    *,
    confidence_level: float = CONFIDENCE_LEVEL,
    observations: Sequence[Observation] | None = None,
) -> tuple[CellSummary, ...]:
    """One summary per cell, in the order of task, clip, encoding and settings. Failed trials are
    counted with their reasons; wrong and unproved pictures are counted and never enter a latency
    figure. `observations` are those of these trials where they are known. Pilot trials have no
    summary: they choose, and are no figure of their cell."""
    by_cell = grouped(((t.cell, t.arm), t) for t in trials if t.arm != "pilot")
    observed = by_cell_of(observe(trials) if observations is None else observations)
    summaries = []
    for cell, arm in sorted(by_cell, key=lambda key: (key[0].sort_key, key[1])):
        mine = by_cell[cell, arm]
        figures = observe(mine, arm=arm) if arm else observed.get(cell, ())
        summaries.append(_summarise(mine, figures, confidence_level))
    return tuple(summaries)


def _summarise(
    trials: Sequence[Trial], observations: Sequence[Observation], confidence_level: float
) -> CellSummary:
    """One arm of one cell; what its player has no decoder for was not tried."""
    cell, arm = trials[0].cell, trials[0].arm
    trials = [trial for trial in trials if not trial.is_refused]
    proofs_of = TASKS[cell.task].proofs
    shown = [proof for t in trials if t.measurement and (proof := proofs_of(t.measurement))]
    proofs = Counter({kind: sum(proof.count(kind) for proof in shown) for kind in get_args(Proof)})
    failed = [trial for trial in trials if trial.outcome != "finished"]
    set_apart_count = sum(not trial.is_counted for trial in trials) - len(failed)
    return CellSummary(
        cell=cell,
        arm=arm,
        estimates=rounds.estimate_figures(observations, confidence_level=confidence_level),
        trial_count=len(trials),
        failed_trial_count=len(failed) + set_apart_count,
        set_apart_trial_count=set_apart_count,
        sample_count=proofs.total() if shown else sum(o.sample_count for o in observations),
        wrong_count=proofs["wrong"],
        unproved_count=proofs["unreadable"] + proofs["missing"],
        alike_count=proofs["alike"],
        reasons=tuple(sorted({t.reason or t.outcome for t in failed})),
    )


def compare_groups(
    group_a: Iterable[Observation],
    group_b: Iterable[Observation],
    figure: str,
    *,
    confidence_level: float = CONFIDENCE_LEVEL,
) -> Estimate | None:
    """The geometric mean of the clips' ratios a / b, of the clips both sides have, paired by clip
    and round, over the blocks that both played. Per round the log ratios of the clips are averaged;
    the interval is over rounds, so it speaks of these clips and no others."""
    sides = over_common_blocks((group_a, group_b), lambda o: (o.cell.clip, o.round_index))
    side_a, side_b = (
        {(o.round_index, o.cell.clip): o for o in side if o.figures.get(figure, 0.0) > 0}
        for side in sides
    )
    pairs = [(side_a[key], side_b[key]) for key in sorted(side_a.keys() & side_b.keys())]
    ratios = _geometric_means(
        (a.round_index, math.log(a.figures[figure] / b.figures[figure])) for a, b in pairs
    )
    if not ratios:
        return None
    samples = sum(a.sample_count + b.sample_count for a, b in pairs)
    estimate = rounds.estimate_values(ratios, rounds.RATIO_UNIT, samples, confidence_level)
    method = "geometric mean of the clips' ratios; t on log ratios paired by round"
    return estimate.model_copy(update={"method": method})


def _geometric_means(logs: Iterable[tuple[int, float]]) -> list[float]:
    """Of each round in which every clip took part, in the order given."""
    by_round = grouped(logs).values()
    full = max(map(len, by_round), default=0)
    return [math.exp(sum(found) / full) for found in by_round if len(found) == full]


def by_cell_of(observations: Iterable[Observation]) -> dict[Cell, list[Observation]]:
    """Observations by their cell."""
    return grouped((observation.cell, observation) for observation in observations)


def group_over_clips(observations: Iterable[Observation]) -> dict[Cell, list[Observation]]:
    """Observations of every clip together, by their cell without its clip."""
    bare: dict[Cell, Cell] = {}
    for o in (observations := tuple(observations)):
        if o.cell not in bare:
            bare[o.cell] = o.cell.but(clip="")
    return grouped((bare[o.cell], o) for o in observations)


def worst_relative_half_width(trials: Sequence[Trial]) -> float | None:
    """The widest relative half-width of any cell's headline figure (median latency, encode fps).
    None while some cell that ever finished has too few rounds for an interval. Cells that never
    finished have nothing to wait for and are left out; None too where no cell is left."""
    widths = []
    for cell, group in by_cell_of(observe(trials)).items():
        figure = TASKS[cell.task].figure(TASKS[cell.task].headline)
        if figure.kind == "count":  # its limits go by whole steps, however many rounds there are
            continue
        # Of all frames and seconds: t limits shrink steadily, order statistics by jumps.
        estimate = rounds.estimate_figure(figure, rounds.ClipRounds([group]), is_total=True)
        width = 0.0 if estimate.is_exact else estimate.relative_half_width
        if width is None:
            return None
        widths.append(width)
    return max(widths, default=None)

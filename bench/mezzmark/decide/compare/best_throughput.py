"""Each host at its own best number of threads and jobs, and what a unit of work costs there."""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.compare.evidence import choose_design, gather_evidence
from mezzmark.decide.compare.host_runs import ComparedRun
from mezzmark.decide.compare.matching import find_unlikeness
from mezzmark.decide.estimate.observed_run import MeasuredRun, RunCosts, observe
from mezzmark.decide.estimate.pooling import by_cell_of
from mezzmark.decide.estimate.rounds import RATIO_UNIT, estimate_figures, estimate_of
from mezzmark.model.cell import ALL_CLIPS, Cell
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.run import Manifest
from mezzmark.model.tasks import TASKS

_FREE: Final = {"threads": 1, "jobs": 1, "clip_order": None}
"""Settings each host may choose for itself; all others are part of the work."""


class BestThroughput(Fact):
    """A host at its own best setting for one clip, encoding and task.

    `per_fps` is price / frames per second; `per_hour` is the price for each hour of footage that
    goes through in an hour; both None without a price. `cost_ratio` is how many times the
    reference's price per unit this host's is (below 1: more for the money)."""

    label: str
    cell: Cell
    throughput: Estimate
    speedup_ratio: Estimate | None
    per_fps: Estimate | None = None
    per_hour: Estimate | None = None
    cost_ratio: Estimate | None = None


_Best = dict[Cell, tuple[Cell, Estimate]]
"""Work → the cell that did it fastest, and its throughput."""


def find_best_throughput(
    runs: Sequence[MeasuredRun], labels: Sequence[ComparedRun], costs: Sequence[RunCosts]
) -> tuple[BestThroughput, ...]:
    """For each piece of work that the reference and another host did alike: every such host's best.

    Which setting is best is read from the same rounds, so the best looks a little better than it
    is; on all hosts alike.
    """
    best = [_best_by_work(run) for run in runs]
    rows: list[BestThroughput] = []
    for work in sorted(best[0], key=lambda cell: cell.sort_key):
        mine, rate = best[0][work], _footage_rate(work, runs[0].manifest)
        sharing = []
        for index, run in enumerate(runs[1:], start=1):
            theirs = best[index].get(work)
            if theirs is None or find_unlikeness(work, runs[0].manifest, run.manifest):
                continue
            sides = [
                side.only(work, side.by_cell.get(cell, {}))
                for side, cell in ((costs[0], mine[0]), (costs[index], theirs[0]))
            ]
            design = choose_design(runs[:1], [run])
            evidence = gather_evidence(work, sides[:1], sides[1:], design=design)
            ratio = None
            if evidence:
                ratio = estimate_of(evidence.typical.interval(confidence_level=CONFIDENCE_LEVEL))
            sharing.append(_row(theirs, labels[index], labels[0], ratio, rate))
        if sharing:
            rows += [_row(mine, labels[0], labels[0], None, rate), *sharing]
    return tuple(rows)


def _best_by_work(run: MeasuredRun) -> _Best:
    observations = (o for o in observe(run.trials) if TASKS[o.cell.task].is_best_setting)
    groups = by_cell_of(observations)
    best: _Best = {}
    for cell in sorted(groups, key=lambda cell: cell.sort_key):
        estimate = estimate_figures(groups[cell]).get("throughput_fps")
        work = cell.but(setting=cell.setting.but(**_FREE))
        if estimate and (work not in best or estimate.point > best[work][1].point):
            best[work] = cell, estimate
    return best


def _row(
    best: tuple[Cell, Estimate],
    run: ComparedRun,
    reference: ComparedRun,
    time_ratio: Estimate | None,
    rate_fps: float | None,
) -> BestThroughput:
    """`time_ratio` is this host's time / the reference's, each at its best setting."""
    cell, throughput = best
    price, base = run.price, reference.price
    return BestThroughput(
        label=run.label,
        cell=cell,
        throughput=throughput,
        speedup_ratio=time_ratio and time_ratio.inverted(RATIO_UNIT),
        per_fps=_per_unit(price.amount, throughput, price.unit) if price else None,
        per_hour=_per_unit(price.amount * rate_fps, throughput, price.unit)
        if price and rate_fps
        else None,
        cost_ratio=time_ratio.scaled(price.amount / base.amount, RATIO_UNIT)
        if time_ratio and price and base
        else None,
    )


def _footage_rate(work: Cell, manifest: Manifest) -> float | None:
    """Frames in a second of the footage; None where clips of one folder differ in rate."""
    rates = {
        clip.original.frame_rate for clip in manifest.clips if work.clip in (ALL_CLIPS, clip.clip)
    }
    rate = rates.pop() if len(rates) == 1 else None
    return float(rate) if rate else None


def _per_unit(price: float, throughput: Estimate, unit: str) -> Estimate:
    """Price / throughput; the price is taken as exact."""
    cost = throughput.map(lambda fps: price / fps, unit)
    return cost.model_copy(update={"method": f"price / throughput; {throughput.method}"})

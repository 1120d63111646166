"""Each host at its own best setting of threads and jobs, and what a unit of that costs.

A throughput is money well spent by price / throughput: money for each frame per second, or for each
hour of footage that goes through in an hour. A latency has no such unit: half the wait is not
bought twice by two machines, and price × latency means nothing; it is not computed.
"""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.comparability import describe_unlikeness
from mezzmark.decide.estimates import cell_key
from mezzmark.decide.evidence import MeasuredRun, RunCosts, choose_design, gather_evidence
from mezzmark.decide.observations import Observation, observe
from mezzmark.decide.rounds import estimate_figures
from mezzmark.decide.speedups import cost_estimate, speedup_estimate
from mezzmark.facts.cells import ALL_CLIPS, Cell
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.hardware import BestThroughput, ComparedRun
from mezzmark.facts.run import Manifest

THROUGHPUT_TASKS: Final = ("encode", "grid", "ingest", "delivery")

_FREE: Final = {"thread_count": 1, "job_count": 1, "threading": None, "order": None}
"""Settings each host may choose for itself; all others are part of the work."""


def find_best_throughput(
    runs: Sequence[MeasuredRun],
    labels: Sequence[ComparedRun],
    costs: Sequence[RunCosts],
    *,
    confidence_level: float,
) -> tuple[BestThroughput, ...]:
    """For each piece of work that the reference and another host did alike: every such host's best.

    Which setting is best is read from the same rounds, so the best looks a little better than it
    is; on all hosts alike.
    """
    best = [_best_by_work(run, confidence_level) for run in runs]
    rows: list[BestThroughput] = []
    for work in sorted(best[0], key=cell_key):
        sharing = [
            index
            for index in range(1, len(runs))
            if work in best[index]
            and not describe_unlikeness(work, runs[0].manifest, runs[index].manifest)
        ]
        for index in [0, *sharing] if sharing else []:
            rows.append(_row(work, index, runs, labels, costs, best, confidence_level))
    return tuple(rows)


def _best_by_work(run: MeasuredRun, confidence_level: float) -> dict[Cell, tuple[Cell, Estimate]]:
    groups: dict[Cell, list[Observation]] = {}
    for observation in observe(run.trials):
        cell = observation.cell
        if cell.task in THROUGHPUT_TASKS and not cell.arm:
            groups.setdefault(cell, []).append(observation)
    best: dict[Cell, tuple[Cell, Estimate]] = {}
    for cell in sorted(groups, key=cell_key):
        estimates = estimate_figures(groups[cell], confidence_level=confidence_level)
        estimate = estimates.get("throughput_fps")
        work = cell.model_copy(update=_FREE)
        if estimate and (work not in best or estimate.point > best[work][1].point):
            best[work] = cell, estimate
    return best


def _row(
    work: Cell,
    index: int,
    runs: Sequence[MeasuredRun],
    labels: Sequence[ComparedRun],
    costs: Sequence[RunCosts],
    best: Sequence[dict[Cell, tuple[Cell, Estimate]]],
    confidence_level: float,
) -> BestThroughput:
    cell, throughput = best[index][work]
    price, base = labels[index].price, labels[0].price
    rate = footage_rate(work, runs[0].manifest)
    speedup = dearness = None
    if index:
        evidence = gather_evidence(
            work,
            [_renamed(costs[0], best[0][work][0], work)],
            [_renamed(costs[index], cell, work)],
            design=choose_design(runs[:1], [runs[index]]),
        )
        if evidence is not None:
            speedup = speedup_estimate(evidence, confidence_level=confidence_level)
            if price and base:
                factor = price.amount / base.amount
                dearness = cost_estimate(evidence, confidence_level=confidence_level, factor=factor)
    return BestThroughput(
        label=labels[index].label,
        cell=cell,
        throughput=throughput,
        speedup_ratio=speedup,
        per_fps=_per_unit(price.amount, throughput, price.unit) if price else None,
        per_hour=_per_unit(price.amount * rate, throughput, price.unit) if price and rate else None,
        against_reference=dearness,
    )


def _renamed(run: RunCosts, cell: Cell, name: Cell) -> RunCosts:
    return RunCosts(by_cell={name: run.by_cell.get(cell, {})}, kernel=run.kernel)


def footage_rate(work: Cell, manifest: Manifest) -> float | None:
    """Frames in a second of the footage; None where clips of one folder differ in rate."""
    rates = {
        clip.original.frame_rate for clip in manifest.clips if work.clip in (ALL_CLIPS, clip.clip)
    }
    rate = rates.pop() if len(rates) == 1 else None
    return float(rate) if rate else None


def _per_unit(price: float, throughput: Estimate, unit: str) -> Estimate:
    """Price / throughput; the price is taken as exact."""
    return throughput.model_copy(
        update={
            "point": price / throughput.point,
            "low": None if throughput.high is None else price / throughput.high,
            "high": None if throughput.low is None else price / throughput.low,
            "unit": unit,
            "method": f"price / throughput; {throughput.method}",
        }
    )

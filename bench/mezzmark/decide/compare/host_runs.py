"""Which of the named runs are compared with which, under which label, at which price; and each host
at its own best number of threads and jobs, with what a unit of work costs there."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.decide.compare.evidence import Sides, choose_design, gather_evidence
from mezzmark.decide.compare.history import FEWEST_RUNS
from mezzmark.decide.compare.matching import find_unlikeness
from mezzmark.decide.estimate.observed_run import (
    MeasuredRun,
    RunCosts,
    Runs,
    observe,
    run_name,
    start_of,
)
from mezzmark.decide.estimate.pooling import by_cell_of
from mezzmark.decide.estimate.rounds import RATIO_UNIT, estimate_figures, estimate_of
from mezzmark.decide.machine.identity import HOST_OVER_TIME, HostKey, host_key
from mezzmark.model.cell import ALL_CLIPS, Cell
from mezzmark.model.errors import ScenarioError
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate
from mezzmark.model.fact import Fact, grouped
from mezzmark.model.run import Manifest
from mezzmark.model.tasks import TASKS

_PRICE: Final = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*(.*?)\s*")


class Price(Fact):
    """What a host costs; `unit` is the user's word for the money, empty where none was given."""

    amount: float
    unit: str = ""


class ComparedRun(Fact):
    """One run under its unique label; `core_count` are the cores that its work could use."""

    run_id: str
    label: str
    started_utc: str
    core_count: int
    price: Price | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HostRuns:
    """Indices of the runs to compare (the reference first), their labels; `pairs` of each host that
    has two runs, the earlier first; and the `histories` of those with more."""

    compared: tuple[int, ...]
    labels: tuple[ComparedRun, ...]
    pairs: tuple[tuple[int, int], ...]
    histories: tuple[tuple[int, ...], ...]


def group_by_host(runs: Runs, names: Sequence[str], prices: Sequence[str] = ()) -> HostRuns:
    """`names` are the runs' folder names; a price is "HOST=2400 EUR", where the host is named by
    its label or by the folder of one of its runs. Two runs of one host are two dates of it, three
    or more its history; its latest run stands for it beside other hosts. Raises ScenarioError for a
    price that cannot be read, belongs to no run, or has no use."""
    groups = grouped((_host(run), index) for index, run in enumerate(runs))
    by_time = [
        sorted(group, key=lambda index: (start_of(runs[index]), index)) for group in groups.values()
    ]
    compared = [group[-1] for group in by_time] if len(by_time) > 1 else []
    labels = _labels([runs[index] for index in compared], [names[index] for index in compared])
    by_host = _prices(runs, names, dict(zip(compared, labels, strict=True)), prices)
    return HostRuns(
        compared=tuple(compared),
        labels=tuple(
            ComparedRun(
                run_id=runs[index].manifest.run_id,
                label=label,
                started_utc=start_of(runs[index]),
                core_count=runs[index].manifest.host.usable_core_count,
                price=by_host.get(_host(runs[index])),
            )
            for index, label in zip(compared, labels, strict=True)
        ),
        pairs=tuple((group[0], group[1]) for group in by_time if len(group) == 2),
        histories=tuple(tuple(group) for group in groups.values() if len(group) >= FEWEST_RUNS),
    )


def _host(run: MeasuredRun) -> HostKey:
    return host_key(run.manifest.host, HOST_OVER_TIME)


def _labels(runs: Runs, names: Sequence[str]) -> list[str]:
    """The host's label; with its run's folder where that is not enough."""
    plain = [run.manifest.host.host_label for run in runs]
    named = [
        label if plain.count(label) == 1 else f"{label} ({name})"
        for label, name in zip(plain, names, strict=True)
    ]
    return [
        label if named.count(label) == 1 else f"{plain[index]} ({run_name(runs[index])})"
        for index, label in enumerate(named)
    ]


def _prices(
    runs: Runs, names: Sequence[str], labels: Mapping[int, str], prices: Sequence[str]
) -> dict[HostKey, Price]:
    found: dict[HostKey, Price] = {}
    own = [run.manifest.host.host_label for run in runs]
    hosts = ", ".join(f'"{of}" (folder {name})' for of, name in zip(own, names, strict=True))
    known = [
        {of, labels.get(index), name, run_name(run).rstrip("/\\"), run.manifest.run_id}
        for index, (run, of, name) in enumerate(zip(runs, own, names, strict=True))
    ]
    for text in prices:
        host, price = parse_price(text)
        wanted = host.rstrip("/\\")
        hits = {_host(run) for run, mine in zip(runs, known, strict=True) if wanted in mine}
        if not hits:
            raise ScenarioError(
                where=f'price "{text}"',
                what="no run has this host label or folder",
                remedy=f"Name a host by its label or its run's folder: {hosts}.",
            )
        found |= dict.fromkeys(hits, price)
    if prices and len({_host(run) for run in runs}) == 1:
        raise ScenarioError(
            where="--price",
            what="it has no use here: prices compare machines, and all these runs are of one "
            f"machine ({own[0]})",
            remedy="Leave it out, or add a run of another machine.",
        )
    units = {price.unit for price in found.values()}
    if len(units) > 1:
        raise ScenarioError(
            where="prices",
            what=f"they are in different units ({', '.join(sorted(units) or ['none'])})",
            remedy="Give all prices in one currency.",
        )
    return found


def parse_price(text: str) -> tuple[str, Price]:
    """`"server=2400 EUR"` as label and price; ScenarioError where it is not of that form."""
    label, sign, amount = text.rpartition("=")
    match = _PRICE.fullmatch(amount)
    if not sign or not label.strip() or match is None or not float(match[1]) > 0:
        raise ScenarioError(
            where=f'price "{text}"',
            what="is not of the form HOST=AMOUNT",
            remedy='Write for example --price "server=2400 EUR"; the amount is above 0.',
        )
    return label.strip(), Price(amount=float(match[1]), unit=match[2])


_FREE: Final = {"threads": 1, "jobs": 1, "clip_order": None}
"""Settings each host may choose for itself; all others are part of the work."""


class BestThroughput(Fact):
    """A host at its own best setting for one clip, encoding and task. `per_fps` is price / frames
    per second; `per_hour` is the price for each hour of footage that goes through in an hour; both
    None without a price. `cost_ratio` is this host's price per unit / the reference's (below 1:
    more for the money)."""

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
    runs: Runs, labels: Sequence[ComparedRun], costs: Sequence[RunCosts]
) -> tuple[BestThroughput, ...]:
    """For each piece of work that the reference and another host did alike: every such host's best.
    Being read from the same rounds the best looks a little better than it is, on all hosts."""
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
            found = Sides(sides[:1], sides[1:], choose_design(runs[:1], [run]))
            evidence = gather_evidence(work, found)
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

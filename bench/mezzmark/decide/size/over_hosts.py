"""Ingest of a folder over several machines: which host takes which clips, and when all are done.

List scheduling as in `decide.throughput.ingest`, on hosts that differ: whenever one is free it is
sent the first clips of the list, as many as it takes at a time. Storage that all of them share is
divided fairly (max-min; Bertsekas and Gallager, Data Networks, 2nd edition, 1992, section 6.5.2):
what asks for less than an equal part has it, and the others share the rest."""

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from mezzmark.decide.estimate.draws import Drawn, combine, draw_estimate, estimate_drawn
from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.decide.estimate.rounds import estimate_values
from mezzmark.decide.size.inputs import measured_storage
from mezzmark.decide.throughput.ingest import PREDICTION_DRAWS, clip_seconds, start_seconds
from mezzmark.model.cell import Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.link import Link
from mezzmark.model.run import ClipManifest, Manifest
from mezzmark.model.tasks.grid import GridMeasurement
from mezzmark.model.tasks.ingest import ClipOrder, HostSplit, IngestSettings
from mezzmark.statistics.intervals import Floats

BYTES_PER_MB: Final = 1e6

Rates = tuple[float, float]
"""Bytes a second that storage reads and writes at best, one or the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """Seconds for each clip with all `jobs` at work, and for each time a host is sent some."""

    jobs: int
    clip_s: Sequence[float] | Floats
    start_s: float


class FleetMakespan(Fact):
    """How long the folder takes on `hosts`, and one `more` like this host; over `storage`, if any.
    `miss_ratio` is predicted / measured; `time_ratio` the time with the further host / without."""

    encoding: str
    clip_order: ClipOrder
    hosts: tuple[str, ...]
    more: str = ""
    storage: str = ""
    predicted: Estimate
    measured: Estimate | None = None
    miss_ratio: Estimate | None = None
    time_ratio: Estimate | None = None


def find_fleet_makespan_s(
    paces: Sequence[Pace], order: Sequence[int], storage_s: Sequence[float] | Floats = ()
) -> float:
    """When the last clip of `order` (indexes) is done. `storage_s` is how long storage would be
    busy with each clip alone; empty: it holds nobody up. Raises ValueError without a host."""
    if not paces:
        raise ValueError("ingest needs a host")
    waiting, now_s = deque(order), 0.0
    left: dict[int, tuple[float, float, float]] = {}  # host → share to do, its seconds, storage's
    while True:
        for host, pace in enumerate(paces):
            if waiting and host not in left:
                taken = [waiting.popleft() for _ in range(min(pace.jobs, len(waiting)))]
                busy_s = sum(storage_s[clip] for clip in taken) if len(storage_s) else 0.0
                alone_s = pace.start_s + max(pace.clip_s[clip] for clip in taken)
                left[host] = 1.0, max(alone_s, busy_s), busy_s
        if not left:
            return now_s
        level = _fair_level([busy_s / alone_s for _, alone_s, busy_s in left.values()])
        ends = {
            host: share * max(alone_s, busy_s / level)
            for host, (share, alone_s, busy_s) in left.items()
        }
        step_s = min(ends.values())
        now_s += step_s
        left = {
            host: (share * (1 - step_s / ends[host]), alone_s, busy_s)
            for host, (share, alone_s, busy_s) in left.items()
            if ends[host] > step_s * (1 + 1e-12)
        }


def _fair_level(wishes: Sequence[float]) -> float:
    """The part of the storage's time that who asks for more gets: 1 where all get what they ask."""
    free = 1.0
    for place, wish in enumerate(sorted(wishes)):
        if wish * (len(wishes) - place) > free:
            return free / (len(wishes) - place)
        free -= wish
    return 1.0


def grid_splits(name: str, encodings: Sequence[str], run: MeasuredRun) -> Iterator[HostSplit]:
    """The soonest split by this host's grid, for each encoding of which it has every clip."""
    for encoding in encodings:
        tried = {
            t.cell.setting.split
            for t in run.trials
            if isinstance(t.measurement, GridMeasurement) and t.cell.encoding == encoding
        }
        rates = {}
        for jobs, threads in sorted(tried):
            found = clip_seconds(run.trials, encoding, (jobs, threads))
            if found.keys() >= {clip.clip for clip in run.manifest.clips}:
                each = (np.mean(found[c.clip]) * c.frame_count for c in run.manifest.clips)
                rates[jobs, threads] = float(sum(each)) / jobs
        if rates:
            jobs, threads = min(rates, key=lambda split: rates[split])
            yield HostSplit(host=name, encoding=encoding, jobs=jobs, threads=threads)


def fastest_first(splits: Sequence[HostSplit], runs: Mapping[str, MeasuredRun]) -> list[HostSplit]:
    """Sorted by how soon each host has the folder alone, so that the fastest takes the longest."""
    return sorted(splits, key=lambda one: _alone_s(one, runs[one.host]))


def _alone_s(split: HostSplit, run: MeasuredRun) -> float:
    drawn = _DrawnPace.of(split, run, np.random.default_rng(0))
    return find_fleet_makespan_s([drawn.at()], range(len(run.manifest.clips)))


@dataclass(frozen=True, slots=True)
class _DrawnPace:
    jobs: int
    clips: list[Drawn]
    start: Drawn

    @classmethod
    def of(cls, split: HostSplit, run: MeasuredRun, rng: np.random.Generator) -> "_DrawnPace":
        shares = split.jobs, split.threads
        seconds = clip_seconds(run.trials, split.encoding, shares)
        rounds = [[s * c.frame_count for s in seconds[c.clip]] for c in run.manifest.clips]
        starts = start_seconds(run.trials, split.encoding, shares)
        *clips, start = (
            draw_estimate(estimate_values(r, "s", len(r)), rng=rng, draw_count=PREDICTION_DRAWS)
            for r in (*rounds, starts)
        )
        return cls(split.jobs, clips, start)

    def at(self, number: int | None = None) -> Pace:
        """With the draw of this number of each quantity, or its point."""
        *clip_s, start_s = (
            one.point if number is None else float(one.draws[number])
            for one in (*self.clips, self.start)
        )
        return Pace(jobs=self.jobs, clip_s=clip_s, start_s=max(0.0, start_s))


def _draw_makespan(
    paces: Sequence[_DrawnPace], order: Sequence[int], storage_s: Sequence[float]
) -> Drawn:
    parts = [part for pace in paces for part in (*pace.clips, pace.start)]
    draws = [
        find_fleet_makespan_s([pace.at(n) for pace in paces], order, storage_s)
        for n in range(PREDICTION_DRAWS)
    ]
    return Drawn(
        point=find_fleet_makespan_s([pace.at() for pace in paces], order, storage_s),
        draws=np.array(draws),
        round_count=min(part.round_count or 0 for part in parts),
        withheld=tuple(dict.fromkeys(reason for part in parts for reason in part.withheld)),
    )


def fleet_makespans(
    fleet_run: MeasuredRun, runs: Mapping[str, MeasuredRun], storages: Mapping[str, Rates]
) -> tuple[FleetMakespan, ...]:
    """What was measured over the hosts beside what their grids predict: all together, each alone,
    all over each storage, and with one more that is like each. `runs` are theirs by name."""
    manifest = fleet_run.manifest
    settings = manifest.scenario.settings(IngestSettings)
    if settings is None:
        return ()
    rng = np.random.default_rng(manifest.scenario.seed)
    found: list[FleetMakespan] = []
    for summary in summarise_cells([t for t in fleet_run.trials if t.cell.task == "ingest"]):
        cell = summary.cell
        splits = settings.host_groups(cell.encoding).get(cell.setting["hosts"], ())
        if not splits or summary.arm or settings.height_px is not None:
            continue
        paces = {one.host: _DrawnPace.of(one, runs[one.host], rng) for one in splits}
        measured = summary.estimates.get("makespan_s")
        is_whole = len(splits) == len(next(iter(settings.host_groups(cell.encoding).values())))
        found += _of_cell(cell, measured, paces, manifest, storages if is_whole else None, rng)
    return tuple(found)


def _of_cell(
    cell: Cell,
    measured: Estimate | None,
    paces: Mapping[str, _DrawnPace],
    manifest: Manifest,
    storages: Mapping[str, Rates] | None,
    rng: np.random.Generator,
) -> Iterator[FleetMakespan]:
    """One cell's rows; without `storages` that of its hosts alone."""
    order = _clip_order(manifest.clips, cell.setting["clip_order"])
    given = {"encoding": cell.encoding, "hosts": tuple(paces)}
    given["clip_order"] = cell.setting["clip_order"]
    rates: dict[str, Rates | None] = {"": None, **(storages or {})}
    for storage, rate in rates.items():
        storage_s = storage_seconds(manifest, cell.encoding, *rate) if rate else []
        now = _draw_makespan([*paces.values()], order, storage_s)
        miss = None
        if measured and not storage:
            seen = draw_estimate(measured, rng=rng, draw_count=PREDICTION_DRAWS)
            miss = estimate_drawn(combine(np.divide, now, seen), "")
        yield FleetMakespan(
            **given,
            storage=storage,
            predicted=estimate_drawn(now, "s"),
            measured=None if storage else measured,
            miss_ratio=miss,
        )
        for name, pace in paces.items() if storages is not None else ():
            then = _draw_makespan([*paces.values(), pace], order, storage_s)
            yield FleetMakespan(
                **given,
                storage=storage,
                more=name,
                predicted=estimate_drawn(then, "s"),
                time_ratio=estimate_drawn(combine(np.divide, then, now), ""),
            )


def _clip_order(clips: Sequence[ClipManifest], order: ClipOrder) -> list[int]:
    """As `engines.encode.ingest.clip_order`, by what the manifest says."""
    numbers = list(range(len(clips)))
    if order == "longest-first":
        sizes = [c.frame_count * c.original.width_px * c.original.height_px for c in clips]
        numbers.sort(key=lambda number: -sizes[number])
    return numbers


def shared_storages(links: Sequence[Link], measured: Mapping[str, MeasuredRun]) -> dict[str, Rates]:
    """What all hosts may share, by its name for people: modelled links, each one line both ways,
    and the storage of runs that measured how fast it reads and writes."""
    found = {f"the link {link.name}": (link.rate_bps / 8, link.rate_bps / 8) for link in links}
    for name, run in measured.items():
        read, write = (measured_storage([run], access) for access in ("sequential", "write"))
        if read and write:
            found[f"the storage of {name}"] = read.point * BYTES_PER_MB, write.point * BYTES_PER_MB
    return found


def storage_seconds(
    manifest: Manifest, encoding: str, read_bytes_per_s: float, write_bytes_per_s: float
) -> list[float]:
    """Per clip, how long storage is busy with reading the original and writing the encoding."""
    sizes = {(one.clip, one.encoding): one.file_bytes for one in manifest.media}
    return [
        sizes.get((clip.clip, ORIGINAL), 0) / read_bytes_per_s
        + sizes.get((clip.clip, encoding), 0) / write_bytes_per_s
        for clip in manifest.clips
    ]

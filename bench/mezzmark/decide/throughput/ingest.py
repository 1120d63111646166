"""Ingest: which worker takes which clip or card, and when the last one is done, given the times or
predicted from the grid beside what was measured; and what going on does to it, as speeds in the
first and in the last minutes of long trials with the machine's clock, heat and battery.

List scheduling: whenever a worker is free it takes the first of the list that has arrived. In
`fifo` order the list is the order of arrival; in `longest-first` it is by falling length. Graham
(SIAM J. Appl. Math. 17(2), 1969) proved that no list takes more than 2 − 1/m times the best
makespan on m workers, and longest-first not more than 4/3 − 1/(3m) times."""

import heapq
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Final, TypeVar

import numpy as np

from mezzmark.decide.estimate.draws import draw_estimate
from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.decide.estimate.rounds import estimate_values
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate
from mezzmark.model.fact import NS_PER_S, Fact
from mezzmark.model.records import Trial
from mezzmark.model.tasks.grid import GridMeasurement
from mezzmark.model.tasks.ingest import ClipOrder, HeatMoment, IngestMeasurement, is_first, is_last
from mezzmark.statistics.intervals import Floats

PREDICTION_DRAWS: Final = 400  # Ten draws beyond each 95 % limit; each draw is one schedule


def serve_in_order(arrivals: Floats, services: Floats, *, worker_count: int = 1) -> Floats:
    """Time from each arrival to its completion, served in order of arrival. `arrivals` must not
    fall; both are in one unit, which the answer has too. Raises ValueError."""
    if arrivals.shape != services.shape or (np.diff(arrivals) < 0).any():
        raise ValueError("arrivals must be in order, with one service time each")
    if worker_count < 1 or not ((services >= 0) & np.isfinite(services)).all():
        raise ValueError("serving needs a worker, and service times that are finite and at least 0")
    free_at, done = [0.0] * worker_count, []
    for arrival, service in zip(arrivals.tolist(), services.tolist(), strict=True):
        free = free_at[0]
        done.append((arrival if arrival > free else free) + service)  # max() takes twice as long
        heapq.heapreplace(free_at, done[-1])
    return np.array(done, dtype=np.float64) - arrivals


def find_makespan_s(
    durations_s: Sequence[float] | Floats, worker_count: int, *, order: ClipOrder = "fifo"
) -> float:
    """When the last of clips that take `durations_s` seconds each is done; 0 for no clips. Raises
    ValueError for no worker or a duration that is negative or without end."""
    durations = np.asarray(durations_s, dtype=np.float64)
    if order == "longest-first":
        durations = -np.sort(-durations)
    spent = serve_in_order(np.zeros_like(durations), durations, worker_count=worker_count)
    return float(spent.max(initial=0.0))


class IngestPrediction(Fact):
    """Makespan of one ingest cell, in seconds; `predicted` is None where the grid allows none."""

    cell: Cell
    measured: Estimate
    predicted: Estimate | None

    @property
    def miss_fraction(self) -> float | None:
        """How far the prediction is off, as a share of what was measured; above 0 is too long."""
        if self.predicted is None or self.measured.point <= 0:
            return None
        return self.predicted.point / self.measured.point - 1


def predict_ingests(run: MeasuredRun) -> tuple[IngestPrediction, ...]:
    """Every measured ingest cell beside what the grid of the same split predicts for it. Where the
    grid lacks a clip or the split there is no prediction, nor of ingests that resize, go over a
    link or to other storage: nothing of this is in the grid."""
    found = []
    frame_counts = {clip.clip: clip.frame_count for clip in run.manifest.clips}
    rng = np.random.default_rng(run.manifest.scenario.seed)
    ingests = [trial for trial in run.trials if trial.cell.task == "ingest"]
    for summary in summarise_cells(ingests):
        cell, measured = summary.cell, summary.estimates.get("makespan_s")
        if summary.arm or cell.setting["clip_order"] is None or measured is None:
            continue
        seconds = clip_seconds(run.trials, cell.encoding, cell.setting.split)
        predicted = None
        is_own = cell.setting["delivery_height"] is not None or any(cell.setting.condition)
        if not is_own and frame_counts and frame_counts.keys() <= seconds.keys():
            rounds = ([s * count for s in seconds[clip]] for clip, count in frame_counts.items())
            durations = [estimate_values(found, "s", len(found)) for found in rounds]
            jobs, order = cell.setting["jobs"], cell.setting["clip_order"]
            predicted = predict_makespan(durations, jobs, order=order, rng=rng)
        found.append(IngestPrediction(cell=cell, measured=measured, predicted=predicted))
    return tuple(found)


def last_ingest(trials: Sequence[Trial]) -> dict[str, IngestMeasurement]:
    """The last finished trial of each ingest cell, by the cell's name; for the Gantt figure."""
    return {
        trial.cell.cell_id: trial.measurement
        for trial in trials
        if isinstance(trial.measurement, IngestMeasurement) and trial.is_counted and not trial.arm
    }


def predict_makespan(
    durations: Sequence[Estimate],
    worker_count: int,
    *,
    order: ClipOrder = "fifo",
    rng: np.random.Generator,
) -> Estimate:
    """The makespan of clips that take so many seconds each: the schedule of the points, within the
    quantiles of schedules of draws, of which those below 0 count as 0."""
    drawn = [draw_estimate(clip, rng=rng, draw_count=PREDICTION_DRAWS) for clip in durations]
    withheld = tuple(dict.fromkeys(reason for clip in drawn for reason in clip.withheld))
    low = high = None
    if not withheld:
        rows = np.column_stack([clip.draws for clip in drawn]).clip(min=0)
        spans_s = [find_makespan_s(row, worker_count, order=order) for row in rows]
        tail = (1 - CONFIDENCE_LEVEL) / 2
        low, high = np.quantile(spans_s, (tail, 1 - tail)).tolist()
    return Estimate(
        point=find_makespan_s([clip.point for clip in durations], worker_count, order=order),
        low=low,
        high=high,
        unit="s",
        round_count=min(clip.round_count for clip in durations),
        sample_count=PREDICTION_DRAWS,
        method=f"{order} schedule of {PREDICTION_DRAWS} draws of the clips' seconds",
        withheld=withheld,
    )


def clip_seconds(
    trials: Sequence[Trial], encoding: str, split: tuple[int, int]
) -> dict[str, list[float]]:
    """Per clip, the seconds a frame takes one job of a split, one value per round. Loading (decode
    and conversion), encoding and proving as the grid measured them, as in a pool of this split."""
    found: dict[str, dict[int, float]] = {}
    for trial, measured in _grid_trials(trials, encoding, split):
        encode_ns = np.subtract(measured.end_ns, measured.start_ns)
        mean_ns = np.mean(encode_ns + measured.load_ns + measured.verify_ns)
        seconds = float(mean_ns / NS_PER_S / measured.frame_count)
        found.setdefault(trial.cell.clip, {})[trial.round_index] = seconds
    return {clip: [rounds[place] for place in sorted(rounds)] for clip, rounds in found.items()}


def start_seconds(trials: Sequence[Trial], encoding: str, split: tuple[int, int]) -> list[float]:
    """What the grid took to start and end processes; the mean over clips, one value per round."""
    found: dict[int, list[float]] = {}
    for trial, measured in _grid_trials(trials, encoding, split):
        work_ns = max(measured.load_ns) + max(measured.end_ns) + max(measured.verify_ns)
        beside_s = max(0, trial.wall_ns - work_ns) / NS_PER_S
        found.setdefault(trial.round_index, []).append(beside_s)
    return [float(np.mean(found[place])) for place in sorted(found)]


def _grid_trials(
    trials: Sequence[Trial], encoding: str, split: tuple[int, int]
) -> Iterator[tuple[Trial, GridMeasurement]]:
    """Those that tell how long loading and proving took."""
    for trial in trials:
        cell, measured = trial.cell, trial.measurement
        if not isinstance(measured, GridMeasurement) or not trial.is_counted or trial.arm:
            continue
        is_same = (cell.encoding, cell.setting.split) == (encoding, split)
        if is_same and measured.load_ns and measured.verify_ns:
            yield trial, measured


Pair = tuple[float, float]
Value = TypeVar("Value")


class HeatFindings(Fact):
    """One ingest cell that lasts. `first` and `last` are speeds in 10⁶ pixels a second, `ratio` is
    last / first; None where no clip was in both. Clock (mean) and battery (least charge) are of
    first and last minutes, slowings for heat of all trials; None where the system did not tell in
    every trial."""

    cell: Cell
    trial_count: int
    first: Estimate | None
    last: Estimate | None
    ratio: Estimate | None
    clock_mhz: Pair | None
    throttle_count: int | None
    on_battery: bool | None
    battery_fraction: Pair | None


def judge_heat(run: MeasuredRun) -> tuple[HeatFindings, ...]:
    """The findings of each ingest cell that lasts, in the order of settings."""
    ingests = [t for t in run.trials if t.cell.task == "ingest" and t.cell.setting["minutes"]]
    found = []
    for summary in summarise_cells(ingests):
        trials = [
            trial.measurement
            for trial in ingests
            if trial.cell == summary.cell
            and trial.is_counted
            and isinstance(trial.measurement, IngestMeasurement)
        ]
        if summary.arm or not trials:
            continue
        names = ("first_mpx_s", "last_mpx_s", "heat_ratio")
        first, last, ratio = (summary.estimates.get(name) for name in names)
        counts = _told(
            [one.moments[0].throttle_count, one.moments[-1].throttle_count]
            if len(one.moments) > 1
            else []
            for one in trials
        )
        batteries = _told([m.on_battery for m in one.moments] for one in trials)
        found.append(
            HeatFindings(
                cell=summary.cell,
                trial_count=len(trials),
                first=first,
                last=last,
                ratio=ratio,
                clock_mhz=_ends(trials, lambda m: m.frequency_mhz, np.mean),
                throttle_count=None if counts is None else sum(b - a for a, b in counts),
                on_battery=None if batteries is None else any(map(any, batteries)),
                battery_fraction=_ends(trials, lambda m: m.battery_fraction, np.min),
            )
        )
    return tuple(found)


def _told(of_trials: Iterable[Sequence[Value | None]]) -> list[list[Value]] | None:
    """Readings of each trial's moments; None where a trial has none, or lacks one."""
    every = list(of_trials)
    told = [[value for value in values if value is not None] for values in every]
    return told if all(told) and [*map(len, told)] == [*map(len, every)] else None


def _ends(
    trials: Sequence[IngestMeasurement],
    read: Callable[[HeatMoment], float | None],
    pool: Callable[[list[float]], float],
) -> Pair | None:
    """A reading pooled over the moments of the first and of the last minutes, then over trials."""
    first, last = (
        _told(
            [read(m) for m in one.moments if lies(m.at_ns, m.at_ns, one.lasting_ns)]
            for one in trials
        )
        for lies in (is_first, is_last)
    )
    if first is None or last is None:
        return None
    return float(pool(list(map(pool, first)))), float(pool(list(map(pool, last))))

"""Per-trial values of one cell, one per round, to an estimate: point, interval, or why not.

A figure's interval is Student's t on the logs of its per-trial values; where a value can be 0 (a
move within the decoder's own group of pictures locates nothing) it is t on the values themselves.
From eight rounds on a straight drift over the run is taken out of the spread. With fewer than
`MINIMUM_ROUNDS` there is no interval and the estimate says how many more rounds are needed. Tails
(p95, p99) are those of all moves of all rounds, see `mezzmark.statistics.tails`: a quantile that
far out is not found in the two dozen moves of one trial. Long because every kind of figure, a
median, a rate, a tail, a count, becomes an estimate here and nowhere else."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final, Self

import numpy as np

from mezzmark.decide.estimate.observed_run import Observation
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate, Withheld
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.spec import Figure
from mezzmark.statistics import intervals
from mezzmark.statistics.tails import Samples, TailEstimate, estimate_quantile

MINIMUM_ROUNDS: Final = 3
"""A t interval of two values is 12.7 standard errors either way and misleads; of three 4.3."""

COUNT_ROUNDS: Final = 6
"""From least to most of so many rounds holds their median with 96.9 %, whatever its spread."""

SLOW_RATIO: Final = 1.1
"""A round that takes so many times a typical one's time is slow (our own choice)."""

RATIO_UNIT: Final = "×"


def estimate_of(
    interval: intervals.Interval, unit: str = RATIO_UNIT, *, sample_count: int | None = None
) -> Estimate:
    """An interval as an estimate; of as many samples as units, unless `sample_count` is given."""
    return Estimate(
        point=interval.point,
        low=interval.low,
        high=interval.high,
        confidence_level=interval.confidence_level,
        unit=unit,
        round_count=interval.count,
        sample_count=interval.count if sample_count is None else sample_count,
        method=interval.method,
    )


@dataclass(frozen=True, eq=False)
class ClipRounds:
    """Observations by clip, those of each in the order of the rounds that all have, beside the
    clips' shares and names; what several figures read from them is made once."""

    clips: Sequence[Sequence[Observation]]
    shares: Sequence[float] = (1.0,)
    names: Sequence[str] = ("",)

    def having(self, figure: Figure) -> Self:
        """The rounds in which every trial has the figure, or the moves that it is a quantile of. A
        rate of 0, of which nothing was finished in its time, has no logarithm and is none."""
        name, is_tail = figure.name, figure.kind == "tail"
        if is_tail:
            return self.with_moves
        if figure.kind == "rate":
            return self._where(lambda o: o.figures.get(name, 0.0) > 0)
        return self if name in self._shared else self._where(lambda o: name in o.figures)

    @cached_property
    def _shared(self) -> set[str]:
        """The figures that every trial has."""
        kinds = {tuple(o.figures) for clip in self.clips for o in clip}
        return set.intersection(*map(set, kinds)) if kinds else set()

    @cached_property
    def with_moves(self) -> Self:
        """The rounds in which every trial has moves."""
        return self._where(lambda o: o.work.latencies_ms is not None)

    def _where(self, has_it: Callable[[Observation], bool]) -> Self:
        is_kept = [all(map(has_it, in_round)) for in_round in zip(*self.clips, strict=True)]
        if all(is_kept):
            return self
        kept = [[o for o, is_in in zip(clip, is_kept, strict=True) if is_in] for clip in self.clips]
        return replace(self, clips=kept)

    @cached_property
    def each(self) -> "list[ClipRounds]":
        """Every clip by itself."""
        return [ClipRounds([clip]) for clip in self.clips]

    @cached_property
    def moves(self) -> Samples:
        """Latencies in ms."""
        found = [[o.work.latencies_ms for o in clip] for clip in self.clips]
        return Samples([[one for one in clip if one is not None] for clip in found], self.shares)

    @cached_property
    def sample_count(self) -> int:
        """Moves, or files made, in all."""
        return sum(o.work.sample_count for clip in self.clips for o in clip)

    @cached_property
    def capped_at(self) -> float | None:
        """The least that a trial found without having tried more."""
        figures = [o.figures for clip in self.clips for o in clip]
        return min((one["capped_at"] for one in figures if "capped_at" in one), default=None)

    @cached_property
    def is_stratified(self) -> bool:
        """Whether the requests of every trial were drawn together."""
        return all(o.is_stratified for clip in self.clips for o in clip)


def estimate_figures(
    observations: Sequence[Observation], *, confidence_level: float = CONFIDENCE_LEVEL
) -> dict[str, Estimate]:
    """Every figure that the observations of one cell carry, in the order of its task's row."""
    in_order = sorted(observations, key=lambda observation: observation.round_index)
    every = ClipRounds([in_order])
    return {
        figure.name: estimate_figure(figure, rounds, confidence_level)
        for figure in (TASKS[in_order[0].cell.task].figures if in_order else ())
        if any((rounds := every.having(figure)).clips)
    }


def estimate_figure(
    figure: Figure,
    rounds: ClipRounds,
    confidence_level: float = CONFIDENCE_LEVEL,
    *,
    is_total: bool = False,
) -> Estimate:
    """One figure of one cell, from rounds that have it; `is_total` as in `estimate_rate`."""
    if figure.kind == "tail":
        return estimate_moves_figure(figure, rounds, confidence_level)
    if figure.kind == "rate":
        work = frames_and_seconds(rounds.clips)
        return estimate_rate(*work, [1.0], confidence_level, is_total=is_total)
    values = [o.figures[figure.name] for o in rounds.clips[0]]
    return estimate_trials(figure, values, rounds, confidence_level)


def estimate_trials(
    figure: Figure, values: Sequence[float], rounds: ClipRounds, confidence_level: float
) -> Estimate:
    """A figure by its kind from one value a round (or run), in their order, of these `rounds`."""
    work = values, figure.unit, rounds.sample_count, confidence_level
    if figure.kind == "count":
        return estimate_count(*work).model_copy(update={"capped_at": rounds.capped_at})
    return estimate_values(*work, is_share=figure.kind == "share")


def estimate_values(
    values: Sequence[float],
    unit: str,
    sample_count: int,
    confidence_level: float = CONFIDENCE_LEVEL,
    *,
    is_share: bool = False,
) -> Estimate:
    """The interval of values (of shares, of their mean) by round, or why there is none."""
    is_positive = min(values) > 0 and not is_share
    point = float(np.exp(np.mean(np.log(values))) if is_positive else np.mean(values))
    low = high = None
    withheld = _withheld(values)
    method = "t on logs of per-trial values" if is_positive else "t on per-trial values, cut at 0"
    if not withheld:
        make = intervals.log_t_interval if is_positive else intervals.t_interval
        make = intervals.mean_share_interval if is_share else make
        interval = make(values, confidence_level=confidence_level, without_drift=True)
        low, high = max(interval.low, 0.0), interval.high
        method = interval.method if is_share else method
    elif withheld[0].kind == "constant":
        point = values[0]
    return Estimate(
        point=point,
        low=low,
        high=high,
        confidence_level=confidence_level,
        unit=unit,
        round_count=len(values),
        sample_count=sample_count,
        method=method,
        withheld=withheld,
    )


def estimate_count(
    values: Sequence[float], unit: str, sample_count: int, confidence_level: float
) -> Estimate:
    """Whole numbers of rounds: what a typical one comes to."""
    are_few = len(values) < 2
    found = (
        None
        if are_few
        else intervals.count_median_limits(values, confidence_level=confidence_level)
    )
    few = Withheld(kind="few_rounds", have=len(values), needed=max(1, COUNT_ROUNDS - len(values)))
    changes = {
        "point": sorted(values)[(len(values) - 1) // 2],
        "low": found and found[0],
        "high": found and found[1],
        "method": "lower median of rounds; order statistics",
        "withheld": () if found else (few,),
    }
    typical = estimate_values(values, unit, sample_count, confidence_level)
    return typical.model_copy(update=changes)


def estimate_moves_figure(figure: Figure, rounds: ClipRounds, confidence_level: float) -> Estimate:
    """The figure's quantile of all moves, or why it has no interval."""
    assert figure.probability is not None
    tail = estimate_quantile(
        rounds.moves,
        figure.probability,
        confidence_level=confidence_level,
        is_stratified=rounds.is_stratified,
    )
    return Estimate(
        point=tail.point,
        low=tail.interval and tail.interval.low,
        high=tail.interval and tail.interval.high,
        confidence_level=confidence_level,
        unit=figure.unit,
        round_count=len(rounds.clips[0]),
        sample_count=rounds.sample_count,
        method="all moves of all rounds; binomial limits at their effective number",
        withheld=_withheld_tail(tail),
    )


def most_slow_share(slow_count: int, round_count: int) -> float:
    """The exact one-sided 95 % upper limit of the share of slow rounds (Clopper & Pearson 1934)."""
    return intervals.share_limits(slow_count, round_count, confidence_level=0.9)[1]


def with_missed_slow_rounds(speed: Estimate) -> Estimate:
    """A speed in total whose slow end allows for slow rounds that were missed: as many as the exact
    limit of their share lets be, each slower by the tenth from which a round is called slow."""
    if speed.low is None or speed.slow_round_count is None:
        return speed
    seen, count = speed.slow_round_count, speed.round_count
    _, most = intervals.share_limits(seen, count, confidence_level=speed.confidence_level)
    missed = math.log1p((most - seen / count) * (SLOW_RATIO - 1))
    half = math.hypot(math.log(speed.point / speed.low), missed)
    return speed.model_copy(update={"low": speed.point * math.exp(-half)})


def _withheld_tail(tail: TailEstimate) -> tuple[Withheld, ...]:
    if tail.is_clustered:
        return (Withheld(kind="clustered"),)
    lacking = Withheld(
        kind="few_moves", needed=tail.missing_trials, moves_a_round=tail.samples_a_trial
    )
    return (lacking,) if tail.missing_trials else ()


def _withheld(values: Sequence[float]) -> tuple[Withheld, ...]:
    """Why these values carry no interval; empty where they do."""
    missing = MINIMUM_ROUNDS - len(values)
    if missing > 0:
        return (Withheld(kind="few_rounds", have=len(values), needed=missing),)
    return (Withheld(kind="constant"),) if len(set(values)) == 1 else ()


def frames_and_seconds(
    clips: Sequence[Sequence[Observation]],
) -> tuple[intervals.Floats, intervals.Floats]:
    """Work done, and the time it took, by clip and round."""
    frames = [[float(o.work.frame_count) for o in clip] for clip in clips]
    seconds = [[o.work.wall_ns / NS_PER_S for o in clip] for clip in clips]
    return np.array(frames), np.array(seconds)


def estimate_rate(
    frames: intervals.Floats,
    seconds: intervals.Floats,
    weights: Sequence[float],
    confidence_level: float = CONFIDENCE_LEVEL,
    *,
    unit: str = "fps",
    is_total: bool,
) -> Estimate:
    """Frames a second over clips that make these shares of the frames; arrays are by clip and
    round. That of a typical round, the median with its order-statistic interval; or (`is_total`)
    total frames / total seconds of each clip, with t on its log by the delta method: the ratio
    estimator's residuals seconds - R · frames (Cochran, Sampling Techniques, 3rd ed. 1977, section
    2.11) are summed over the clips of a round, so the interval always holds the point."""
    shares = np.array(weights)
    of_rounds = 1 / (shares @ (seconds / frames))
    withheld = _withheld(of_rounds.tolist())
    low = high = None
    point = typical = float(np.exp(np.median(np.log(of_rounds))))
    if is_total:
        costs = seconds.sum(axis=1) / frames.sum(axis=1)
        point = 1 / float(shares @ costs)
        if not withheld:
            residuals = (seconds - costs[:, None] * frames) / frames.mean(axis=1)[:, None]
            half = _log_half(shares @ residuals, float(shares @ costs), confidence_level)
            low, high = point * math.exp(-half), point * math.exp(half)
    elif not withheld:
        found = intervals.log_median_interval(of_rounds, confidence_level=confidence_level)
        low, high = found.low, found.high
    return Estimate(
        point=point,
        low=low,
        high=high,
        confidence_level=confidence_level,
        unit=unit,
        round_count=of_rounds.size,
        sample_count=int(frames.sum()),
        method="total frames / total seconds; t on its log, linearised"
        if is_total
        else "median of rounds; order statistics",
        withheld=withheld,
        slow_round_count=int(np.sum(of_rounds < typical / SLOW_RATIO)),
    )


def _log_half(residuals: intervals.Floats, cost: float, confidence_level: float) -> float:
    """Half the interval of a cost's log, from its rounds' residuals."""
    count = residuals.size
    standard_error = math.sqrt(float(residuals @ residuals) / (count - 1) / count)
    return intervals.t_reach(count, confidence_level=confidence_level) * standard_error / cost

"""Per-trial values of one cell, one per round, to an estimate: point, interval, or why not.

A figure's interval is Student's t on the logs of its per-trial values; where a value can be 0 (a
move within the decoder's own group of pictures locates nothing) it is t on the values themselves.
From eight rounds on a straight drift over the run is taken out of the spread. With fewer than
`MINIMUM_ROUNDS` there is no interval and the estimate says how many more rounds are needed. Tails
(p95, p99) are those of all moves of all rounds, see `mezzmark.statistics.tails`: a quantile that
far out is not found in the two dozen moves of one trial.
"""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mezzmark.decide.estimate.observed_run import Observation
from mezzmark.model.estimate import Estimate, Withheld
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.spec import Figure
from mezzmark.statistics.intervals import Interval, log_t_interval, t_interval, t_reach
from mezzmark.statistics.tails import TailEstimate, estimate_tail

MINIMUM_ROUNDS: Final = 3
"""Two values make a t interval of 12.7 standard errors either way, which misleads more than it
tells; from three on it is 4.3."""

RATIO_UNIT: Final = "×"


def estimate_of(
    interval: Interval, unit: str = RATIO_UNIT, *, sample_count: int | None = None
) -> Estimate:
    """An interval of the statistics as an estimate; it stands for as many samples as units unless
    `sample_count` says otherwise."""
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


def estimate_figures(
    observations: Sequence[Observation], *, confidence_level: float
) -> dict[str, Estimate]:
    """Every figure that the observations of one cell carry, in the order of its task's row."""
    estimates = {}
    in_order = sorted(observations, key=lambda observation: observation.round_index)
    moves = [o.work.latencies_ms for o in in_order if o.work.latencies_ms is not None]
    is_stratified = all(o.is_stratified for o in in_order)
    for figure in TASKS[in_order[0].cell.task].figures if in_order else ():
        name, having = figure.name, [o for o in in_order if figure.name in o.figures]
        if figure.probability is not None:
            if moves:
                estimates[name] = estimate_tail_figure(
                    moves, figure, confidence_level, is_stratified=is_stratified
                )
        elif having and figure.kind == "rate":
            estimates[name] = _throughput(having, confidence_level)
        elif having:
            values, samples = [o.figures[name] for o in having], sum(o.sample_count for o in having)
            estimates[name] = estimate_values(values, figure.unit, samples, confidence_level)
    return estimates


def estimate_values(
    values: Sequence[float], unit: str, sample_count: int, confidence_level: float
) -> Estimate:
    """The interval of per-trial values in the order of their rounds, or why there is none."""
    is_positive = min(values) > 0
    point = float(np.exp(np.mean(np.log(values))) if is_positive else np.mean(values))
    low = high = None
    withheld = _withheld(values)
    method = "t on logs of per-trial values" if is_positive else "t on per-trial values, cut at 0"
    if not withheld:
        make = log_t_interval if is_positive else t_interval
        interval = make(values, confidence_level=confidence_level, without_drift=True)
        low, high = max(interval.low, 0.0), interval.high
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


def estimate_tail_figure(
    rounds: Sequence[NDArray[np.float64]],
    figure: Figure,
    confidence_level: float,
    *,
    is_stratified: bool,
) -> Estimate:
    """The figure's quantile of all moves, one array of latencies per round, or why it has no
    interval; `is_stratified` as in `estimate_tail`."""
    assert figure.probability is not None
    tail = estimate_tail(
        rounds,
        figure.probability,
        confidence_level=confidence_level,
        is_stratified=is_stratified,
    )
    return Estimate(
        point=tail.point,
        low=tail.interval and tail.interval.low,
        high=tail.interval and tail.interval.high,
        confidence_level=confidence_level,
        unit=figure.unit,
        round_count=len(rounds),
        sample_count=sum(moves.size for moves in rounds),
        method="all moves of all rounds; binomial limits at their effective number",
        withheld=_withheld_tail(tail),
    )


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


def _throughput(observations: Sequence[Observation], confidence_level: float) -> Estimate:
    """Total frames / total seconds, with t on its log by the delta method.

    The ratio estimator's standard error comes from the residuals seconds - R · frames (Cochran,
    Sampling Techniques, 3rd ed. 1977, section 2.11), so the interval always holds the point.
    """
    frames = np.array([o.work.frame_count for o in observations], dtype=np.float64)
    seconds = np.array([o.work.wall_ns for o in observations], dtype=np.float64) / NS_PER_S
    point = float(frames.sum() / seconds.sum())
    count = len(observations)
    withheld = _withheld([o.figures["throughput_fps"] for o in observations])
    low = high = None
    if not withheld:
        residuals = seconds - frames / point
        standard_error = math.sqrt(float(np.sum(residuals**2)) / (count - 1) / count)
        reach = t_reach(count, confidence_level=confidence_level)
        log_half = reach * standard_error / float(seconds.mean())
        low, high = point * math.exp(-log_half), point * math.exp(log_half)
    return Estimate(
        point=point,
        low=low,
        high=high,
        confidence_level=confidence_level,
        unit="fps",
        round_count=count,
        sample_count=int(frames.sum()),
        method="total frames / total seconds; t on its log, linearised",
        withheld=withheld,
    )

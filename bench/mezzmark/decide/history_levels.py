"""One level per run, with its standard error, from the rounds of many runs of the same cell."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mezzmark.decide.evidence import RoundKey
from mezzmark.decide.rounds import MINIMUM_ROUNDS

Costs = Mapping[RoundKey, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Mean log cost of each run and its standard error; `counts` are the rounds behind each."""

    logs: NDArray[np.float64]
    standard_errors: NDArray[np.float64]
    counts: tuple[int, ...]


def run_levels(runs: Sequence[Costs]) -> Levels:
    """Levels of runs that each have at least `MINIMUM_ROUNDS` rounds.

    Where all runs replayed the same moves in at least so many rounds, those rounds alone are taken
    and what a round's moves cost every run alike is taken out of the spread: the residuals of
    runs × rounds, whose variance the means have made smaller by (runs - 1) / runs. Raises
    ValueError for a run of fewer rounds.
    """
    if any(len(run) < MINIMUM_ROUNDS for run in runs):
        raise ValueError(f"every run needs at least {MINIMUM_ROUNDS} rounds")
    common = sorted(set(runs[0]).intersection(*runs[1:])) if runs else []
    if len(common) < MINIMUM_ROUNDS or len(runs) < 2:
        return _own_rounds(runs)
    logs = np.log(np.array([[run[key] for key in common] for run in runs]))
    means = logs.mean(axis=1)
    residuals = logs - means[:, None] - logs.mean(axis=0)[None, :] + logs.mean()
    degrees = (len(common) - 1) * (len(runs) - 1) / len(runs)
    variances = (residuals**2).sum(axis=1) / degrees
    return Levels(
        logs=means,
        standard_errors=np.sqrt(variances / len(common)),
        counts=(len(common),) * len(runs),
    )


def _own_rounds(runs: Sequence[Costs]) -> Levels:
    logs = [np.log(np.array(list(run.values()))) for run in runs]
    return Levels(
        logs=np.array([values.mean() for values in logs]),
        standard_errors=np.array(
            [float(values.std(ddof=1)) / math.sqrt(values.size) for values in logs]
        ),
        counts=tuple(values.size for values in logs),
    )

"""The curve of a channel, fitted to chart readings, with intervals."""

from typing import Final, Literal

import numpy as np
from scipy import optimize, stats

from mezzmark.facts.colour import Floats
from mezzmark.facts.fidelity import ChannelFit

CONFIDENCE_LEVEL: Final = 0.95

CLIP_MARGIN: Final = 0.75 / 255
"""Readings nearer to 0 or 1 than this may be clipped and say nothing of the curve."""

MIN_POINTS: Final = 6
"""Twice the number of parameters; fewer points give no interval."""

GAMMA_BOUNDS: Final = (0.25, 4.0)


def fit_channel(
    channel: Literal["red", "green", "blue"] | str, entered: Floats, shown: Floats
) -> ChannelFit:
    """Least squares of shown = offset + gain · entered^gamma over unclipped points (0 to 1).

    Intervals are t intervals from the fit's covariance (Gauss-Newton, scipy curve_fit). Where too
    few points are free of clipping, gain 0, offset = mean and gamma 1 say that nothing is left.
    """
    keep = (shown > CLIP_MARGIN) & (shown < 1 - CLIP_MARGIN) & (entered > 0)
    points = int(keep.sum())
    if points < MIN_POINTS:
        return _fit(channel, (0.0, float(shown.mean()), 1.0), None, points)
    bounds = ([0.0, -1.0, GAMMA_BOUNDS[0]], [4.0, 1.0, GAMMA_BOUNDS[1]])
    try:
        best, covariance = optimize.curve_fit(
            _curve, entered[keep], shown[keep], p0=(1.0, 0.0, 1.0), bounds=bounds
        )
    except RuntimeError:  # no convergence: the readings follow no such curve
        return _fit(channel, (0.0, float(shown.mean()), 1.0), None, points)
    quantile = float(stats.t.ppf((1 + CONFIDENCE_LEVEL) / 2, points - 3))
    errors = quantile * np.sqrt(np.diag(covariance))
    return _fit(channel, tuple(best), errors if np.isfinite(errors).all() else None, points)


def _curve(entered: Floats, gain: float, offset: float, gamma: float) -> Floats:
    return np.asarray(offset + gain * entered**gamma)


def _fit(
    channel: str, best: tuple[float, float, float], errors: Floats | None, points: int
) -> ChannelFit:
    gain, offset, gamma = (float(value) for value in best)
    half = None if errors is None else [float(error) for error in errors]
    return ChannelFit(
        channel=channel,
        gain=gain,
        offset=offset,
        gamma=gamma,
        gain_low=gain - half[0] if half else None,
        gain_high=gain + half[0] if half else None,
        offset_low=offset - half[1] if half else None,
        offset_high=offset + half[1] if half else None,
        gamma_low=gamma - half[2] if half else None,
        gamma_high=gamma + half[2] if half else None,
        confidence_level=CONFIDENCE_LEVEL,
        point_count=points,
    )

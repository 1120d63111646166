"""What the fidelity trials of a run say of each encoding, over its clips."""

import math
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from typing import Final

import numpy as np

from mezzmark.decide.estimate.observed_run import ObservedRun
from mezzmark.decide.picture.diagnosis import Diagnosis, diagnose
from mezzmark.decide.picture.quality import (
    BJONTEGAARD_POINTS,
    GenerationFigures,
    bjontegaard_quality_db,
    bjontegaard_rate_fraction,
    generation_figures,
)
from mezzmark.model.encoding import Encoding
from mezzmark.model.estimate import Estimate, Withheld
from mezzmark.model.fact import Fact
from mezzmark.model.records import Trial
from mezzmark.model.tasks.fidelity import METRICS, FidelityMeasurement, TagSurvival, metric_of
from mezzmark.statistics.intervals import t_interval

LEAST_STEP: Final = 1.02
"""Two encodings closer in bit rate than 2 % are one rung of a ladder."""

CLIPS_FOR_INTERVAL: Final = 3
"""With two clips a t interval has one degree of freedom and says next to nothing."""


class ClipFidelity(Fact):
    """One clip's outcome: figures by generation, in order, and what became of the chart."""

    clip: str
    generations: tuple[GenerationFigures, ...]
    diagnosis: Diagnosis | None
    measurement: FidelityMeasurement


class QualityEstimate(Estimate):
    """A metric's mean over clips, `sample_count` of them, with its interval; and the worst frame
    with its clip."""

    worst: float
    worst_clip: str


class EncodingFidelity(Fact):
    """An encoding over all its clips. `estimates` are of generation 1 by metric name;
    `by_generation_db` is the mean PSNR over clips per generation, None where nothing differs.
    `worst_chart` is the one whose shift is largest; `chart_refusal` says why it is None."""

    encoding: str
    clips: tuple[ClipFidelity, ...]
    is_bit_exact: bool
    estimates: dict[str, QualityEstimate]
    by_generation_db: tuple[float | None, ...]
    bitrate_bps: float
    worst_chart: Diagnosis | None
    tags: TagSurvival | None
    chart_refusal: str | None = None

    @property
    def worst_patch(self) -> Diagnosis | None:
        """The chart whose worst patch is the worst of all clips; None without a chart."""
        charts = [clip.diagnosis for clip in self.clips if clip.diagnosis is not None]
        return max(charts, key=lambda chart: chart.worst_delta_e, default=None)

    def figure(self, name: str) -> Estimate | None:
        """A figure of the fidelity task over all clips: a metric's mean or worst frame, or the
        worst clip's colour shift; None where it was not measured, or nothing differs."""
        metric = metric_of(name)
        if metric is not None:
            found = self.estimates.get(metric)
            is_mean = METRICS[metric].figures[0].name == name
            if found is None or is_mean:
                return found
            return Estimate.exact(found.worst, found.unit)
        shift = {
            "delta_e_p90": self.worst_chart.delta_e if self.worst_chart else None,
            "delta_e_max": self.worst_patch.worst_delta_e if self.worst_patch else None,
            "delta_e_tags": self.tags.delta_e_shown if self.tags else None,
        }[name]
        return None if shift is None else Estimate.exact(shift, "ΔE")


class RateComparison(Fact):
    """Two codecs' ladders compared: the test needs so much more or less bit rate at equal PSNR,
    and gives so many dB more or less at equal bit rate (Bjøntegaard)."""

    anchor: str
    test: str
    rate_fraction: float
    quality_db: float
    clip_count: int


def judge_encodings(
    trials: Iterable[Trial], *, confidence_level: float = 0.95
) -> tuple[EncodingFidelity, ...]:
    """One entry per encoding that has a finished fidelity trial, in order of appearance."""
    found: dict[str, list[tuple[str, FidelityMeasurement]]] = {}
    for trial in trials:
        if isinstance(trial.measurement, FidelityMeasurement):
            found.setdefault(trial.cell.encoding, []).append((trial.cell.clip, trial.measurement))
    return tuple(
        _judge(name, [_clip(clip, measured) for clip, measured in group], confidence_level)
        for name, group in found.items()
    )


def judge_run(run: ObservedRun, *, confidence_level: float) -> tuple[EncodingFidelity, ...]:
    """As `judge_encodings`, from all trials of a run, once."""
    return run.once(
        ("fidelity", confidence_level),
        lambda: judge_encodings(run.trials, confidence_level=confidence_level),
    )


def compare_ladders(
    judged: Sequence[EncodingFidelity], encodings: Sequence[Encoding]
) -> tuple[RateComparison, ...]:
    """Bjøntegaard deltas between every two codecs that have at least four encodings each, from
    PSNR of all planes over bit rate, averaged over the clips both have."""
    codec_of = {encoding.name: encoding.codec for encoding in encodings}
    ladders: dict[str, dict[str, list[tuple[float, float]]]] = {}
    for entry in judged:
        codec = codec_of.get(entry.encoding)
        if codec is None or entry.is_bit_exact:
            continue
        for clip in entry.clips:
            psnr = clip.generations[0].frames.get("psnr")
            if psnr is not None:
                points = ladders.setdefault(codec, {}).setdefault(clip.clip, [])
                points.append((clip.generations[0].bitrate_bps, psnr.mean))
    names = sorted(ladders)
    pairs = [(a, b) for place, a in enumerate(names) for b in names[place + 1 :]]
    compared = [_compare(a, b, ladders[a], ladders[b]) for a, b in pairs]
    return tuple(comparison for comparison in compared if comparison is not None)


def _clip(clip: str, measured: FidelityMeasurement) -> ClipFidelity:
    rate = float(Fraction(measured.frame_rate))
    return ClipFidelity(
        clip=clip,
        generations=tuple(
            generation_figures(generation, frame_rate=rate) for generation in measured.generations
        ),
        diagnosis=diagnose(measured.chart) if measured.chart else None,
        measurement=measured,
    )


def _judge(name: str, clips: list[ClipFidelity], confidence_level: float) -> EncodingFidelity:
    firsts = [clip.generations[0] for clip in clips]
    metrics = dict.fromkeys(metric for first in firsts for metric in first.frames)
    diagnoses = [clip.diagnosis for clip in clips if clip.diagnosis is not None]
    generation_count = min(len(clip.generations) for clip in clips)
    return EncodingFidelity(
        encoding=name,
        clips=tuple(clips),
        is_bit_exact=all(first.is_bit_exact for first in firsts),
        estimates={metric: _estimate(metric, 0, clips, confidence_level) for metric in metrics},
        by_generation_db=tuple(_mean_db(clips, place) for place in range(generation_count)),
        bitrate_bps=float(np.mean([first.bitrate_bps for first in firsts])),
        worst_chart=max(diagnoses, key=lambda d: d.delta_e, default=None),
        tags=next((c.measurement.tags for c in clips if c.measurement.tags), None),
        chart_refusal=next(filter(None, (c.measurement.chart_refusal for c in clips)), None),
    )


def generation_psnr(
    entry: EncodingFidelity, generation_index: int, *, confidence_level: float
) -> Estimate:
    """Mean PSNR of one generation (from 0) over the clips that differ in it, with Student's t
    interval over clips; no interval below three clips. Raises ValueError where none differs."""
    if entry.by_generation_db[generation_index] is None:
        raise ValueError(f"generation {generation_index + 1} of {entry.encoding} has no PSNR")
    return _estimate("psnr", generation_index, entry.clips, confidence_level)


def _estimate(
    name: str, generation_index: int, clips: Sequence[ClipFidelity], confidence_level: float
) -> QualityEstimate:
    found = [
        (clip.clip, clip.generations[generation_index].frames[name])
        for clip in clips
        if name in clip.generations[generation_index].frames
    ]
    means = [figures.mean for _, figures in found]
    worst_clip, worst = min(found, key=lambda pair: pair[1].worst)
    low, high = _interval(means, METRICS[name].best, confidence_level)
    have = len(means)
    short = Withheld(kind="few_clips", have=have, needed=CLIPS_FOR_INTERVAL - have)
    why = short if len(means) < CLIPS_FOR_INTERVAL else Withheld(kind="constant")
    return QualityEstimate(
        point=float(np.mean(means)),
        low=low,
        high=high,
        confidence_level=confidence_level,
        unit=METRICS[name].unit,
        round_count=1,
        sample_count=len(means),
        method="mean of clips; t over clips",
        withheld=(why,) if low is None else (),
        worst=worst.worst,
        worst_clip=worst_clip,
    )


def _interval(
    means: list[float], best: float, confidence_level: float
) -> tuple[float, float] | tuple[None, None]:
    """A t interval over clips; where there is a best value, on the scale of log(1 - value / best),
    which keeps it below that."""
    if len(means) < CLIPS_FOR_INTERVAL or max(means) >= best:
        return None, None
    if math.isinf(best):
        found = t_interval(means, confidence_level=confidence_level)
        return found.low, found.high
    logs = t_interval(np.log1p(-np.asarray(means) / best), confidence_level=confidence_level)
    return best * (1 - float(np.exp(logs.high))), best * (1 - float(np.exp(logs.low)))


def _mean_db(clips: list[ClipFidelity], place: int) -> float | None:
    means = [
        clip.generations[place].frames["psnr"].mean
        for clip in clips
        if "psnr" in clip.generations[place].frames
    ]
    return float(np.mean(means)) if means else None


def rungs(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The points of a ladder, (bit rate, dB), in order of bit rate: each needs more bits than the
    one before and gives more. Of two at about one bit rate the better stays."""
    kept: list[tuple[float, float]] = []
    for rate, quality in sorted(points):
        if kept and rate < kept[-1][0] * LEAST_STEP:
            if quality > kept[-1][1]:
                kept[-1] = (rate, quality)
        elif not kept or quality > kept[-1][1]:
            kept.append((rate, quality))
    return kept


def _compare(
    anchor: str,
    test: str,
    anchor_points: Mapping[str, list[tuple[float, float]]],
    test_points: Mapping[str, list[tuple[float, float]]],
) -> RateComparison | None:
    rates, qualities = [], []
    for clip in sorted(anchor_points.keys() & test_points.keys()):
        sides = rungs(anchor_points[clip]), rungs(test_points[clip])
        if min(map(len, sides)) < BJONTEGAARD_POINTS:
            continue
        rate, quality = bjontegaard_rate_fraction(*sides), bjontegaard_quality_db(*sides)
        if rate is not None and quality is not None:
            rates.append(rate)
            qualities.append(quality)
    if not rates:
        return None
    return RateComparison(
        anchor=anchor,
        test=test,
        rate_fraction=float(np.mean(rates)),
        quality_db=float(np.mean(qualities)),
        clip_count=len(rates),
    )

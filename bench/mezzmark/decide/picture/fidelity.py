"""What the fidelity trials of a run say of each encoding, over its clips: means at their shares
(Σ share × value), worst frames, and which tags its files keep; and of each codec against another,
by their ladders of bit rate and quality. Long because all of it is read off the same clips.

The mean of PSNR is that of the frames' PSNR: each frame counts alike. (The PSNR of the mean squared
error, in which each error counts alike, is never above it.) An identical frame has no finite PSNR
and is left out."""

import math
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from itertools import combinations
from typing import Final

import numpy as np

from mezzmark.decide.estimate.observed_run import ObservedRun
from mezzmark.decide.estimate.over_clips import Mix, mix_of
from mezzmark.decide.picture.diagnosis import Diagnosis, diagnose_both
from mezzmark.decide.picture.tags import tag_shift, tag_verdicts
from mezzmark.model.colour import Floats
from mezzmark.model.encoding import Encoding
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate, Withheld
from mezzmark.model.fact import Fact, grouped
from mezzmark.model.records import Trial
from mezzmark.model.tasks.fidelity import (
    METRICS,
    ChartMeasurement,
    FidelityMeasurement,
    GenerationQuality,
    TagSurvival,
    metric_of,
    psnr_db,
)
from mezzmark.statistics.intervals import t_interval


class FrameFigures(Fact):
    """One metric over the frames of one clip, without identical ones; `worst` is the smallest."""

    mean: float
    worst: float


class GenerationFigures(Fact):
    """A generation's figures by metric (a row of `METRICS`), and what no dB can say."""

    is_bit_exact: bool
    frames: dict[str, FrameFigures]
    bitrate_bps: float


def generation_figures(found: GenerationQuality, *, frame_rate: float) -> GenerationFigures:
    """All metrics of one generation that have a finite value."""
    frames = {}
    for name, metric in METRICS.items():
        values = metric.of(found.quality)
        finite = values[np.isfinite(values)]
        if finite.size:
            frames[name] = FrameFigures(mean=float(finite.mean()), worst=float(finite.min()))
    return GenerationFigures(
        is_bit_exact=found.is_bit_exact,
        frames=frames,
        bitrate_bps=8 * found.file_bytes * frame_rate / found.frame_count,
    )


CLIPS_FOR_INTERVAL: Final = 3
"""With two clips a t interval has one degree of freedom and says next to nothing."""


class ClipFidelity(Fact):
    """One clip's outcome: figures by generation, in order, and what became of the chart to the
    viewer that shows it worse, with the `chart` it sees; `share` is up to a common factor."""

    clip: str
    share: float = 1.0
    generations: tuple[GenerationFigures, ...]
    diagnosis: Diagnosis | None
    measurement: FidelityMeasurement
    chart: ChartMeasurement | None = None


class TagOutcome(Fact):
    """What became of the tags of these clips; of several alike the one whose colours moved most."""

    clips: tuple[str, ...]
    survival: TagSurvival


class QualityEstimate(Estimate):
    """A metric's mean over clips, `sample_count` of them that make this `share` of the footage,
    with its interval; and the worst frame with its clip."""

    share: float = 1.0
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
    tags: tuple[TagOutcome, ...] = ()
    chart_refusal: str | None = None

    @property
    def worst_patch(self) -> Diagnosis | None:
        """The chart whose worst patch is the worst of all clips; None without a chart."""
        charts = [clip.diagnosis for clip in self.clips if clip.diagnosis is not None]
        return max(charts, key=lambda chart: chart.worst_severity, default=None)

    @property
    def alpha_db(self) -> float | None:
        """PSNR of alpha in generation 1, infinite where all is equal; None where none came back."""
        firsts = [clip.measurement.generations[0].alpha_squared_error for clip in self.clips]
        errors = [error for series in firsts for error in series]
        return float(psnr_db(np.array(np.mean(errors)), peak=1)) if errors else None

    def figure(self, name: str) -> Estimate | None:
        """A figure of the fidelity task over all clips: a metric's mean or worst frame, or the
        worst clip's colour shift; None where it was not measured, or nothing differs."""
        metric = metric_of(name)
        if metric is not None:
            found = self.estimates.get(metric)
            if found is None or METRICS[metric].figures[0].name == name:
                return found
            return Estimate.exact(found.worst, found.unit)
        shift = {
            "delta_e_p90": self.worst_chart.severity if self.worst_chart else None,
            "delta_e_max": self.worst_patch.worst_severity if self.worst_patch else None,
            "delta_e_tags": max((tag_shift(one.survival) for one in self.tags), default=None),
        }.get(name)
        return None if shift is None else Estimate.exact(shift, "ΔE")


def judge_encodings(
    trials: Iterable[Trial], mix: Mix | None = None, *, confidence_level: float = CONFIDENCE_LEVEL
) -> tuple[EncodingFidelity, ...]:
    """One entry per encoding that has a counted fidelity trial, in order of appearance; the first
    of a clip stands for all. Clips count by their shares in the mix, or alike."""
    found: dict[str, dict[str, ClipFidelity]] = {}
    for trial in trials:
        name, clip, measured = trial.cell.encoding, trial.cell.clip, trial.measurement
        if not (isinstance(measured, FidelityMeasurement) and trial.is_counted and not trial.arm):
            continue
        clips = found.setdefault(name, {})
        if clip not in clips and (mix is None or clip in mix):
            clips[clip] = _clip(clip, 1.0 if mix is None else mix[clip], measured)
    return tuple(_judge(name, [*of.values()], confidence_level) for name, of in found.items() if of)


def judge_run(run: ObservedRun) -> tuple[EncodingFidelity, ...]:
    """As `judge_encodings`, from all trials of a run, once."""
    return run.once("fidelity", lambda: judge_encodings(run.trials, mix_of(run.manifest.clips)))


def _clip(clip: str, share: float, measured: FidelityMeasurement) -> ClipFidelity:
    rate = float(Fraction(measured.frame_rate))
    diagnosis, chart = diagnose_both(measured) or (None, None)
    return ClipFidelity(
        clip=clip,
        share=share,
        generations=tuple(generation_figures(g, frame_rate=rate) for g in measured.generations),
        diagnosis=diagnosis,
        measurement=measured,
        chart=chart,
    )


def _judge(name: str, clips: list[ClipFidelity], confidence_level: float) -> EncodingFidelity:
    firsts = [clip.generations[0] for clip in clips]
    shares = [clip.share for clip in clips]
    diagnoses = [clip.diagnosis for clip in clips if clip.diagnosis is not None]
    generations = range(min(len(clip.generations) for clip in clips))
    estimates = {metric: _estimate(metric, 0, clips, confidence_level) for metric in METRICS}
    psnr = [_estimate("psnr", place, clips, confidence_level) for place in generations]
    return EncodingFidelity(
        encoding=name,
        clips=tuple(clips),
        is_bit_exact=all(first.is_bit_exact for first in firsts),
        estimates={metric: found for metric, found in estimates.items() if found},
        by_generation_db=tuple(found and found.point for found in psnr),
        bitrate_bps=float(np.average([first.bitrate_bps for first in firsts], weights=shares)),
        worst_chart=max(diagnoses, key=lambda d: d.severity, default=None),
        tags=_tag_outcomes(clips),
        chart_refusal=next(filter(None, (c.measurement.chart_refusal for c in clips)), None),
    )


def _tag_outcomes(clips: Sequence[ClipFidelity]) -> tuple[TagOutcome, ...]:
    alike = grouped(
        ((found.written, found.read, found.pictures, *states), (clip.clip, found))
        for clip in clips
        if (found := clip.measurement.tags) is not None
        for states in [[verdict.state for verdict in tag_verdicts(found)]]
    )
    return tuple(
        TagOutcome(
            clips=tuple(clip for clip, _ in group),
            survival=max((found for _, found in group), key=tag_shift),
        )
        for group in alike.values()
    )


def generation_psnr(entry: EncodingFidelity, generation_index: int) -> Estimate:
    """Mean PSNR of one generation (from 0) over the clips that differ in it, with Student's t
    interval over clips; no interval below three clips. Raises ValueError where none differs."""
    found = _estimate("psnr", generation_index, entry.clips, CONFIDENCE_LEVEL)
    if found is None:
        raise ValueError(f"generation {generation_index + 1} of {entry.encoding} has no PSNR")
    return found


def _estimate(
    metric: str, generation_index: int, clips: Sequence[ClipFidelity], confidence_level: float
) -> QualityEstimate | None:
    found = [
        (clip, figures)
        for clip in clips
        if (figures := clip.generations[generation_index].frames.get(metric)) is not None
    ]
    if not found:
        return None
    means = np.array([figures.mean for _, figures in found])
    shares = np.array([clip.share for clip, _ in found])
    worst_clip, worst = min(found, key=lambda pair: pair[1].worst)
    low, high = _interval(means, shares / shares.sum(), METRICS[metric].best, confidence_level)
    why, missing = Withheld(kind="constant"), CLIPS_FOR_INTERVAL - len(means)
    if missing > 0:
        why = Withheld(kind="few_clips", have=len(means), needed=missing)
    return QualityEstimate(
        point=float(np.average(means, weights=shares)),
        low=low,
        high=high,
        confidence_level=confidence_level,
        unit=METRICS[metric].unit,
        round_count=1,
        sample_count=len(means),
        method="mean of clips at their shares; t over clips",
        withheld=(why,) if low is None else (),
        share=float(shares.sum()) / sum(clip.share for clip in clips),
        worst=worst.worst,
        worst_clip=worst_clip.clip,
    )


def _interval(
    means: Floats, shares: Floats, best: float, confidence_level: float
) -> tuple[float, float] | tuple[None, None]:
    """A t interval over clips at their shares, linearised (Cochran, Sampling Techniques, 3rd ed.
    1977, section 2.11); below a best value, on the scale of log(1 - value / best)."""
    if means.size < CLIPS_FOR_INTERVAL or means.max() >= best:
        return None, None
    is_bound = math.isfinite(best)
    values = np.log1p(-means / best) if is_bound else means
    middle = float(shares @ values)
    parts = middle + means.size * shares * (values - middle)
    found = t_interval(parts, confidence_level=confidence_level)
    if not is_bound:
        return found.low, found.high
    return best * (1 - math.exp(found.high)), best * (1 - math.exp(found.low))


Ladder = Sequence[tuple[float, float]]  # The (bit rate, dB) of one codec's encodings
BJONTEGAARD_POINTS: Final = 4  # A cubic needs four
LEAST_STEP: Final = 1.02  # Two encodings closer in bit rate than 2 % are one rung of a ladder


class RateComparison(Fact):
    """Two codecs' ladders compared: the test needs so much more or less bit rate at equal PSNR,
    and gives so many dB more or less at equal bit rate (Bjøntegaard)."""

    anchor: str
    test: str
    rate_fraction: float
    quality_db: float
    clip_count: int


def compare_ladders(
    judged: Sequence[EncodingFidelity], encodings: Sequence[Encoding]
) -> tuple[RateComparison, ...]:
    """Bjøntegaard deltas between every two codecs that have at least four encodings each, from
    PSNR of all planes over bit rate, averaged over the clips both have."""
    codec_of = {one.name: one.codec for one in encodings if not one.is_proxy}
    points = grouped(
        ((codec, clip.clip), (clip.generations[0].bitrate_bps, psnr.mean))
        for entry in judged
        if (codec := codec_of.get(entry.encoding)) and not entry.is_bit_exact
        for clip in entry.clips
        if (psnr := clip.generations[0].frames.get("psnr"))
    )
    by_codec = grouped((codec, (clip, ladder)) for (codec, clip), ladder in points.items())
    ladders = {codec: dict(by_clip) for codec, by_clip in by_codec.items()}
    compared = [_compare(a, b, ladders[a], ladders[b]) for a, b in combinations(sorted(ladders), 2)]
    return tuple(comparison for comparison in compared if comparison is not None)


def rungs(points: Ladder) -> list[tuple[float, float]]:
    """By bit rate, each of more dB than the one before; of two at about one rate the better."""
    kept: list[tuple[float, float]] = []
    for rate, quality in sorted(points):
        if kept and rate < kept[-1][0] * LEAST_STEP:
            if quality > kept[-1][1]:
                kept[-1] = (rate, quality)
        elif not kept or quality > kept[-1][1]:
            kept.append((rate, quality))
    return kept


def _compare(
    anchor: str, test: str, anchor_by_clip: Mapping[str, Ladder], test_by_clip: Mapping[str, Ladder]
) -> RateComparison | None:
    found = []
    for clip in sorted(anchor_by_clip.keys() & test_by_clip.keys()):
        sides = rungs(anchor_by_clip[clip]), rungs(test_by_clip[clip])
        rate, quality = bjontegaard_rate_fraction(*sides), bjontegaard_quality_db(*sides)
        if rate is not None and quality is not None:
            found.append((rate, quality))
    if not found:
        return None
    rate, quality = (float(np.mean(of_clips)) for of_clips in zip(*found, strict=True))
    return RateComparison(
        anchor=anchor, test=test, rate_fraction=rate, quality_db=quality, clip_count=len(found)
    )


def bjontegaard_rate_fraction(anchor: Ladder, test: Ladder) -> float | None:
    """Mean change of bit rate at equal quality: -0.1 means 10 % fewer bits than the anchor.
    VCEG-M33 (Bjøntegaard 2001): cubics of log10 rate over dB are integrated over the dB range that
    both share. None with fewer than four points on a side, or where the ranges do not overlap."""
    mean = _mean_gap(_axes(anchor)[:, ::-1], _axes(test)[:, ::-1])
    return None if mean is None else float(10**mean - 1)


def bjontegaard_quality_db(anchor: Ladder, test: Ladder) -> float | None:
    """Mean change in dB at equal bit rate; as `bjontegaard_rate_fraction`, axes exchanged."""
    return _mean_gap(_axes(anchor), _axes(test))


def _axes(ladder: Ladder) -> Floats:
    return np.array([(np.log10(rate), quality) for rate, quality in sorted(ladder)]).reshape(-1, 2)


def _mean_gap(anchor: Floats, test: Floats) -> float | None:
    if min(len(anchor), len(test)) < BJONTEGAARD_POINTS:
        return None
    low = max(anchor[:, 0].min(), test[:, 0].min())
    high = min(anchor[:, 0].max(), test[:, 0].max())
    if low >= high:
        return None
    areas = []
    for points in (anchor, test):
        integral = np.polyint(np.polyfit(points[:, 0], points[:, 1], 3))
        areas.append(np.polyval(integral, high) - np.polyval(integral, low))
    return float((areas[1] - areas[0]) / (high - low))

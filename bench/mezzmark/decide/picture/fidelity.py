"""What the fidelity trials of a run say of each encoding, over its clips: means at their shares
(Σ share × value), worst frames, and which tags its files keep.

The mean of PSNR is that of the frames' PSNR: each frame counts alike. (The PSNR of the mean squared
error, in which each error counts alike, is never above it.) An identical frame has no finite PSNR
and is left out.
"""

import math
from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from mezzmark.decide.estimate.observed_run import ObservedRun
from mezzmark.decide.estimate.over_clips import Mix, mix_of
from mezzmark.decide.picture.diagnosis import Diagnosis, diagnose
from mezzmark.model.colour import HD_HEIGHT_PX, UNSPECIFIED, MatrixName
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate, Withheld
from mezzmark.model.fact import Fact, grouped
from mezzmark.model.records import Trial
from mezzmark.model.tasks.fidelity import (
    METRICS,
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
    """One clip's outcome: figures by generation, in order, and what became of the chart; `share` is
    its part of the footage's time, up to a common factor."""

    clip: str
    share: float = 1.0
    generations: tuple[GenerationFigures, ...]
    diagnosis: Diagnosis | None
    measurement: FidelityMeasurement


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
    tags: TagSurvival | None
    chart_refusal: str | None = None

    @property
    def worst_patch(self) -> Diagnosis | None:
        """The chart whose worst patch is the worst of all clips; None without a chart."""
        charts = [clip.diagnosis for clip in self.clips if clip.diagnosis is not None]
        return max(charts, key=lambda chart: chart.worst_delta_e, default=None)

    @property
    def alpha_db(self) -> float | None:
        """PSNR of alpha in generation 1 over the frames that have it, infinite where all are equal;
        None where none came back."""
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
            "delta_e_p90": self.worst_chart.delta_e if self.worst_chart else None,
            "delta_e_max": self.worst_patch.worst_delta_e if self.worst_patch else None,
            "delta_e_tags": self.tags.delta_e_shown if self.tags else None,
        }.get(name)
        return None if shift is None else Estimate.exact(shift, "ΔE")


def judge_encodings(
    trials: Iterable[Trial], mix: Mix | None = None, *, confidence_level: float = CONFIDENCE_LEVEL
) -> tuple[EncodingFidelity, ...]:
    """One entry per encoding that has a finished fidelity trial, in order of appearance; clips
    count by their shares in the mix, alike without one."""
    found = grouped(
        (trial.cell.encoding, (trial.cell.clip, trial.measurement))
        for trial in trials
        if isinstance(trial.measurement, FidelityMeasurement)
    )
    by_name = {
        name: [_clip(clip, (mix or {}).get(clip, 1.0), measured) for clip, measured in group]
        for name, group in found.items()
    }
    return tuple(_judge(name, clips, confidence_level) for name, clips in by_name.items())


def judge_run(run: ObservedRun) -> tuple[EncodingFidelity, ...]:
    """As `judge_encodings`, from all trials of a run, once."""
    return run.once("fidelity", lambda: judge_encodings(run.trials, mix_of(run.manifest.clips)))


def _clip(clip: str, share: float, measured: FidelityMeasurement) -> ClipFidelity:
    rate = float(Fraction(measured.frame_rate))
    return ClipFidelity(
        clip=clip,
        share=share,
        generations=tuple(generation_figures(g, frame_rate=rate) for g in measured.generations),
        diagnosis=diagnose(measured.chart) if measured.chart else None,
        measurement=measured,
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
        worst_chart=max(diagnoses, key=lambda d: d.delta_e, default=None),
        tags=next((c.measurement.tags for c in clips if c.measurement.tags), None),
        chart_refusal=next(filter(None, (c.measurement.chart_refusal for c in clips)), None),
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
    means: NDArray[np.float64], shares: NDArray[np.float64], best: float, confidence_level: float
) -> tuple[float, float] | tuple[None, None]:
    """A t interval over clips at their shares, linearised (Cochran, Sampling Techniques, 3rd ed.
    1977, section 2.11); where there is a best value, on the scale of log(1 - value / best), which
    keeps it below that."""
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


DURATION_TOLERANCE_S = 0.002
"""Containers with a clock of 1 ms round durations."""

TagValue = str | int | float | None
TagState = Literal["kept", "lost", "changed", "not asked"]


class TagVerdict(Fact):
    """What became of one tag, `written` and `read` as in `TagSurvival`."""

    tag: str
    state: TagState
    written: TagValue
    read: TagValue


def tag_verdicts(survival: TagSurvival) -> tuple[TagVerdict, ...]:
    """Every tag in the order of the report's table."""
    written, read = survival.written, survival.read
    asked_s, found_s = survival.duration_s
    if found_s is not None and abs(asked_s - found_s) <= DURATION_TOLERANCE_S:
        found_s = asked_s
    return (
        _judge_tag("range", written.colour_range, read.colour_range, nothing=0),
        _judge_tag("primaries", written.primaries, read.primaries, nothing=UNSPECIFIED),
        _judge_tag("transfer", written.transfer, read.transfer, nothing=UNSPECIFIED),
        _judge_tag("matrix", written.matrix, read.matrix, nothing=UNSPECIFIED),
        _judge_tag("chroma location", *survival.chroma_location),
        _judge_tag("field order", *survival.field_order),
        _judge_tag("sample aspect", *survival.sample_aspect),
        _judge_tag("timecode", *survival.timecode),
        _judge_tag("rate", *survival.frame_rate),
        _judge_tag("duration", asked_s, found_s),
    )


def _judge_tag(
    tag: str, written: TagValue, read: TagValue, *, nothing: TagValue = "unknown"
) -> TagVerdict:
    """`nothing` is what a reader gives where the file says nothing."""
    state: TagState = "changed"
    if written is None:
        state = "not asked"
    elif read == written:
        state = "kept"
    elif read in (None, nothing):
        state = "lost"
    return TagVerdict(tag=tag, state=state, written=written, read=read)


def guessed_matrix(survival: TagSurvival) -> MatrixName | None:
    """The matrix that the player of this project takes in place of a lost one; None where it is
    not lost."""
    if survival.written.matrix == UNSPECIFIED or survival.read.matrix != UNSPECIFIED:
        return None
    return "BT.709" if survival.height_px >= HD_HEIGHT_PX else "BT.601"


def is_range_lost(survival: TagSurvival) -> bool:
    """Whether the code range was written and is not read back; limited range is then assumed."""
    return survival.read.colour_range == 0 != survival.written.colour_range

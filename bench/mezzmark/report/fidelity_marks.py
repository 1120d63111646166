"""What the marks of the fidelity figures say of an encoding, generation by generation."""

import numpy as np

from mezzmark.decide.diagnosis import Diagnosis
from mezzmark.decide.fidelity import CLIPS_FOR_INTERVAL, EncodingFidelity
from mezzmark.decide.wording import count_text, number_text, shown_name
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.fidelity import ChartMeasurement
from mezzmark.report.marks import mark_words
from mezzmark.statistics.intervals import t_interval

ONCE = "1 round, the same comes every time"
"""Fidelity is judged, not timed: one trial of each clip is enough."""


def generation_words(
    entry: EncodingFidelity, generation_index: int, *, confidence_level: float
) -> str:
    """The mean PSNR of one generation (from 0), its interval over clips, and the counts."""
    estimate = generation_psnr(entry, generation_index, confidence_level=confidence_level)
    what = f"PSNR after {count_text(generation_index + 1, 'generation')}"
    return mark_words(entry.encoding, what, estimate, samples="clip")


def rate_words(entry: EncodingFidelity, *, confidence_level: float) -> str:
    """PSNR of generation 1 as in `generation_words`, with the bit rate."""
    words = generation_words(entry, 0, confidence_level=confidence_level)
    return f"{words}; bit rate {number_text(entry.bitrate_bps / 1e6)} Mbit/s"


def chart_words(name: str, measurement: ChartMeasurement, diagnosis: Diagnosis) -> str:
    """What became of the chart, as ΔE2000 over its patches."""
    return (
        f"{shown_name(name)}, test chart: {diagnosis.words}; "
        f"ΔE {diagnosis.delta_e:.1f} at the 90th percentile, largest "
        f"{diagnosis.worst_delta_e:.1f} ({diagnosis.worst_patch}); "
        f"{len(measurement.patches)} patches; {ONCE}"
    )


def worst_frame_words(entry: EncodingFidelity) -> str:
    """The lowest PSNR of a single frame, and among how many."""
    psnr = entry.estimates["PSNR"]
    frames = sum(clip.measurement.frame_count for clip in entry.clips)
    return (
        f"{shown_name(entry.encoding)}, worst frame of {shown_name(psnr.worst_clip)}: "
        f"PSNR {number_text(psnr.worst)} {psnr.unit}; one frame has no interval; the lowest of "
        f"{count_text(frames, 'frame')} of {count_text(len(entry.clips), 'clip')}; {ONCE}"
    )


def generation_psnr(
    entry: EncodingFidelity, generation_index: int, *, confidence_level: float
) -> Estimate:
    """Mean PSNR of one generation (from 0) over the clips that differ in it, with Student's t
    interval over clips; no interval below three clips. Raises ValueError where none differs."""
    generations = [clip.generations[generation_index] for clip in entry.clips]
    means = [found.frames["PSNR"].mean for found in generations if "PSNR" in found.frames]
    if not means:
        raise ValueError(f"generation {generation_index + 1} of {entry.encoding} has no PSNR")
    interval = None
    if len(means) >= CLIPS_FOR_INTERVAL:
        interval = t_interval(means, confidence_level=confidence_level)
    return Estimate(
        point=float(np.mean(means)),
        low=interval.low if interval else None,
        high=interval.high if interval else None,
        confidence_level=confidence_level,
        unit="dB",
        round_count=1,
        sample_count=len(means),
        method=interval.method if interval else "mean over clips",
        withheld="" if interval else f"no interval: it takes {CLIPS_FOR_INTERVAL} clips",
    )

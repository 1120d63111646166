"""The fidelity task: generations, chart and tags of one encoding of one clip. Nothing is timed."""

from collections.abc import Callable
from pathlib import Path
from typing import Final

from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.media.probe import probe_media
from mezzmark.engines.picture.chart_probe import SMALLEST_CHART_PX, ChartProbe, probe_chart
from mezzmark.engines.picture.generations import (
    Generation,
    GenerationPlan,
    run_generations,
    written_facts,
)
from mezzmark.engines.picture.quality import cut_worst
from mezzmark.host.common import read_process_facts
from mezzmark.model.catalogue.core import check_frame
from mezzmark.model.chart import Chart
from mezzmark.model.errors import EncodingError
from mezzmark.model.fidelity import (
    FidelityMeasurement,
    GenerationQuality,
    WorstFrame,
)
from mezzmark.model.footage import constant_rate
from mezzmark.model.jobs import FidelityJob, Measured

FIRST: Final = 1

LARGEST_CHART_PX: Final = (1920, 1080)
"""Colours and tags of larger pictures fare alike: players guess by 720 lines, not by more."""


def run_fidelity(job: FidelityJob, clock_ns: Callable[[], int]) -> Measured:
    """Everything the fidelity task finds out; the clock is not looked at.

    Frames stream from file to file in `job.scratch_dir`, so memory does not grow with the clip.
    Raises EncodingError when the encoding cannot hold the clip or loses frames.
    """
    plan = _plan(job)
    check_frame(job.encoding, plan.index.width_px, plan.index.height_px, plan.frame_rate)
    found: list[GenerationQuality] = []
    worst: WorstFrame | None = None
    decoded_format = ""
    for generation in run_generations(plan):
        found.append(generation.found)
        if generation.found.generation == FIRST:
            decoded_format = probe_media(generation.path).pixel_format
            worst = _crop(plan, generation)
    probe, refusal = _chart(job, plan)
    return Measured(
        measurement=FidelityMeasurement(
            frame_count=found[0].frame_count,
            frame_rate=str(plan.frame_rate),
            encoded_pixel_format=job.encoding.pixel_format,
            decoded_pixel_format=decoded_format,
            compared_pixel_format=plan.compared_format,
            is_lossless_claimed=job.encoding.is_lossless,
            generations=tuple(found),
            chart=probe.measurement if probe else None,
            tags=probe.tags if probe else None,
            worst_frame=worst,
            chart_refusal=refusal,
        ),
        process=read_process_facts(),
    )


def _plan(job: FidelityJob) -> GenerationPlan:
    index = read_frame_index(job.source.index_path)
    return GenerationPlan(
        source=probe_media(job.source.media_path),
        index=index,
        encoding=job.encoding,
        settings=job.settings,
        frame_rate=constant_rate(index),
        thread_count=job.thread_count,
        scratch=Path(job.scratch_dir),
    )


def _crop(plan: GenerationPlan, generation: Generation) -> WorstFrame | None:
    if generation.worst is None:
        return None
    return cut_worst(
        generation.worst.before,
        generation.worst.after,
        frame_index=generation.worst.frame_index,
        before_facts=plan.source,
        after_facts=written_facts(plan, generation.path),
    )


def _chart(job: FidelityJob, plan: GenerationPlan) -> tuple[ChartProbe | None, str | None]:
    """The chart at the clip's own size, at most `LARGEST_CHART_PX`; or why there is none: the
    clip is too small for one, or the encoder refused it."""
    width_px, height_px = plan.index.width_px, plan.index.height_px
    if width_px < SMALLEST_CHART_PX[0] or height_px < SMALLEST_CHART_PX[1]:
        smallest = "×".join(map(str, SMALLEST_CHART_PX))
        return None, f"a picture of {width_px}×{height_px} is too small for it, {smallest} is not"
    if width_px > LARGEST_CHART_PX[0] or height_px > LARGEST_CHART_PX[1]:
        width_px, height_px = LARGEST_CHART_PX
    try:
        probe = probe_chart(
            job.encoding,
            Chart(width_px=width_px, height_px=height_px),
            plan.scratch,
            frame_rate=plan.frame_rate,
            thread_count=job.thread_count,
        )
    except EncodingError as error:
        return None, error.what
    return probe, None

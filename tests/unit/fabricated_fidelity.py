"""Fidelity trials with planted errors and charts, in place of encoders and filters."""

import base64
import io

import numpy as np
from matplotlib.image import imsave

from mezzmark.facts.cells import Cell
from mezzmark.facts.chart import PATCHES, Chart
from mezzmark.facts.fidelity import (
    ChannelFit,
    ChartMeasurement,
    FidelityMeasurement,
    GenerationQuality,
    PatchReading,
    QualitySeries,
    WorstFrame,
)
from mezzmark.facts.records import Trial

WEIGHTS = (2 / 3, 1 / 6, 1 / 6)

CHART = Chart(width_px=640, height_px=360)
EXPECTED = np.clip([patch.rgb for patch in PATCHES], 0, 1) * 255


def reading(
    shown: np.ndarray,
    *,
    entered: np.ndarray = EXPECTED,
    delta_e: float = 3.0,
    eight_bit: float | None = 0.0,
    shift_x: float | None = 0.0,
    shift_y: float | None = 0.0,
) -> ChartMeasurement:
    """A measurement whose patches were shown so."""
    fit = ChannelFit(
        channel="red",
        gain=1,
        offset=0,
        gamma=1,
        gain_low=None,
        gain_high=None,
        offset_low=None,
        offset_high=None,
        gamma_low=None,
        gamma_high=None,
        confidence_level=0.95,
        point_count=3,
    )
    return ChartMeasurement(
        chart=CHART,
        pixel_format="yuv422p10le",
        display="2.4",
        patches=tuple(
            PatchReading(
                name=patch.name,
                kind=patch.kind,
                expected_rgb=tuple(EXPECTED[i]),
                entered_rgb=tuple(entered[i]),
                shown_rgb=tuple(shown[i]),
                delta_e_2000=delta_e,
            )
            for i, patch in enumerate(PATCHES)
        ),
        fits=(fit,),
        black_rgb=(0, 0, 0),
        white_rgb=(255, 255, 255),
        ramp_codes_entered=640,
        ramp_codes_returned=220,
        eight_bit_step_fraction=eight_bit,
        super_white_fraction=1.0,
        chroma_shift_x_px=shift_x,
        chroma_shift_y_px=shift_y,
        viewer_chroma_shift_x_px=None,
        viewer_chroma_shift_y_px=None,
        chroma_detail_fraction=1.0,
    )


def generation(errors: list[float], *, exact: bool = False, number: int = 1) -> GenerationQuality:
    """A generation whose planes all have these squared errors, frame by frame."""
    return GenerationQuality(
        generation=number,
        file_bytes=1000 * len(errors),
        frame_count=len(errors),
        is_bit_exact=exact,
        differing_frame_count=0 if exact else len(errors),
        quality=QualitySeries(
            pixel_format="yuv420p",
            peak=255,
            plane_weights=WEIGHTS,
            squared_error=tuple((e, e, e) for e in errors),
            ssim=tuple((0.9, 0.9, 0.9) for _ in errors),
            ssim_all=tuple(0.9 for _ in errors),
            xpsnr_db=tuple((None, None, None) for _ in errors),
        ),
    )


def trial(
    clip: str,
    encoding: str,
    generations: list[GenerationQuality],
    *,
    chart: ChartMeasurement | None = None,
    worst_frame: WorstFrame | None = None,
) -> Trial:
    """A finished fidelity trial."""
    return Trial(
        round_index=0,
        position=0,
        cell=Cell(task="fidelity", clip=clip, encoding=encoding),
        seed=1,
        started_utc="2026-01-01T00:00:00+00:00",
        wall_ns=1,
        outcome="finished",
        measurement=FidelityMeasurement(
            frame_count=generations[0].frame_count,
            frame_rate="25",
            encoded_pixel_format="yuv420p",
            decoded_pixel_format="yuv420p",
            compared_pixel_format="yuv420p",
            is_lossless_claimed=False,
            generations=tuple(generations),
            chart=chart,
            tags=None,
            alpha_is_kept=None,
            worst_frame=worst_frame,
        ),
    )


def worst_frame(frame_index: int) -> WorstFrame:
    """A frame whose worst part went from grey to a lighter grey."""
    before, after = (_grey_png(level) for level in (0.4, 0.5))
    return WorstFrame(
        frame_index=frame_index, left_px=16, top_px=32, before_png=before, after_png=after
    )


def _grey_png(level: float) -> str:
    buffer = io.BytesIO()
    imsave(buffer, np.full((64, 64, 3), level), format="png")
    return base64.b64encode(buffer.getvalue()).decode("ascii")

"""What the fidelity task finds out about an encoding."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Final, Literal

import numpy as np
from pydantic import Field, model_validator

from mezzmark.model.cell import Setting
from mezzmark.model.chart import PATCHES, Chart, PatchKind
from mezzmark.model.colour import DisplayName, Floats, Meaning
from mezzmark.model.fact import Amount, Fact, NameIn, Number, Positive, Whole
from mezzmark.model.footage import ColourTags, HdrMetadata, RateText
from mezzmark.model.tasks.spec import Better, EncoderJob, Figure, TaskSpec, cells_of


class QualitySeries(Fact):
    """One value per compared frame, in order, as libavfilter computes it. Squared errors are
    stored, not dB, because identical planes have no finite dB. Planes are in the order Y, U, V (or
    G, B, R). `peak` is the largest code value (255, 1023 …). XPSNR is in dB and None for an
    identical plane. A metric that was not asked for is an empty tuple; so is XPSNR of pictures of
    more than 8 bits whose width FFmpeg's filter misreads."""

    pixel_format: str
    peak: Positive
    plane_weights: tuple[Amount, Amount, Amount]
    squared_error: tuple[tuple[Amount, Amount, Amount], ...] = ()
    ssim: tuple[tuple[Number, Number, Number], ...] = ()
    ssim_all: tuple[Number, ...] = ()
    xpsnr_db: tuple[tuple[Number | None, Number | None, Number | None], ...] = ()

    @property
    def frame_count(self) -> int:
        """How many pairs of frames were compared."""
        return max(len(self.squared_error), len(self.ssim), len(self.xpsnr_db))


def weighted_error(quality: QualitySeries) -> Floats:
    """Each frame's squared error over all samples of all planes."""
    errors = np.asarray(quality.squared_error, dtype=np.float64).reshape(-1, 3)
    return np.asarray(errors @ np.asarray(quality.plane_weights), dtype=np.float64)


def psnr_db(squared_error: Floats, *, peak: int) -> Floats:
    """10 · log10(peak² / mean squared error) (ITU-T J.340, 6.1; from memory); infinite for 0."""
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(float(peak) ** 2 / np.asarray(squared_error, float)))


def _judged(name: str, unit: str, better: Better, meaning: str) -> Figure:
    """A figure that `decide.picture` reads from all trials of an encoding together."""
    return Figure(name, unit, lambda _: None, better=better, meaning=meaning)


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityMetric:
    """A measure of likeness to the clip, frame by frame; more is better. `filter_name` is
    libavfilter's, which several metrics may share. `of` gives one value a frame of what it left:
    `best` where the frame is identical, nothing where the metric was not asked for. `figures` are
    what needs and wishes may name: the mean, then the worst frame. Text has so many `decimals`."""

    label: str
    filter_name: str
    of: Callable[[QualitySeries], Floats]
    figures: tuple[Figure, ...]
    best: float = math.inf
    decimals: int = 1

    @property
    def unit(self) -> str:
        """The unit of every value."""
        return self.figures[0].unit


METRICS: Final[dict[str, QualityMetric]] = {
    "psnr": QualityMetric(
        label="PSNR",
        filter_name="psnr",
        of=lambda quality: psnr_db(weighted_error(quality), peak=quality.peak),
        figures=(
            _judged("psnr_db", "dB", "more", "picture quality (PSNR), mean over clips"),
            _judged("psnr_worst_db", "dB", "more", "picture quality (PSNR) of the worst frame"),
        ),
    ),
    "ssim": QualityMetric(
        label="SSIM",
        filter_name="ssim",
        of=lambda quality: np.asarray(quality.ssim_all, dtype=np.float64),
        figures=(_judged("ssim", "", "more", "likeness to the clip (SSIM; 1 is the same)"),),
        best=1.0,
        decimals=4,
    ),
    "xpsnr": QualityMetric(
        label="XPSNR of luma",
        filter_name="xpsnr",
        of=lambda quality: np.array([np.inf if v[0] is None else v[0] for v in quality.xpsnr_db]),
        figures=(_judged("xpsnr_db", "dB", "more", "picture quality (XPSNR of luma)"),),
    ),
}
"""Every quality metric by the name that a scenario asks for it by."""

Metric = Annotated[str, NameIn(METRICS)]


def metric_of(figure: str) -> str | None:
    """The metric that a figure is of; None for colour shifts."""
    of = {one.name: name for name, metric in METRICS.items() for one in metric.figures}
    return of.get(figure)


class FidelitySettings(Fact):
    """The fidelity task: what an encoding does to the picture; judged, not timed. `generations` of
    decode → encode are made, each from the one before. Before each after the first the picture
    moves by `shift_px` right and down, then back; with `bit_depth_step` it also passes through 8
    bits (10 where the encoding has 8). The clip's first `frames` pictures are compared."""

    generations: int = Field(default=5, ge=1, le=50)
    shift_px: int = Field(default=0, ge=0, le=64, multiple_of=2)
    bit_depth_step: bool = False
    frames: int = Field(default=24, ge=1, le=10_000)
    metrics: tuple[Metric, ...] = Field(default=tuple(METRICS), min_length=1)


class FidelityJob(EncoderJob):
    """Judge what an encoding does to the first pictures of a clip; see `FidelitySettings`."""

    task: Literal["fidelity"] = "fidelity"
    settings: FidelitySettings


class GenerationQuality(Fact):
    """Generation `generation` of decode → encode, against the frames of the clip itself.
    `is_bit_exact` says whether every plane of every frame came back as it entered the first
    encoder, in the encoding's own pixel format; `differing_frame_count` how many did not.
    `alpha_squared_error` is each frame's mean of alpha (opaque: 1), if any."""

    generation: Whole
    file_bytes: Positive
    frame_count: Positive
    is_bit_exact: bool
    differing_frame_count: Whole
    quality: QualitySeries
    alpha_squared_error: tuple[Amount, ...] = ()


class PatchReading(Fact):
    """A patch as the viewer shows it; codes 0 to 255, unrounded means over the patch.
    `expected_rgb` is what the chart's values call for, `entered_rgb` what the viewer shows of the
    frames that entered the encoder, `shown_rgb` what it shows of those that came back. Differences
    are between the last two: what the viewer's own conversion adds is on both sides. ΔE2000 is None
    for HDR, of which codes and ΔE_ITP come in float from the decoded planes; ΔE_ITP is None where
    it was not computed."""

    name: str
    kind: PatchKind
    expected_rgb: tuple[Number, Number, Number]
    entered_rgb: tuple[Number, Number, Number]
    shown_rgb: tuple[Number, Number, Number]
    delta_e_2000: Number | None = None
    delta_e_itp: Number | None = None

    @property
    def delta_e(self) -> float:
        """The difference by which its kind of light is judged."""
        return (self.delta_e_itp or 0.0) if self.delta_e_2000 is None else self.delta_e_2000


class ChartMeasurement(Fact):
    """What came back of a chart. Levels are viewer codes (0 to 255), shifts are luma pixels.
    `ramp_codes_entered` and `ramp_codes_returned` count distinct luma codes on the grey ramp.
    `eight_bit_step_fraction` is how much of the staircase that 8 bits make of a finer ramp is
    there: 0 none, 1 all; None where the format has only 8 bits. `chroma_shift_*` are of the decoded
    planes against where the tags say they lie; None where too little of the wave is left to say.
    `misread` is what the code values mean and what the viewer takes them for, if not the same."""

    chart: Chart
    pixel_format: str
    display: DisplayName
    patches: tuple[PatchReading, ...]
    ramp_codes_entered: Whole
    ramp_codes_returned: Whole
    eight_bit_step_fraction: Number | None
    chroma_shift_x_px: Number | None
    chroma_shift_y_px: Number | None
    misread: tuple[Meaning, Meaning] | None = None

    @model_validator(mode="after")
    def _of_the_chart(self) -> "ChartMeasurement":
        if [(p.name, p.kind) for p in self.patches] != [(p.name, p.kind) for p in PATCHES]:
            raise ValueError(f"patches are not the {len(PATCHES)} of the chart, in its order")
        return self

    @property
    def visible_delta_e(self) -> float:
        """ΔE at the 90th percentile of the patches between black and white (Hyndman-Fan type
        7): a wrong matrix moves only some colours, and they are what a viewer sees."""
        inside = [p.delta_e for p in self.patches if p.kind != "outside"]
        return float(np.quantile(inside, 0.9))

    @property
    def worst_patch(self) -> PatchReading:
        """The patch between black and white that moved most."""
        return max((p for p in self.patches if p.kind != "outside"), key=lambda p: p.delta_e)


class TagSurvival(Fact):
    """What an encoding in a container keeps of what it was told. Each pair is (written, read); None
    where a container says nothing. `written` and `read` are colour tags as told to encoder and
    muxer, and as the player finds them, which believes the container first; `pictures` are those
    that the coded pictures state themselves (None in runs of before). `delta_e_shown` is the 90th
    percentile of ΔE over the chart's patches between the picture read by the right tags and as the
    player shows it, `delta_e_by_pictures` where a viewer believes the pictures first (None where
    that is the same); `delta_e_as_601` and `delta_e_as_full` are for players that take a lost
    matrix for BT.601 and a lost range for full (None where that tag is not lost). `hdr_metadata` is
    the clip's and the first generation's."""

    encoding: str
    container: str
    height_px: Positive
    written: ColourTags
    read: ColourTags
    chroma_location: tuple[str | None, str | None]
    field_order: tuple[str, str]
    sample_aspect: tuple[str, str | None]
    timecode: tuple[str, str | None]
    frame_rate: tuple[str, str | None]
    duration_s: tuple[Number, Number | None]
    delta_e_shown: Number
    delta_e_as_601: Number | None = None
    delta_e_as_full: Number | None = None
    pictures: ColourTags | None = None
    delta_e_by_pictures: Number | None = None
    hdr_metadata: tuple[HdrMetadata | None, HdrMetadata | None] = (None, None)


class WorstFrame(Fact):
    """The frame of generation 1 with the largest squared error, and its worst part. Both crops are
    PNG files in base64, of the same place, as the viewer shows them."""

    frame_index: Whole
    left_px: Whole
    top_px: Whole
    before_png: str
    after_png: str


class FidelityMeasurement(Fact):
    """One trial of the fidelity task: deterministic, so that one is enough. `encoded_pixel_format`
    is what entered the encoder, `compared_pixel_format` the clip's own bit depth and chroma, in
    which quality is measured. `chart` is None where none could be sent, and `chart_refusal` says
    why; `chart_by_pictures` is of a viewer that believes the pictures' own tags first, if not the
    same."""

    task: Literal["fidelity"] = "fidelity"
    frame_count: Positive
    frame_rate: RateText
    encoded_pixel_format: str
    decoded_pixel_format: str
    compared_pixel_format: str
    is_lossless_claimed: bool
    generations: tuple[GenerationQuality, ...] = Field(min_length=1)
    chart: ChartMeasurement | None
    tags: TagSurvival | None
    worst_frame: WorstFrame | None
    chart_refusal: str | None = None
    chart_by_pictures: ChartMeasurement | None = None


FIDELITY: Final = TaskSpec(
    name="fidelity",
    label="fidelity",
    verb="judge",
    axes=("threads",),
    settings_model=FidelitySettings,
    job_model=FidelityJob,
    measurement_model=FidelityMeasurement,
    engine_entry="mezzmark.engines.picture.fidelity:run_fidelity",
    plan=lambda _, stock: cells_of("fidelity", stock.encoded(), [Setting()]),
    job=lambda planned, settings, footage: FidelityJob.of(planned.cell, footage, settings=settings),
    view=lambda seen: [None] * len(seen),
    figures=(
        _judged("delta_e_max", "ΔE", "less", "largest colour shift on the chart"),
        _judged("delta_e_p90", "ΔE", "less", "colour shift of 9 in 10 patches, at most"),
        _judged("delta_e_tags", "ΔE", "less", "colour shift from colour tags lost"),
        *(figure for metric in METRICS.values() for figure in metric.figures),
    ),
    is_judged=True,
)

"""Encoding: frames from memory to a finished file, one encoder at a time."""

from fractions import Fraction
from typing import Final, Literal

from pydantic import Field

from mezzmark.model.cell import PlannedTrial, Setting
from mezzmark.model.fact import Fact, Positive, Whole
from mezzmark.model.footage import RateText
from mezzmark.model.tasks import spec


class EncodeSettings(Fact):
    """The encode task: frames from memory to a finished file."""

    threads: tuple[spec.CountChoice, ...] = Field(default=(1, "all"), min_length=1)
    frames: int = Field(default=48, ge=2, le=10_000)


class EncodeJob(spec.EncoderJob):
    """Take `frame_count` frames of the source into memory, encode them, check the result. They lie
    decoded in `pictures_path`; where that is empty or gone, the source is decoded."""

    task: Literal["encode"] = "encode"
    frame_count: int
    pictures_path: str = ""


class EncodeMeasurement(Fact):
    """One trial of encoding `frame_count` frames held in memory to a finished file."""

    task: Literal["encode"] = "encode"
    frame_count: Positive
    decoded_frame_count: Whole
    stamps_in_order: bool | None
    wall_ns: Positive
    cpu_ns: Whole
    file_bytes: Whole
    packet_bytes: Whole
    stream_digest: str
    frame_rate: RateText
    width_px: Positive
    height_px: Positive


def _bitrate_bps(seen: spec.Seen) -> float:
    measured: EncodeMeasurement = seen.measured
    return measured.packet_bytes * 8 / float(measured.frame_count / Fraction(measured.frame_rate))


def _job(
    planned: PlannedTrial, settings: EncodeSettings, footage: spec.PreparedFootage
) -> EncodeJob:
    frame_count = min(settings.frames, footage.frame_counts[planned.cell.clip])
    pixel_format = footage.encoding(planned.cell.encoding).pixel_format
    stored = footage.pictures.get((planned.cell.clip, pixel_format), "")
    return EncodeJob.of(planned.cell, footage, frame_count=frame_count, pictures_path=stored)


_WORK: Final = spec.timed_work(lambda m: m.frame_count, lambda m: m.wall_ns)

ENCODE: Final = spec.TaskSpec(
    name="encode",
    label="encoding",
    verb="encode",
    axes=("threads",),
    settings_model=EncodeSettings,
    job_model=EncodeJob,
    measurement_model=EncodeMeasurement,
    engine_entry="mezzmark.engines.encode.encode:run_encode",
    plan=lambda settings, stock: spec.cells_of(
        "encode", stock.encoded(), [Setting(threads=n) for n in stock.counts(settings.threads)]
    ),
    job=_job,
    work=_WORK,
    figures=(
        spec.speed_figure(_WORK, "encode speed"),
        spec.Figure(
            "cores_busy", "cores", lambda seen: seen.measured.cpu_ns / seen.measured.wall_ns
        ),
        spec.Figure("bitrate_bps", "bit/s", _bitrate_bps),
        spec.Figure("file_bytes", "B", lambda seen: float(seen.measured.file_bytes)),
        spec.memory_figure("memory while encoding"),
    ),
    headline="throughput_fps",
    is_free_for_original=True,
    is_best_setting=True,
    busy_ns=lambda measured: measured.wall_ns,
)

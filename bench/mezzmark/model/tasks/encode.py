"""Encoding: frames from memory to a finished file, one encoder at a time."""

from collections.abc import Iterator
from fractions import Fraction
from typing import Final, Literal

from pydantic import Field

from mezzmark.model.cell import Cell, PlannedTrial, Setting
from mezzmark.model.encoding import ORIGINAL, Encoding
from mezzmark.model.fact import NS_PER_S, Fact
from mezzmark.model.tasks.spec import (
    CountChoice,
    Figure,
    MediaReference,
    PreparedFootage,
    Seen,
    Stock,
    TaskSpec,
    Work,
    peak_memory,
    resolve_counts,
)


class EncodeSettings(Fact):
    """The encode task: frames from memory to a finished file."""

    threads: tuple[CountChoice, ...] = Field(default=(1, "all"), min_length=1)
    frames: int = Field(default=48, ge=2, le=10_000)


class EncodeJob(Fact):
    """Decode `frame_count` frames of the source into memory, encode them, check the result.

    `scratch_dir` is an existing folder of the run's own; the file written there is removed by
    whoever made the folder.
    """

    task: Literal["encode"] = "encode"
    source: MediaReference
    encoding: Encoding
    frame_count: int
    thread_count: int
    scratch_dir: str


class EncodeMeasurement(Fact):
    """One trial of encoding `frame_count` frames held in memory to a finished file."""

    task: Literal["encode"] = "encode"
    frame_count: int
    decoded_frame_count: int
    stamps_in_order: bool | None
    wall_ns: int
    cpu_ns: int
    file_bytes: int
    packet_bytes: int
    stream_digest: str
    frame_rate: str
    width_px: int
    height_px: int


def _bitrate_bps(seen: Seen) -> float:
    measured: EncodeMeasurement = seen.measured
    duration_s = float(measured.frame_count / Fraction(measured.frame_rate))
    return measured.packet_bytes * 8 / duration_s


def _plan(settings: EncodeSettings, stock: Stock) -> Iterator[Cell]:
    for clip, name in stock.encoded():
        for threads in resolve_counts(settings.threads, core_count=stock.core_count):
            yield Cell(task="encode", clip=clip, encoding=name, setting=Setting(threads=threads))


def _job(
    planned: PlannedTrial, settings: EncodeSettings, footage: PreparedFootage, scratch_dir: str
) -> EncodeJob:
    cell = planned.cell
    return EncodeJob(
        source=footage.media[cell.clip, ORIGINAL],
        encoding=footage.encoding(cell.encoding),
        frame_count=min(settings.frames, footage.frame_counts[cell.clip]),
        thread_count=cell.setting["threads"],
        scratch_dir=scratch_dir,
    )


ENCODE: Final = TaskSpec(
    name="encode",
    label="encoding",
    verb="encode",
    axes=("threads",),
    settings_model=EncodeSettings,
    job_model=EncodeJob,
    measurement_model=EncodeMeasurement,
    engine_entry="mezzmark.engines.encode.encode:run_encode",
    plan=_plan,
    job=_job,
    work=lambda seen: Work(
        sample_count=1, frame_count=seen.measured.frame_count, wall_ns=seen.measured.wall_ns
    ),
    figures=(
        Figure(
            name="throughput_fps",
            unit="fps",
            of=lambda seen: seen.measured.frame_count / (seen.measured.wall_ns / NS_PER_S),
            kind="rate",
            better="more",
            meaning="encode speed",
        ),
        Figure(
            name="cores_busy",
            unit="cores",
            of=lambda seen: seen.measured.cpu_ns / seen.measured.wall_ns,
        ),
        Figure(name="bitrate_bps", unit="bit/s", of=_bitrate_bps),
        Figure(name="file_bytes", unit="B", of=lambda seen: float(seen.measured.file_bytes)),
        Figure(name="peak_rss_bytes", unit="B", of=peak_memory, meaning="memory while encoding"),
    ),
    headline="throughput_fps",
    is_free_for_original=True,
    is_best_setting=True,
)

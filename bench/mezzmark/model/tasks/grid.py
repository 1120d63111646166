"""The encode grid: jobs × threads, that many encoders released together.

Times inside one trial are nanoseconds after the moment all its jobs were released.
"""

from collections.abc import Iterable, Iterator
from itertools import product
from typing import Final, Literal

from pydantic import Field, model_validator

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
    refuse_unequal_lengths,
    resolve_counts,
)


class GridSettings(Fact):
    """The grid task: that many encoders at once, each with that many threads.

    Every job encodes the same `frames` frames from its own memory to its own file. Combinations
    of more threads than cores are left out unless `oversubscribe` is set.
    """

    jobs: tuple[CountChoice, ...] = Field(default=(1, "half", "all"), min_length=1)
    threads: tuple[CountChoice, ...] = Field(default=(1, "half", "all"), min_length=1)
    frames: int = Field(default=48, ge=8, le=10_000)
    oversubscribe: bool = False
    pin_cores: bool = Field(default=False, description="give every job cores of its own")


class GridJob(Fact):
    """Encode `frame_count` frames in `job_count` processes released together, check every file.

    Each process decodes the frames into its own memory before the release. `scratch_dir` as in
    `EncodeJob`.
    """

    task: Literal["grid"] = "grid"
    source: MediaReference
    encoding: Encoding
    frame_count: int
    thread_count: int
    job_count: int
    is_pinned: bool
    scratch_dir: str


class GridMeasurement(Fact):
    """One trial of `job_count` encoders released together; tuples have one entry per job.

    Every job first decodes and converts the frames into its own memory (`load_ns`), all at once
    too. The common window runs from the release to the end of the job that finished first, so that
    all jobs are at work throughout; `window_packets` counts the packets each job had written by
    then, which are finished frames. Every job decodes its file afterwards (`verify_ns`, all at
    once): `decoded_frame_count` must equal `frame_count`, and `stamps_in_order` is None where the
    clip carries no stamps. Spans that overlap because jobs work side by side are each job's own.
    """

    task: Literal["grid"] = "grid"
    frame_count: int
    frame_rate: str
    width_px: int
    height_px: int
    start_ns: tuple[int, ...]
    end_ns: tuple[int, ...]
    cpu_ns: tuple[int, ...]
    peak_rss_bytes: tuple[int | None, ...]
    window_ns: int
    window_packets: tuple[int, ...]
    packet_count: tuple[int, ...]
    file_bytes: tuple[int, ...]
    decoded_frame_count: tuple[int, ...]
    stamps_in_order: tuple[bool | None, ...]
    load_ns: tuple[int, ...] = ()
    verify_ns: tuple[int, ...] = ()
    is_pinned: bool = False

    @model_validator(mode="after")
    def _one_entry_per_job(self) -> "GridMeasurement":
        refuse_unequal_lengths(
            self, "start_ns", "end_ns", "cpu_ns", "window_packets", "packet_count"
        )
        return self


def splits(
    jobs: Iterable[CountChoice],
    threads: Iterable[CountChoice],
    *,
    oversubscribe: bool,
    core_count: int,
) -> list[tuple[int, int]]:
    """All jobs × threads that are asked for and, unless oversubscribed, have a core each."""
    counts = product(
        resolve_counts(jobs, core_count=core_count), resolve_counts(threads, core_count=core_count)
    )
    return [(j, t) for j, t in counts if oversubscribe or j * t <= core_count]


def _peak_memory(seen: Seen) -> float | None:
    peaks = [peak for peak in seen.measured.peak_rss_bytes if peak is not None]
    return float(max(peaks)) if peaks else None


def _plan(settings: GridSettings, stock: Stock) -> Iterator[Cell]:
    every_split = splits(
        settings.jobs,
        settings.threads,
        oversubscribe=settings.oversubscribe,
        core_count=stock.core_count,
    )
    for (clip, name), (jobs, threads) in product(stock.encoded(), every_split):
        setting = Setting(jobs=jobs, threads=threads, pinned=settings.pin_cores)
        yield Cell(task="grid", clip=clip, encoding=name, setting=setting)


def _job(
    planned: PlannedTrial, settings: GridSettings, footage: PreparedFootage, scratch_dir: str
) -> GridJob:
    cell = planned.cell
    return GridJob(
        source=footage.media[cell.clip, ORIGINAL],
        encoding=footage.encoding(cell.encoding),
        frame_count=min(settings.frames, footage.frame_counts[cell.clip]),
        thread_count=cell.setting["threads"],
        job_count=cell.setting["jobs"],
        is_pinned=cell.setting["pinned"],
        scratch_dir=scratch_dir,
    )


GRID: Final = TaskSpec(
    name="grid",
    label="encoding in several jobs",
    verb="encode",
    axes=("threads", "jobs", "pinned"),
    settings_model=GridSettings,
    job_model=GridJob,
    measurement_model=GridMeasurement,
    engine_entry="mezzmark.engines.encode.encode:run_grid",
    plan=_plan,
    job=_job,
    work=lambda seen: Work(
        sample_count=1,
        frame_count=sum(seen.measured.window_packets),
        wall_ns=seen.measured.window_ns,
    ),
    figures=(
        Figure(
            name="throughput_fps",
            unit="fps",
            of=lambda seen: (
                sum(seen.measured.window_packets) / (seen.measured.window_ns / NS_PER_S)
            ),
            kind="rate",
            better="more",
            meaning="encode speed of all jobs together",
        ),
        Figure(name="first_file_s", unit="s", of=lambda seen: min(seen.measured.end_ns) / NS_PER_S),
        Figure(
            name="cores_busy",
            unit="cores",
            of=lambda seen: sum(seen.measured.cpu_ns) / max(seen.measured.end_ns),
        ),
        Figure(
            name="peak_rss_bytes", unit="B", of=_peak_memory, meaning="memory of one encode job"
        ),
    ),
    headline="throughput_fps",
    is_free_for_original=True,
    is_best_setting=True,
)

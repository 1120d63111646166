"""The encode grid: jobs × threads, that many encoders released together.

Times inside one trial are nanoseconds after the moment all its jobs were released."""

from collections.abc import Iterator
from typing import Final, Literal

from pydantic import Field

from mezzmark.model.cell import Cell, PlannedTrial, Setting
from mezzmark.model.fact import NS_PER_S, Fact, Positive, Whole, in_order, same_length
from mezzmark.model.footage import RateText
from mezzmark.model.tasks import spec


class GridSettings(Fact):
    """The grid task: that many encoders at once, each with that many threads. Every job encodes the
    same `frames` from its memory to its file. More threads than cores only with `oversubscribe`."""

    jobs: tuple[spec.CountChoice, ...] = Field(default=(1, "half", "all"), min_length=1)
    threads: tuple[spec.CountChoice, ...] = Field(default=(1, "half", "all"), min_length=1)
    frames: int = Field(default=48, ge=8, le=10_000)
    oversubscribe: bool = False
    pin_cores: bool = Field(default=False, description="give every job cores of its own")


class GridJob(spec.EncoderJob):
    """Encode `frame_count` frames in `job_count` processes released together, check every file.
    Each process decodes the frames into its own memory before the release."""

    task: Literal["grid"] = "grid"
    frame_count: int
    job_count: int
    is_pinned: bool


class GridMeasurement(Fact):
    """One trial of `job_count` encoders released together; tuples have one entry per job. Every job
    first decodes and converts the frames into its own memory (`load_ns`), all at once too. The
    common window runs from the release to the end of the job that finished first, so that all jobs
    are at work throughout; `window_packets` counts the packets each job had written by then, which
    are finished frames. Every job decodes its file afterwards (`verify_ns`, all at once):
    `decoded_frame_count` must equal `frame_count`, and `stamps_in_order` is None where the clip
    carries no stamps. Spans that overlap because jobs work side by side are each job's own."""

    task: Literal["grid"] = "grid"
    frame_count: Positive
    frame_rate: RateText
    width_px: Positive
    height_px: Positive
    start_ns: tuple[Whole, ...]
    end_ns: tuple[Positive, ...] = Field(min_length=1)
    cpu_ns: tuple[Whole, ...]
    peak_rss_bytes: tuple[Whole | None, ...]
    window_ns: Positive
    window_packets: tuple[Whole, ...]
    packet_count: tuple[Whole, ...]
    file_bytes: tuple[Whole, ...]
    decoded_frame_count: tuple[Whole, ...]
    stamps_in_order: tuple[bool | None, ...]
    load_ns: tuple[Whole, ...] = ()
    verify_ns: tuple[Whole, ...] = ()
    is_pinned: bool = False

    _one_entry_per_job = same_length(
        *("end_ns", "start_ns", "cpu_ns", "peak_rss_bytes", "window_packets", "packet_count"),
        *("file_bytes", "decoded_frame_count", "stamps_in_order"),
        or_none=("load_ns", "verify_ns"),
    )
    _end_after_start = in_order("start_ns", "end_ns")


def _peak_memory(seen: spec.Seen) -> float | None:
    peaks = [peak for peak in seen.measured.peak_rss_bytes if peak is not None]
    return float(max(peaks)) if peaks else None


def _plan(settings: GridSettings, stock: spec.Stock) -> Iterator[Cell]:
    given = {"pinned": settings.pin_cores}
    splits = [Setting(given, jobs=n, threads=threads) for n, threads in stock.splits(settings)]
    return spec.cells_of("grid", stock.encoded(), splits)


def _job(planned: PlannedTrial, settings: GridSettings, footage: spec.PreparedFootage) -> GridJob:
    cell = planned.cell
    return GridJob.of(
        cell,
        footage,
        frame_count=min(settings.frames, footage.frame_counts[cell.clip]),
        job_count=cell.setting["jobs"],
        is_pinned=cell.setting["pinned"],
    )


_WORK: Final = spec.timed_work(lambda m: sum(m.window_packets), lambda m: m.window_ns)

GRID: Final = spec.TaskSpec(
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
    work=_WORK,
    figures=(
        spec.speed_figure(_WORK, "encode speed of all jobs together"),
        spec.Figure("first_file_s", "s", lambda seen: min(seen.measured.end_ns) / NS_PER_S),
        spec.Figure(
            "cores_busy", "cores", lambda s: sum(s.measured.cpu_ns) / max(s.measured.end_ns)
        ),
        spec.memory_figure("memory of one encode job", _peak_memory),
    ),
    headline="throughput_fps",
    is_free_for_original=True,
    is_best_setting=True,
    busy_ns=lambda measured: max(measured.end_ns),
)

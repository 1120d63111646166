"""Ingest: all clips as one folder, decoded, converted and encoded by a pool of workers; a long
trial heats the machine, so that speeds at both ends are told. Long because a task is one module.

Times inside one trial are nanoseconds after the moment the pool was released."""

from collections.abc import Callable, Iterator, Sequence
from itertools import product
from typing import Annotated, Any, Final, Literal

from pydantic import Field, model_validator

from mezzmark.model.cell import ALL_CLIPS, Cell, PlannedTrial, Setting
from mezzmark.model.encoding import ORIGINAL, Encoding
from mezzmark.model.fact import (
    NS_PER_S,
    Amount,
    Fact,
    Positive,
    Whole,
    grouped,
    in_order,
    same_length,
)
from mezzmark.model.link import Link, ReadSettings
from mezzmark.model.tasks import spec

HEAT_WINDOWS: Final = 5
"""The first and the last minutes are a fifth of a long trial each: of 20 minutes, four."""


class HeatMoment(Fact):
    """What the machine did at a moment of a long trial; None where the system does not tell.
    `throttle_count` counts slowings for heat since the machine started."""

    at_ns: Whole
    frequency_mhz: Amount | None = None
    throttle_count: Whole | None = None
    on_battery: bool | None = None
    battery_fraction: Amount | None = None


Span = tuple[int, int, int]  # A clip, and when it was begun and done


def is_first(start_ns: int, end_ns: int, lasting_ns: int) -> bool:
    """Whether a span lies within the first minutes."""
    return start_ns >= 0 and end_ns <= lasting_ns / HEAT_WINDOWS


def is_last(start_ns: int, end_ns: int, lasting_ns: int) -> bool:
    """Whether a span lies within the last minutes, all workers being at work."""
    return start_ns >= lasting_ns - lasting_ns / HEAT_WINDOWS and end_ns <= lasting_ns


def heat_speeds(
    spans: Sequence[Span], pixels: Sequence[int], *, worker_count: int, lasting_ns: int
) -> tuple[float, float] | None:
    """Pixels, in 10⁶ a second, of all workers in the first and in the last minutes, over the clips
    that were begun and done in both, so that both are of the same work: total pixels / the clips'
    mean seconds. None where no clip was, or none took time; `pixels` are those of each clip."""
    ends = [
        grouped((clip, end - start) for clip, start, end in spans if lies(start, end, lasting_ns))
        for lies in (is_first, is_last)
    ]
    common = sorted(ends[0].keys() & ends[1].keys())
    work = sum(pixels[clip] for clip in common) * worker_count / 1e6
    first, last = (
        sum(sum(times[clip]) / len(times[clip]) for clip in common) / NS_PER_S for times in ends
    )
    return (work / first, work / last) if first > 0 and last > 0 else None


WorkerCount = Annotated[int, Field(ge=1, le=16_384)]
"""A farm of 128 machines of 128 cores; a figure has a row for each."""

ClipOrder = Literal["fifo", "longest-first"]
"""`fifo`: as the folder lists them; `longest-first`: by falling number of pixels to encode."""


class HostSplit(Fact):
    """How a host of a fleet ingests: so many clips at a time, a process of `threads` each."""

    host: str
    encoding: str
    jobs: Positive
    threads: Positive


class IngestSettings(ReadSettings):
    """The ingest task: all clips as one folder, decoded, converted and encoded by a worker pool.
    What it makes is written to where it reads: over the link, or to the root. `height_px` resizes
    (keeping the shape); None keeps the clips' own size. With `minutes` the pool goes through the
    folder again and again for so long in each trial. With `hosts`, which `fleet ingest` fills in,
    cells are those of all hosts together and of each alone."""

    jobs: tuple[spec.CountChoice, ...] = Field(default=(1, "all"), min_length=1)
    threads: tuple[spec.CountChoice, ...] = Field(default=(1,), min_length=1)
    orders: tuple[ClipOrder, ...] = Field(default=("longest-first",), min_length=1)
    height_px: int | None = Field(default=None, ge=64, le=8192, multiple_of=2)
    oversubscribe: bool = False
    minutes: int | None = Field(default=None, ge=1, le=1440, description="again and again")
    hosts: tuple[HostSplit, ...] = Field(default=(), description="filled in by `fleet ingest`")
    alone: bool = Field(default=True, description="each of the hosts alone too")

    def host_groups(self, encoding: str) -> dict[str, tuple[HostSplit, ...]]:
        """Value of the axis `hosts` → who takes part; that of all sorts first."""
        mine = tuple(split for split in self.hosts if split.encoding == encoding)
        every = {f"all of {', '.join(split.host for split in mine)}": mine}
        is_each = self.alone or len(mine) == 1
        each = {f"only {one.host}": (one,) for one in mine if is_each}
        return (every if len(mine) > 1 else {}) | each


class IngestSource(Fact):
    """A clip's first `frame_count` frames, with sound, timecode and tags if it `is_own`."""

    clip: str
    media: spec.MediaReference
    frame_count: int
    is_own: bool = False


class IngestJob(Fact):
    """Encode a folder with a pool of `job_count` worker processes of `thread_count` threads. Files
    are written to `scratch_dir` as in `EncoderJob`; the sources are opened read-only. A job for
    `hosts` is handed out clip by clip, by their own splits, and none that a worker does. For
    `lasting_s` seconds clips are taken again and again; of their files the first ones stay."""

    task: Literal["ingest"] = "ingest"
    sources: tuple[IngestSource, ...]
    encoding: Encoding
    thread_count: int
    job_count: int
    order: ClipOrder
    height_px: int | None
    scratch_dir: str
    link: Link | None = None
    is_cold: bool = False
    hosts: tuple[HostSplit, ...] = ()
    lasting_s: float = 0.0


class IngestMeasurement(Fact):
    """One trial of ingesting a folder; tuples have one entry per clip, in the folder's order.
    `end_ns` is when the clip's file stood verified under its own name. `is_verified` says that it
    was decoded again and had as many frames as went in, in order. `wait_ns` is how long it waited
    for storage, empty where nobody looked. `hosts` is who took it, where several machines did: then
    its time runs from when it was sent there until home had the answer, by home's clock. Where the
    folder was ingested again and again for `lasting_ns`, all this is of the first time, and
    `later_clip` (an index), `later_start_ns` and `later_end_ns` are of each clip after it, in the
    order in which they were taken; `moments` are those of the machine meanwhile."""

    task: Literal["ingest"] = "ingest"
    clips: tuple[str, ...] = Field(min_length=1)
    frame_count: tuple[Positive, ...]
    width_px: tuple[Positive, ...]
    height_px: tuple[Positive, ...]
    source_bytes: tuple[Whole, ...]
    start_ns: tuple[Whole, ...]
    encoded_ns: tuple[Whole, ...]
    end_ns: tuple[Positive, ...]
    worker_index: tuple[Whole, ...]
    cpu_ns: tuple[Whole, ...]
    file_bytes: tuple[Whole, ...]
    is_verified: tuple[bool, ...]
    worker_count: WorkerCount
    wait_ns: tuple[Whole, ...] = ()
    hosts: tuple[str, ...] = ()
    lasting_ns: Whole = 0
    later_clip: tuple[Whole, ...] = ()
    later_start_ns: tuple[Whole, ...] = ()
    later_end_ns: tuple[Whole, ...] = ()
    moments: tuple[HeatMoment, ...] = ()

    _one_entry_per_clip = same_length(
        *("clips", "frame_count", "width_px", "height_px", "source_bytes", "start_ns"),
        *("encoded_ns", "end_ns", "worker_index", "cpu_ns", "file_bytes", "is_verified"),
        or_none=("wait_ns", "hosts"),
    )
    _one_entry_per_later_clip = same_length("later_clip", "later_start_ns", "later_end_ns")
    _end_after_start = in_order("start_ns", "encoded_ns", "end_ns")
    _later_end_after_start = in_order("later_start_ns", "later_end_ns")

    @property
    def pixels(self) -> list[int]:
        """Of each clip as it was ingested."""
        sizes = zip(self.frame_count, self.width_px, self.height_px, strict=True)
        return [frames * width * height for frames, width, height in sizes]

    @model_validator(mode="after")
    def _of_these_clips_and_workers(self) -> "IngestMeasurement":
        if any(clip >= len(self.clips) for clip in self.later_clip):
            raise ValueError("later_clip names a clip that is not in clips")
        if max(self.worker_index) >= self.worker_count:
            raise ValueError("worker_index names a worker beyond worker_count")
        return self


def _heat(read: Callable[[float, float], float]) -> Callable[[spec.Seen], float | None]:
    """A figure of the speeds in the first and in the last minutes."""

    def figure(seen: spec.Seen) -> float | None:
        measured: IngestMeasurement = seen.measured
        starts, ends = measured.start_ns, measured.end_ns
        first = zip(range(len(starts)), starts, ends, strict=True)
        columns = measured.later_clip, measured.later_start_ns, measured.later_end_ns
        speeds = heat_speeds(
            [*first, *zip(*columns, strict=True)],
            measured.pixels,
            worker_count=measured.worker_count,
            lasting_ns=measured.lasting_ns,
        )
        return read(*speeds) if speeds else None

    return figure


def _makespan_s(seen: spec.Seen) -> float:
    measured: IngestMeasurement = seen.measured
    return max(measured.end_ns) / NS_PER_S


def _pixel_rate(seen: spec.Seen) -> float:
    """Pixels of the clips as ingested, in 10⁶ a second, so that folders of other sizes compare."""
    measured: IngestMeasurement = seen.measured
    return sum(measured.pixels) / _makespan_s(seen) / 1e6


def _idle_fraction(seen: spec.Seen) -> float:
    """The share of the workers' time until the last file stood in which they had no clip."""
    measured: IngestMeasurement = seen.measured
    spans = zip(measured.start_ns, measured.end_ns, strict=True)
    busy_ns = sum(end - start for start, end in spans)
    return max(0.0, 1 - busy_ns / NS_PER_S / (measured.worker_count * _makespan_s(seen)))


def _wait_fraction(seen: spec.Seen) -> float | None:
    """The share of the workers' time until the last file stood in which they waited for storage."""
    measured: IngestMeasurement = seen.measured
    waited_s = sum(measured.wait_ns) / NS_PER_S
    return waited_s / (measured.worker_count * _makespan_s(seen)) if measured.wait_ns else None


def _plan(settings: IngestSettings, stock: spec.Stock) -> Iterator[Cell]:
    axes = settings.read_axes(stock)
    reads = [Setting(dict(zip(axes, values, strict=True))) for values in product(*axes.values())]
    for name in stock.encodings:
        if name == ORIGINAL or not all((clip, name) in stock.media for clip in stock.clips):
            continue
        shares: list[dict[str, Any]]
        shares = [{"jobs": jobs, "threads": threads} for jobs, threads in stock.splits(settings)]
        if settings.hosts:
            shares = [{"hosts": hosts} for hosts in settings.host_groups(name)]
        for share, order, read in product(shares, settings.orders, reads):
            setting = read.but(
                **share,
                clip_order=order,
                delivery_height=settings.height_px,
                minutes=settings.minutes,
            )
            yield Cell(task="ingest", clip=ALL_CLIPS, encoding=name, setting=setting)


def _job(
    planned: PlannedTrial, settings: IngestSettings, footage: spec.PreparedFootage
) -> IngestJob:
    cell, counts = planned.cell, footage.frame_counts
    return IngestJob(
        sources=tuple(
            IngestSource(
                clip=clip,
                media=footage.media[clip, ORIGINAL],
                frame_count=counts[clip],
                is_own=clip in footage.own,
            )
            for clip in footage.clips
        ),
        encoding=footage.encoding(cell.encoding),
        thread_count=cell.setting["threads"],
        job_count=cell.setting["jobs"],
        order=cell.setting["clip_order"],
        height_px=cell.setting["delivery_height"],
        scratch_dir=footage.scratch_dir,
        hosts=settings.host_groups(cell.encoding).get(cell.setting["hosts"], ()),
        lasting_s=60.0 * (cell.setting["minutes"] or 0),
        **settings.read_as(cell.setting),
    )


_WORK: Final = spec.timed_work(lambda m: sum(m.frame_count), lambda m: max(m.end_ns))

INGEST: Final = spec.TaskSpec(
    name="ingest",
    label="ingest",
    verb="ingest",
    axes=(
        *("threads", "jobs", "clip_order", "delivery_height", "link", "cache", "root"),
        *("minutes", "hosts"),
    ),
    settings_model=IngestSettings,
    job_model=IngestJob,
    measurement_model=IngestMeasurement,
    engine_entry="mezzmark.engines.encode.ingest:run_ingest",
    plan=_plan,
    job=_job,
    work=_WORK,
    makes_whole_files=True,
    figures=(
        spec.speed_figure(_WORK, "ingest speed"),
        spec.Figure("makespan_s", "s", _makespan_s, meaning="time to ingest the folder"),
        spec.Figure("pixel_rate_mpx_s", "Mpx/s", _pixel_rate, better="more"),
        spec.Figure("idle_fraction", "", _idle_fraction, kind="share"),
        spec.Figure("wait_fraction", "", _wait_fraction, kind="share"),
        spec.Figure(
            "cores_busy", "cores", lambda s: sum(s.measured.cpu_ns) / NS_PER_S / _makespan_s(s)
        ),
        spec.Figure("first_mpx_s", "Mpx/s", _heat(lambda first, _: first), better="more"),
        spec.Figure("last_mpx_s", "Mpx/s", _heat(lambda _, last: last), better="more"),
        spec.Figure("heat_ratio", "", _heat(lambda first, last: last / first), better="more"),
    ),
    headline="makespan_s",
    is_free_for_original=True,
    is_best_setting=True,
    busy_ns=lambda measured: max(measured.end_ns),
)

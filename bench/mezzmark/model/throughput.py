"""The throughput tasks: jobs × threads, a folder's ingest, delivery; settings and records.

Times inside one trial are nanoseconds after the moment all its jobs were released.
"""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from mezzmark.model.fact import Fact

CountChoice = Annotated[int, Field(ge=1, le=512)] | Literal["half", "all"]
"""1, 2, … or a share of the machine's cores."""

ClipOrder = Literal["fifo", "longest-first"]
"""`fifo`: as the folder lists them; `longest-first`: by falling number of pixels to encode."""

Passes = Literal[1, 2]


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


class IngestSettings(Fact):
    """The ingest task: all clips as one folder, decoded, converted and encoded by a worker pool.

    `height_px` resizes (keeping the shape); None keeps the clips' own size.
    """

    jobs: tuple[CountChoice, ...] = Field(default=(1, "all"), min_length=1)
    threads: tuple[CountChoice, ...] = Field(default=(1,), min_length=1)
    orders: tuple[ClipOrder, ...] = Field(default=("longest-first",), min_length=1)
    height_px: int | None = Field(default=None, ge=64, le=8192, multiple_of=2)
    oversubscribe: bool = False


class DeliverySettings(Fact):
    """The delivery task: an encoding decoded and encoded again for the viewer."""

    codec: Literal["AVC", "HEVC"] = "AVC"
    bitrate_bps: int = Field(default=12_000_000, ge=100_000, le=800_000_000)
    passes: tuple[Passes, ...] = Field(default=(1, 2), min_length=1)
    preset: Literal["ultrafast", "veryfast", "fast", "medium", "slow"] = "medium"
    threads: tuple[CountChoice, ...] = Field(default=("all",), min_length=1)
    height_px: int | None = Field(default=None, ge=64, le=8192, multiple_of=2)
    frames: int = Field(default=48, ge=8, le=100_000)


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
        _same_length(self, "start_ns", "end_ns", "cpu_ns", "window_packets", "packet_count")
        return self


class IngestMeasurement(Fact):
    """One trial of ingesting a folder; tuples have one entry per clip, in the folder's order.

    `end_ns` is when the clip's file stood verified under its own name. `is_verified` says that it
    was decoded again and had as many frames as went in, in order.
    """

    task: Literal["ingest"] = "ingest"
    clips: tuple[str, ...]
    frame_count: tuple[int, ...]
    width_px: tuple[int, ...]
    height_px: tuple[int, ...]
    source_bytes: tuple[int, ...]
    start_ns: tuple[int, ...]
    encoded_ns: tuple[int, ...]
    end_ns: tuple[int, ...]
    worker_index: tuple[int, ...]
    cpu_ns: tuple[int, ...]
    file_bytes: tuple[int, ...]
    is_verified: tuple[bool, ...]
    worker_count: int

    @model_validator(mode="after")
    def _one_entry_per_clip(self) -> "IngestMeasurement":
        _same_length(self, "clips", "frame_count", "start_ns", "end_ns", "worker_index")
        return self


class DeliveryMeasurement(Fact):
    """One trial of exporting an encoding; `pass_ns` and `pass_cpu_ns` have one entry per pass.

    `decode_ns` is a decode of the same frames alone, so that it shows how much of the export the
    encoding's own decode costs.
    """

    task: Literal["delivery"] = "delivery"
    frame_count: int
    decoded_frame_count: int
    stamps_in_order: bool | None
    pass_ns: tuple[int, ...]
    pass_cpu_ns: tuple[int, ...]
    decode_ns: int
    file_bytes: int
    packet_bytes: int
    frame_rate: str
    width_px: int
    height_px: int


def _same_length(fact: Fact, *names: str) -> None:
    lengths = {len(getattr(fact, name)) for name in names}
    if len(lengths) > 1:
        raise ValueError(f"{', '.join(names)} must have the same length")

"""What a finished trial leaves behind: raw integer nanoseconds and proofs, nothing derived."""

from typing import Annotated, Final, Literal

from pydantic import Field

from mezzmark.model.cell import Cell
from mezzmark.model.fact import Fact
from mezzmark.model.fidelity import FidelityMeasurement
from mezzmark.model.throughput import DeliveryMeasurement, GridMeasurement, IngestMeasurement

RECORD_SCHEMA: Final = 1
"""Version of one line of `trials.jsonl`. 1: first published form."""

Proof = Literal["right", "alike", "wrong", "unreadable", "missing"]
"""What is known of the picture a playhead move brought:

right       stamp and/or digest say it is the frame asked for
alike       its digest fits, but another frame of the clip looks exactly the same
wrong       it is another frame, or the right one damaged
unreadable  neither stamp nor digest could decide
missing     no picture came
"""


class ScrubMeasurement(Fact):
    """One trial of playhead moves; all tuples have one entry per move, in order.

    A move's latency is locate + decode + present. `overhead_ns` is the harness's own cost beside
    it (proof excluded), measured and stored, never subtracted.
    """

    task: Literal["scrub"] = "scrub"
    clip_position: tuple[int, ...]
    frame_index: tuple[int, ...]
    locate_ns: tuple[int, ...]
    decode_ns: tuple[int, ...]
    present_ns: tuple[int, ...]
    overhead_ns: tuple[int, ...]
    decoded_frames: tuple[int, ...]
    read_bytes: tuple[int, ...]
    shown_frame: tuple[int, ...]
    proof: tuple[Proof, ...]
    open_ns: tuple[int, ...]


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


class KernelMeasurement(Fact):
    """Repeats of the fixed reference workload in one trial."""

    task: Literal["kernel"] = "kernel"
    wall_ns: tuple[int, ...]


Measurement = Annotated[
    ScrubMeasurement
    | EncodeMeasurement
    | GridMeasurement
    | IngestMeasurement
    | DeliveryMeasurement
    | FidelityMeasurement
    | KernelMeasurement,
    Field(discriminator="task"),
]


class HostMoment(Fact):
    """What the machine did around one trial; None where the OS does not tell.

    Fractions are of all cores over the trial. Pressure is the share of time in which some task
    waited (Linux PSI "some"): before a trial over the last 10 s, during it over the trial.
    `throttle_count` counts slowings for heat: before a trial since the machine started, during it
    those of the trial.
    """

    load_average_1m: float | None = None
    steal_fraction: float | None = None
    busy_fraction: float | None = None
    frequency_mhz: float | None = None
    cpu_pressure: float | None = None
    io_pressure: float | None = None
    memory_pressure: float | None = None
    throttle_count: int | None = None


class ProcessFacts(Fact):
    """What the trial's own process used."""

    cpu_ns: int
    peak_rss_bytes: int | None = None
    voluntary_switches: int | None = None
    involuntary_switches: int | None = None


Outcome = Literal["finished", "failed", "crashed", "timed_out"]


class Trial(Fact):
    """One line of `trials.jsonl`."""

    schema_version: Literal[1] = RECORD_SCHEMA
    round_index: int
    position: int
    cell: Cell
    seed: int
    started_utc: str
    wall_ns: int
    outcome: Outcome
    reason: str = ""
    measurement: Measurement | None = None
    process: ProcessFacts | None = None
    host_before: HostMoment = HostMoment()
    host_during: HostMoment = HostMoment()

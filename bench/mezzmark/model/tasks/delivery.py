"""Delivery: an encoding decoded and encoded again for the viewer, in one pass or two."""

from collections.abc import Iterator
from itertools import product
from typing import Final, Literal

from pydantic import Field

from mezzmark.model.cell import Cell, PlannedTrial, Setting
from mezzmark.model.fact import BitRate, Fact, Positive, Whole, same_length
from mezzmark.model.footage import RateText
from mezzmark.model.tasks import spec

Passes = Literal[1, 2]


class DeliverySettings(Fact):
    """The delivery task: an encoding decoded and encoded again for the viewer."""

    codec: Literal["AVC", "HEVC"] = "AVC"
    bitrate_bps: BitRate = Field(default=12_000_000, ge=100_000, le=800_000_000)
    passes: tuple[Passes, ...] = Field(default=(1, 2), min_length=1)
    preset: Literal["ultrafast", "veryfast", "fast", "medium", "slow"] = "medium"
    threads: tuple[spec.CountChoice, ...] = Field(default=("all",), min_length=1)
    height_px: int | None = Field(default=None, ge=64, le=8192, multiple_of=2)
    frames: int = Field(default=48, ge=8, le=100_000)


class DeliveryJob(Fact):
    """Export `frame_count` frames of a prepared encoding in one or two passes."""

    task: Literal["delivery"] = "delivery"
    source: spec.MediaReference
    frame_count: int
    settings: DeliverySettings
    passes: Passes
    thread_count: int
    scratch_dir: str


class DeliveryMeasurement(Fact):
    """One trial; `pass_…` have an entry a pass, `decode_ns` is of decoding the frames alone."""

    task: Literal["delivery"] = "delivery"
    frame_count: Positive
    decoded_frame_count: Whole
    stamps_in_order: bool | None
    pass_ns: tuple[Positive, ...] = Field(min_length=1)
    pass_cpu_ns: tuple[Whole, ...]
    decode_ns: Whole
    file_bytes: Whole
    packet_bytes: Whole
    frame_rate: RateText
    width_px: Positive
    height_px: Positive

    _one_entry_per_pass = same_length("pass_ns", "pass_cpu_ns")


def _decode_fraction(seen: spec.Seen) -> float:
    """The share of the export that decoding alone would take."""
    measured: DeliveryMeasurement = seen.measured
    return measured.decode_ns * len(measured.pass_ns) / sum(measured.pass_ns)


def _plan(settings: DeliverySettings, stock: spec.Stock) -> Iterator[Cell]:
    # Nobody delivers a proxy.
    pairs = [pair for pair in stock.present() if pair[1] not in stock.proxies]
    ways = product(stock.counts(settings.threads), settings.passes)
    given = {"delivery_height": settings.height_px}
    return spec.cells_of("delivery", pairs, [Setting(given, threads=n, passes=p) for n, p in ways])


def _job(
    planned: PlannedTrial, settings: DeliverySettings, footage: spec.PreparedFootage
) -> DeliveryJob:
    cell = planned.cell
    return DeliveryJob(
        source=footage.media[cell.clip, cell.encoding],
        frame_count=min(settings.frames, footage.frame_counts[cell.clip]),
        settings=settings,
        passes=cell.setting["passes"],
        thread_count=cell.setting["threads"],
        scratch_dir=footage.scratch_dir,
    )


_WORK: Final = spec.timed_work(lambda m: m.frame_count, lambda m: sum(m.pass_ns))

DELIVERY: Final = spec.TaskSpec(
    name="delivery",
    label="delivery",
    verb="export",
    axes=("threads", "delivery_height", "passes"),
    settings_model=DeliverySettings,
    job_model=DeliveryJob,
    measurement_model=DeliveryMeasurement,
    engine_entry="mezzmark.engines.encode.delivery:run_delivery",
    plan=_plan,
    job=_job,
    work=_WORK,
    figures=(
        spec.speed_figure(_WORK, "export speed"),
        spec.Figure("decode_fraction", "", _decode_fraction),
        spec.Figure(
            "cores_busy", "cores", lambda s: sum(s.measured.pass_cpu_ns) / sum(s.measured.pass_ns)
        ),
        spec.Figure("file_bytes", "B", lambda seen: float(seen.measured.file_bytes)),
    ),
    headline="throughput_fps",
    reads_encoded_file=True,
    is_best_setting=True,
    busy_ns=lambda measured: sum(measured.pass_ns) + measured.decode_ns,
)

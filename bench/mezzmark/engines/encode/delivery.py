"""The delivery task: a finished encoding decoded and encoded once more in each pass, as an export
does; and the time of decoding alone, to show how much of the export that costs."""

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from mezzmark.engines.encode import encoded_file
from mezzmark.engines.encode.encoders import PLAIN_ENCODERS
from mezzmark.engines.media.conversion import read_pictures
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.host.common import read_process_facts
from mezzmark.model.encoding import Encoding
from mezzmark.model.footage import FrameIndex, constant_rate
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks.delivery import DeliveryJob, DeliveryMeasurement, DeliverySettings

KEYFRAME_INTERVAL_S: Final = 2
"""What streaming services ask for; common practice."""


def run_delivery(job: DeliveryJob, clock_ns: Callable[[], int]) -> Measured:
    """Export the first `job.frame_count` pictures in one or two passes, timed; prove the file.
    EncodingError if it is not whole or cannot be encoded, EngineError without the encoder."""
    index = encoded_file.first_frames(read_frame_index(job.source.index_path), job.frame_count)
    path = Path(job.scratch_dir) / "delivery.mp4"
    start_ns = clock_ns()
    for _ in read_pictures(job.source.media_path, index, thread_count=job.thread_count):
        pass
    decode_ns = clock_ns() - start_ns
    passes = _time_passes(job, index, path, clock_ns)
    process = read_process_facts()
    size = encoded_file.fitted_size(index.width_px, index.height_px, job.settings.height_px)
    is_resized = size != (index.width_px, index.height_px)
    found = encoded_file.read_encoded(path, is_stamped=index.is_stamped)
    # Nothing is said of stamps that were resized.
    entered = index.model_copy(update={"is_stamped": False}) if is_resized else index
    where, remedy = f"delivery as {job.settings.codec}", "Raise delivery.bitrate_bps."
    in_order = encoded_file.refuse_lost_pictures(entered, found.index, where=where, remedy=remedy)
    measurement = DeliveryMeasurement(
        frame_count=index.frame_count,
        decoded_frame_count=found.index.frame_count,
        stamps_in_order=in_order,
        pass_ns=tuple(wall_ns for wall_ns, _ in passes),
        pass_cpu_ns=tuple(cpu_ns for _, cpu_ns in passes),
        decode_ns=decode_ns,
        file_bytes=found.index.file_bytes,
        packet_bytes=found.packet_bytes,
        frame_rate=str(constant_rate(index)),
        width_px=size[0],
        height_px=size[1],
    )
    return Measured(measurement=measurement, process=process)


def _time_passes(
    job: DeliveryJob, index: FrameIndex, path: Path, clock_ns: Callable[[], int]
) -> list[tuple[int, int]]:
    """Each pass's time by the clock and on the CPU, in ns; the last pass writes `path`."""
    times_ns = []
    for number in range(1, job.passes + 1):
        target = path if number == job.passes else path.with_name("first-pass.mp4")
        encoding = delivery_encoding(
            job.settings,
            frame_rate=float(constant_rate(index)),
            pass_number=number if job.passes > 1 else None,
            statistics_path=path.with_name("passes.log"),
        )
        start_ns, start_cpu_ns = clock_ns(), time.process_time_ns()
        encoded_file.encode_clip(
            job.source.media_path,
            index,
            target,
            encoding=encoding,
            thread_count=job.thread_count,
            height_px=job.settings.height_px,
        )
        wall_ns = clock_ns() - start_ns
        times_ns.append((wall_ns, time.process_time_ns() - start_cpu_ns))
    return times_ns


def delivery_encoding(
    settings: DeliverySettings, *, frame_rate: float, pass_number: int | None, statistics_path: Path
) -> Encoding:
    """The delivery as an encoding; `pass_number` None for a single pass."""
    options: dict[str, str] = {"preset": settings.preset}
    thread_options: dict[str, str] = {}
    # A colon would end the encoder's own option, and absolute paths have one on some systems.
    log = os.path.relpath(statistics_path)
    if settings.codec == "AVC":
        if pass_number is not None:
            options |= {"flags": f"+pass{pass_number}", "passlogfile": log}
    else:
        thread_options["x265-params"] = "pools={threads}:log-level=none"
        if pass_number is not None:
            options["x265-params"] = f"pass={pass_number}:stats={log}"
    return Encoding(
        name=f"{settings.codec} delivery",
        codec=settings.codec,
        encoder=PLAIN_ENCODERS[settings.codec],
        container="mp4",
        pixel_format="yuv420p",
        options=options,
        thread_options=thread_options,
        bitrate_bps=settings.bitrate_bps,
        keyframe_interval=max(1, round(KEYFRAME_INTERVAL_S * frame_rate)),
        b_frames=3,
        is_intra=False,
    )

"""Trials of the throughput tasks with known times, in place of encoders and folders."""

from collections.abc import Mapping

from mezzmark.facts.cells import ALL_CLIPS, Cell
from mezzmark.facts.records import Trial
from mezzmark.facts.throughput import (
    ClipOrder,
    DeliveryMeasurement,
    GridMeasurement,
    IngestMeasurement,
)

SECOND = 10**9


def finished_trial(cell: Cell, round_index: int, measurement: object) -> Trial:
    """A trial that ended well with this measurement."""
    return Trial(
        round_index=round_index,
        position=0,
        cell=cell,
        seed=1,
        started_utc="2026-03-01T10:00:00Z",
        wall_ns=SECOND,
        outcome="finished",
        measurement=measurement,
    )


def grid_trial(
    encoding: str, jobs: int, round_index: int, fps: float, *, threads: int = 1
) -> Trial:
    """So many jobs, each done with 100 frames of the clip when all have made `fps` together."""
    window_ns = round(100 * jobs / fps * SECOND)
    measured = GridMeasurement(
        frame_count=100,
        frame_rate="24",
        width_px=1920,
        height_px=1080,
        start_ns=(0,) * jobs,
        end_ns=(window_ns,) * jobs,
        cpu_ns=(window_ns,) * jobs,
        peak_rss_bytes=(2 * 10**8,) * jobs,
        window_ns=window_ns,
        window_packets=(100,) * jobs,
        packet_count=(100,) * jobs,
        file_bytes=(1,) * jobs,
        decoded_frame_count=(100,) * jobs,
        stamps_in_order=(True,) * jobs,
        load_ns=(window_ns,) * jobs,
        verify_ns=(window_ns,) * jobs,
    )
    cell = Cell(
        task="grid", clip="street at dusk", encoding=encoding, job_count=jobs, thread_count=threads
    )
    return finished_trial(cell, round_index, measured)


def ingest_trial(
    encoding: str, round_index: int, *, order: ClipOrder = "fifo", late_s: int = 0
) -> Trial:
    """One clip by the second of two workers: 2 s to encode it, read back `late_s` after 3.0 s, and
    a tenth of a second later in each further round."""
    end_ns = late_s * SECOND + (30 + round_index) * SECOND // 10
    times_ns = {"street at dusk": (0, 2 * SECOND, end_ns)}
    return _ingest(encoding, round_index, times_ns, order=order)


def long_ingest_trial(encoding: str, round_index: int, seconds: Mapping[str, int]) -> Trial:
    """Clips that one worker takes one after the other, each for so many seconds, of which the
    last tenth of a second is for reading it back."""
    times_ns, now_ns = {}, 0
    for clip, duration_s in seconds.items():
        done_ns = now_ns + duration_s * SECOND
        times_ns[clip] = (now_ns, done_ns - SECOND // 10, done_ns)
        now_ns = done_ns
    return _ingest(encoding, round_index, times_ns)


def _ingest(
    encoding: str,
    round_index: int,
    times_ns: Mapping[str, tuple[int, int, int]],
    *,
    order: ClipOrder = "fifo",
) -> Trial:
    count = len(times_ns)
    start_ns, encoded_ns, end_ns = zip(*times_ns.values(), strict=True)
    measured = IngestMeasurement(
        clips=tuple(times_ns),
        frame_count=(96,) * count,
        width_px=(1920,) * count,
        height_px=(1080,) * count,
        source_bytes=(1,) * count,
        start_ns=start_ns,
        encoded_ns=encoded_ns,
        end_ns=end_ns,
        worker_index=(1,) * count,
        cpu_ns=(SECOND,) * count,
        file_bytes=(1,) * count,
        is_verified=(True,) * count,
        worker_count=2,
    )
    cell = Cell(task="ingest", clip=ALL_CLIPS, encoding=encoding, job_count=2, order=order)
    return finished_trial(cell, round_index, measured)


def delivery_trial(encoding: str, passes: int, round_index: int) -> Trial:
    """An export of 100 frames whose every pass takes about a second."""
    measured = DeliveryMeasurement(
        frame_count=100,
        decoded_frame_count=100,
        stamps_in_order=True,
        pass_ns=(SECOND + round_index * 10**6,) * passes,
        pass_cpu_ns=(SECOND,) * passes,
        decode_ns=SECOND // 4,
        file_bytes=1,
        packet_bytes=1,
        frame_rate="24",
        width_px=1920,
        height_px=1080,
    )
    cell = Cell(task="delivery", clip="street at dusk", encoding=encoding, passes=passes)
    return finished_trial(cell, round_index, measured)

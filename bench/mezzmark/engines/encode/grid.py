"""The grid task: several encoders at once, released together, each timed and proved.

Clock readings of different processes are compared: the monotonic clock is one for the whole
machine on Linux, macOS and Windows.
"""

import gc
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import psutil
from av.error import FFmpegError
from av.video.frame import VideoFrame

from mezzmark.engines.encode.encode import (
    MEMORY_FRACTION,
    encoder_gave_up,
    first_frames,
    frame_bytes,
    open_encoder,
    read_encoded,
    stamps_agree,
)
from mezzmark.engines.encode.process_pool import ProcessPool, run_parallel
from mezzmark.engines.media.conversion import Converter, read_pictures
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.media.probe import probe_media
from mezzmark.host.common import read_process_facts
from mezzmark.model.catalogue.core import check_frame
from mezzmark.model.errors import EncodingError, ScenarioError
from mezzmark.model.footage import ColourTags, FrameIndex, constant_rate
from mezzmark.model.jobs import GridJob, Measured
from mezzmark.model.throughput import GridMeasurement

_NS_PER_S: Final = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class _Share:
    """What every worker is told."""

    job: GridJob
    index: FrameIndex
    clock_ns: Callable[[], int]


@dataclass(frozen=True, slots=True, kw_only=True)
class _JobResult:
    """What one worker measured; clock readings are absolute."""

    load_ns: int
    released_ns: int
    end_ns: int
    cpu_ns: int
    packet_ns: tuple[int, ...]
    peak_rss_bytes: int | None
    verify_ns: int
    file_bytes: int
    decoded_frame_count: int
    stamps_in_order: bool | None
    is_pinned: bool


def run_grid(job: GridJob, clock_ns: Callable[[], int]) -> Measured:
    """Encode the same pictures in `job.job_count` processes at once; every file is proved.

    Raises EncodingError when the encoding cannot hold the clip or a file lost pictures,
    ScenarioError when memory does not suffice, EngineError when a process died.
    """
    whole = read_frame_index(job.source.index_path)
    frame_rate = constant_rate(whole)
    check_frame(job.encoding, whole.width_px, whole.height_px, frame_rate)
    index = first_frames(whole, job.frame_count)
    _require_memory(job, index)
    share = _Share(job=job, index=index, clock_ns=clock_ns)
    results = run_parallel(_work, share, worker_count=job.job_count)
    measurement = _summarise(results, index, str(frame_rate))
    _refuse_lost_pictures(job, measurement)
    return Measured(measurement=measurement, process=read_process_facts())


def _work(share: _Share, number: int, pool: ProcessPool) -> _JobResult:
    """One worker: load, meet, encode, meet, prove."""
    job, index, clock_ns = share.job, share.index, share.clock_ns
    is_pinned = job.is_pinned and _pin(number, job.thread_count)
    pool.meet()
    start_ns = clock_ns()
    frames, tags = _load(job, index)
    load_ns = clock_ns() - start_ns
    path = Path(job.scratch_dir) / f"job-{number}.{job.encoding.container}"
    released_ns, end_ns, cpu_ns, packet_ns = _encode(share, frames, tags, path, pool)
    peak_rss_bytes = read_process_facts().peak_rss_bytes
    pool.meet()  # nobody proves while another still encodes
    start_ns = clock_ns()
    found = read_encoded(path, is_stamped=index.is_stamped)
    return _JobResult(
        load_ns=load_ns,
        released_ns=released_ns,
        end_ns=end_ns,
        cpu_ns=cpu_ns,
        packet_ns=packet_ns,
        peak_rss_bytes=peak_rss_bytes,
        verify_ns=clock_ns() - start_ns,
        file_bytes=found.index.file_bytes,
        decoded_frame_count=found.index.frame_count,
        stamps_in_order=stamps_agree(index, found.index),
        is_pinned=is_pinned,
    )


def _load(job: GridJob, index: FrameIndex) -> tuple[list[VideoFrame], ColourTags]:
    source = probe_media(job.source.media_path)
    converter = Converter(source, job.encoding.pixel_format, thread_count=job.thread_count)
    pictures = read_pictures(job.source.media_path, index, thread_count=job.thread_count)
    return [converter.convert(picture) for picture in pictures], converter.tags


def _encode(
    share: _Share, frames: list[VideoFrame], tags: ColourTags, path: Path, pool: ProcessPool
) -> tuple[int, int, int, tuple[int, ...]]:
    """Release, end, CPU time, and the clock at each packet written."""
    job, clock_ns = share.job, share.clock_ns
    frame_rate = constant_rate(share.index)
    for place, frame in enumerate(frames):
        frame.pts, frame.time_base = place, 1 / frame_rate
    target = open_encoder(
        path,
        job.encoding,
        size=(frames[0].width, frames[0].height),
        frame_rate=frame_rate,
        time_base=1 / frame_rate,
        tags=tags,
        thread_count=job.thread_count,
    )
    container, track = target.container, target.track
    packet_ns: list[int] = []
    submissions: tuple[VideoFrame | None, ...] = (*frames, None)
    gc.collect()
    gc.disable()
    try:
        pool.start_together(clock_ns)
        released_ns, start_cpu_ns = clock_ns(), time.process_time_ns()
        for submission in submissions:
            for packet in track.encode(submission):
                container.mux(packet)
                packet_ns.append(clock_ns())
        container.close()
        end_ns, cpu_ns = clock_ns(), time.process_time_ns() - start_cpu_ns
    except FFmpegError as error:
        raise encoder_gave_up(job.encoding, path, error) from error
    finally:
        gc.enable()
    return released_ns, end_ns, cpu_ns, tuple(packet_ns)


def _summarise(results: list[_JobResult], index: FrameIndex, frame_rate: str) -> GridMeasurement:
    released_ns = min(result.released_ns for result in results)
    window_end_ns = min(result.end_ns for result in results)
    return GridMeasurement(
        frame_count=index.frame_count,
        frame_rate=frame_rate,
        width_px=index.width_px,
        height_px=index.height_px,
        start_ns=tuple(result.released_ns - released_ns for result in results),
        end_ns=tuple(result.end_ns - released_ns for result in results),
        cpu_ns=tuple(result.cpu_ns for result in results),
        peak_rss_bytes=tuple(result.peak_rss_bytes for result in results),
        window_ns=window_end_ns - released_ns,
        window_packets=tuple(
            sum(moment <= window_end_ns for moment in result.packet_ns) for result in results
        ),
        packet_count=tuple(len(result.packet_ns) for result in results),
        file_bytes=tuple(result.file_bytes for result in results),
        decoded_frame_count=tuple(result.decoded_frame_count for result in results),
        stamps_in_order=tuple(result.stamps_in_order for result in results),
        load_ns=tuple(result.load_ns for result in results),
        verify_ns=tuple(result.verify_ns for result in results),
        is_pinned=all(result.is_pinned for result in results),
    )


def _refuse_lost_pictures(job: GridJob, measured: GridMeasurement) -> None:
    """A cell whose files are not whole has no speed."""
    is_whole = all(count == measured.frame_count for count in measured.decoded_frame_count)
    if not is_whole or False in measured.stamps_in_order:
        raise EncodingError(
            where=f'encoding "{job.encoding.name}"',
            what=f"of {measured.frame_count} pictures the jobs' files hold "
            f"{', '.join(map(str, measured.decoded_frame_count))}, or their order is wrong",
            remedy="Raise its quality, or leave the encoding out.",
        )


def _pin(number: int, thread_count: int) -> bool:
    """Give this process cores of its own; False where the system cannot, or has too few."""
    process = psutil.Process()
    if not hasattr(process, "cpu_affinity"):
        return False
    usable = process.cpu_affinity()
    mine = usable[number * thread_count : (number + 1) * thread_count]
    if len(mine) < thread_count:
        return False
    process.cpu_affinity(mine)
    return True


def _require_memory(job: GridJob, index: FrameIndex) -> None:
    needed_bytes = job.job_count * index.frame_count * frame_bytes(job.encoding.pixel_format, index)
    free_bytes = psutil.virtual_memory().available
    if needed_bytes > MEMORY_FRACTION * free_bytes:
        fitting = int(MEMORY_FRACTION * free_bytes * index.frame_count / needed_bytes)
        raise ScenarioError(
            where="grid.frames",
            what=f"{job.job_count} jobs of {index.frame_count} pictures need "
            f"{needed_bytes / 1e9:.1f} GB of memory and {free_bytes / 1e9:.1f} GB are free",
            remedy=f"Set grid.frames to {max(8, fitting)} or fewer, use fewer jobs, "
            "or free memory.",
        )

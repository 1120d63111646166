"""The encode task: pictures from memory to a finished file, timed, and proved by decoding it."""

import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any, Final

import psutil
from av.video.frame import VideoFrame

from mezzmark.engines.encode import encoded_file
from mezzmark.engines.encode.encoders import open_encoder
from mezzmark.engines.encode.process_pool import ProcessPool, run_parallel
from mezzmark.engines.encode.stored_pictures import read_stored_pictures
from mezzmark.engines.encode.timing import evenly_timed
from mezzmark.engines.media.conversion import read_pictures
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.media.pixels import frame_bytes
from mezzmark.engines.media.probe import probe_media
from mezzmark.engines.media.shape import carry_shape, mark_fields
from mezzmark.host import common
from mezzmark.model.encoding import Encoding, check_frame
from mezzmark.model.errors import ScenarioError, count_text
from mezzmark.model.footage import ColourTags, FrameIndex, MediaFacts, constant_rate
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks.encode import EncodeJob, EncodeMeasurement
from mezzmark.model.tasks.grid import GridJob, GridMeasurement

MEMORY_FRACTION: Final = 0.6
"""Share of the free memory that held pictures may take; the encoder needs some of the rest."""


def run_encode(job: EncodeJob, clock_ns: Callable[[], int]) -> Measured:
    """Hold the clip's first `job.frame_count` pictures in memory (or all, if it is shorter), encode
    them timed, prove it. EncodingError when the encoding cannot hold the clip or loses pictures,
    ScenarioError when memory does not suffice."""
    index = _read_clip(job, where="encode.frames", fewest=2)
    frame_rate, source = constant_rate(index), probe_media(job.source.media_path)
    pixel_format = job.encoding.pixel_format
    path = "" if job.encoding.is_scaled else job.pictures_path  # those stored have the clip's size
    stored = path and read_stored_pictures(path, index, pixel_format)
    frames, tags = stored or load_pictures(
        source, index, job.encoding, thread_count=common.read_usable_core_count()
    )
    made = Path(tempfile.mkdtemp(dir=job.scratch_dir)) / f"encoded.{job.encoding.container}"
    wall_ns, cpu_ns = encode_frames(
        frames,
        job.encoding,
        made,
        frame_rate=frame_rate,
        thread_count=job.thread_count,
        tags=tags,
        clock_ns=clock_ns,
        source=source,
    )
    process = common.read_process_facts()
    is_stamped, is_intra = index.is_stamped, job.encoding.is_intra
    found = encoded_file.read_encoded(made, is_stamped=is_stamped, has_closed_groups=is_intra)
    measurement = EncodeMeasurement(
        frame_count=index.frame_count,
        decoded_frame_count=found.index.frame_count,
        stamps_in_order=encoded_file.stamps_agree(index, found.index),
        wall_ns=wall_ns,
        cpu_ns=cpu_ns,
        file_bytes=found.index.file_bytes,
        packet_bytes=found.packet_bytes,
        stream_digest=found.digest,
        frame_rate=str(frame_rate),
        width_px=index.width_px,
        height_px=index.height_px,
    )
    return Measured(measurement=measurement, process=process)


def encode_frames(
    frames: Sequence[VideoFrame],
    encoding: Encoding,
    path: Path,
    *,
    frame_rate: Fraction,
    thread_count: int,
    tags: ColourTags,
    clock_ns: Callable[[], int],
    source: MediaFacts | None = None,
) -> tuple[int, int]:
    """Encode pictures of one size and format, evenly spaced, to a new file of the `source`'s shape;
    wall and CPU ns, from the first picture submitted to the trailer written; opening the encoder
    and the header come before. The pictures' times are set to 0, 1, 2, … / rate."""
    kinds = {(frame.format.name, frame.width, frame.height) for frame in frames}
    if len(kinds) != 1 or frames[0].format.name != encoding.pixel_format:
        raise ValueError(f"pictures are {kinds}, not all {encoding.pixel_format} of one size")
    # Stored pictures have lost the order of their fields.
    order = source.field_order if source else None
    marked = (mark_fields(frame, order) for frame in frames)
    frames = list(evenly_timed(marked, frame_rate))
    encoder = open_encoder(
        path,
        encoding,
        size=(frames[0].width, frames[0].height),
        frame_rate=frame_rate,
        tags=tags,
        thread_count=thread_count,
        prepare=carry_shape(encoding, source) if source else None,
    )
    with encoder as (container, track), common.no_garbage_collection():
        start_ns, start_cpu_ns = clock_ns(), time.process_time_ns()
        for frame in frames:
            container.mux(track.encode(frame))
        container.mux(track.encode(None))
        container.close()
        return clock_ns() - start_ns, time.process_time_ns() - start_cpu_ns


def load_pictures(
    source: MediaFacts, index: FrameIndex, encoding: Encoding, *, thread_count: int
) -> tuple[list[VideoFrame], ColourTags]:
    """An index's pictures in memory, as the encoding takes them, and what they then mean."""
    size = index.width_px, index.height_px
    converter = encoded_file.converter_for(source, encoding, size, thread_count)
    pictures = read_pictures(source.path, index, thread_count=thread_count)
    return [converter.convert(picture) for picture in pictures], converter.tags


def _read_clip(
    job: EncodeJob | GridJob, *, where: str, fewest: int, job_count: int = 1
) -> FrameIndex:
    """What is to be encoded; EncodingError unless the encoding, ScenarioError unless memory holds
    it for so many jobs. `where` names the key of how many pictures, `fewest` its least."""
    whole, encoding = read_frame_index(job.source.index_path), job.encoding
    check_frame(encoding, whole.width_px, whole.height_px, constant_rate(whole))
    index = encoded_file.first_frames(whole, job.frame_count)
    size = encoding.picture_size(index.width_px, index.height_px)
    picture_bytes = frame_bytes(encoding.pixel_format, *size)
    needed_bytes = job_count * index.frame_count * picture_bytes
    free_bytes = common.read_free_memory_bytes()
    if needed_bytes > MEMORY_FRACTION * free_bytes:
        fitting = int(MEMORY_FRACTION * free_bytes * index.frame_count / needed_bytes)
        jobs = f"{job_count} jobs of " if job_count > 1 else ""
        pictures = count_text(index.frame_count, "picture")
        sizes = f"{needed_bytes / 1e9:.1f} GB of memory and {free_bytes / 1e9:.1f} GB are free"
        what = f"{jobs}{pictures} as {encoding.pixel_format} need {sizes}"
        remedy = f"Set {where} to {max(fewest, fitting)} or fewer, or free memory."
        raise ScenarioError(where=where, what=what, remedy=remedy)
    return index


@dataclass(frozen=True, slots=True, kw_only=True)
class _JobResult:
    """What one worker measured; `measured` are the measurement's fields of one value a job."""

    released_ns: int
    end_ns: int
    packet_ns: tuple[int, ...]
    is_pinned: bool
    measured: dict[str, Any]


def run_grid(job: GridJob, clock_ns: Callable[[], int]) -> Measured:
    """Encode the same pictures in `job.job_count` processes at once; every file is proved. Raises
    as `run_encode`, and EngineError when a process died."""
    index = _read_clip(job, where="grid.frames", fewest=8, job_count=job.job_count)
    results = run_parallel(partial(_work, job, index, clock_ns), worker_count=job.job_count)
    measurement = _summarise(results, index)
    return Measured(measurement=measurement, process=common.read_process_facts())


def _work(
    job: GridJob, index: FrameIndex, clock_ns: Callable[[], int], number: int, pool: ProcessPool
) -> _JobResult:
    """One worker: load, meet, encode, meet, prove."""
    frame_rate = constant_rate(index)
    is_pinned = job.is_pinned and _pin(number, job.thread_count)
    pool.meet()
    start_ns = clock_ns()
    source = probe_media(job.source.media_path)
    frames, tags = load_pictures(source, index, job.encoding, thread_count=job.thread_count)
    load_ns = clock_ns() - start_ns
    path = Path(job.scratch_dir) / f"job-{number}.{job.encoding.container}"
    released_ns, end_ns, cpu_ns, packet_ns = _encode(
        job, list(evenly_timed(frames, frame_rate)), tags, path, frame_rate, pool, clock_ns
    )
    peak_rss_bytes = common.read_process_facts().peak_rss_bytes
    pool.meet()  # nobody proves while another still encodes
    start_ns = clock_ns()
    found = encoded_file.read_encoded(path, is_stamped=index.is_stamped)
    verify_ns = clock_ns() - start_ns
    where = f'encoding "{job.encoding.name}"'
    remedy = "Raise its quality, or leave the encoding out."
    in_order = encoded_file.refuse_lost_pictures(index, found.index, where=where, remedy=remedy)
    return _JobResult(
        released_ns=released_ns,
        end_ns=end_ns,
        packet_ns=packet_ns,
        is_pinned=is_pinned,
        measured={
            "cpu_ns": cpu_ns,
            "peak_rss_bytes": peak_rss_bytes,
            "file_bytes": found.index.file_bytes,
            "decoded_frame_count": found.index.frame_count,
            "stamps_in_order": in_order,
            "load_ns": load_ns,
            "verify_ns": verify_ns,
        },
    )


def _encode(
    job: GridJob,
    frames: list[VideoFrame],
    tags: ColourTags,
    path: Path,
    frame_rate: Fraction,
    pool: ProcessPool,
    clock_ns: Callable[[], int],
) -> tuple[int, int, int, tuple[int, ...]]:
    """Release, end, CPU time, and the clock at each packet written."""
    submissions: tuple[VideoFrame | None, ...] = (*frames, None)
    encoder = open_encoder(
        path,
        job.encoding,
        size=(frames[0].width, frames[0].height),
        frame_rate=frame_rate,
        tags=tags,
        thread_count=job.thread_count,
        prepare=carry_shape(job.encoding, probe_media(job.source.media_path)),
    )
    packet_ns: list[int] = []
    with encoder as (container, track), common.no_garbage_collection():
        pool.start_together(clock_ns)
        released_ns, start_cpu_ns = clock_ns(), time.process_time_ns()
        for submission in submissions:
            for packet in track.encode(submission):
                container.mux(packet)
                packet_ns.append(clock_ns())
        container.close()
        end_ns, cpu_ns = clock_ns(), time.process_time_ns() - start_cpu_ns
    return released_ns, end_ns, cpu_ns, tuple(packet_ns)


def _summarise(results: list[_JobResult], index: FrameIndex) -> GridMeasurement:
    released_ns = min(result.released_ns for result in results)
    window_end_ns = min(result.end_ns for result in results)
    return GridMeasurement(
        frame_count=index.frame_count,
        frame_rate=str(constant_rate(index)),
        width_px=index.width_px,
        height_px=index.height_px,
        start_ns=tuple(result.released_ns - released_ns for result in results),
        end_ns=tuple(result.end_ns - released_ns for result in results),
        window_ns=window_end_ns - released_ns,
        window_packets=tuple(sum(at <= window_end_ns for at in one.packet_ns) for one in results),
        packet_count=tuple(len(result.packet_ns) for result in results),
        is_pinned=all(result.is_pinned for result in results),
        **{name: tuple(one.measured[name] for one in results) for name in results[0].measured},
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

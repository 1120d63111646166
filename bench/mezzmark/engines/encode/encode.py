"""The encode task: pictures from memory to a finished file, timed, and proved by decoding it."""

import tempfile
import time
from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Final

import psutil
from av.video.frame import VideoFrame

from mezzmark.engines.encode.encoded_file import (
    evenly_timed,
    first_frames,
    read_encoded,
    stamps_agree,
)
from mezzmark.engines.encode.encoders import open_encoder
from mezzmark.engines.media.conversion import Converter, read_pictures
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.media.pixels import pixel_format_facts
from mezzmark.engines.media.probe import probe_media
from mezzmark.host.common import (
    no_garbage_collection,
    read_process_facts,
    read_usable_core_count,
)
from mezzmark.model.encoding import Encoding, check_frame
from mezzmark.model.errors import ScenarioError
from mezzmark.model.footage import ColourTags, FrameIndex, constant_rate
from mezzmark.model.jobs import Measured
from mezzmark.model.tasks.encode import EncodeJob, EncodeMeasurement

MEMORY_FRACTION: Final = 0.6
"""Share of the free memory that held pictures may take; the encoder needs some of the rest."""


def run_encode(job: EncodeJob, clock_ns: Callable[[], int]) -> Measured:
    """Hold the clip's first `job.frame_count` pictures in memory, encode them timed, prove it.

    A shorter clip gives what it has; the measurement's `frame_count` says how many. Raises
    EncodingError when the encoding cannot hold the clip or loses pictures, ScenarioError when
    memory does not suffice.
    """
    index = read_frame_index(job.source.index_path)
    frame_rate = constant_rate(index)
    check_frame(job.encoding, index.width_px, index.height_px, frame_rate)
    index = first_frames(index, job.frame_count)
    require_memory(job.encoding, index, where="encode.frames", fewest=2)
    frames, tags = load_pictures(
        job.source.media_path,
        index,
        job.encoding.pixel_format,
        thread_count=read_usable_core_count(),
    )
    path = Path(tempfile.mkdtemp(dir=job.scratch_dir)) / f"encoded.{job.encoding.container}"
    wall_ns, cpu_ns = encode_frames(
        frames,
        job.encoding,
        path,
        frame_rate=frame_rate,
        thread_count=job.thread_count,
        tags=tags,
        clock_ns=clock_ns,
    )
    process = read_process_facts()
    found = read_encoded(path, is_stamped=index.is_stamped)
    return Measured(
        measurement=EncodeMeasurement(
            frame_count=index.frame_count,
            decoded_frame_count=found.index.frame_count,
            stamps_in_order=stamps_agree(index, found.index),
            wall_ns=wall_ns,
            cpu_ns=cpu_ns,
            file_bytes=found.index.file_bytes,
            packet_bytes=found.packet_bytes,
            stream_digest=found.digest,
            frame_rate=str(frame_rate),
            width_px=index.width_px,
            height_px=index.height_px,
        ),
        process=process,
    )


def encode_frames(
    frames: Sequence[VideoFrame],
    encoding: Encoding,
    path: Path,
    *,
    frame_rate: Fraction,
    thread_count: int,
    tags: ColourTags,
    clock_ns: Callable[[], int],
) -> tuple[int, int]:
    """Encode pictures of one size and format, evenly spaced, to a new file; wall and CPU ns.

    The clock runs from the first picture submitted to the trailer written; opening the encoder
    and writing the header come before it. The pictures' times are set to 0, 1, 2, … / rate.
    """
    kinds = {(frame.format.name, frame.width, frame.height) for frame in frames}
    if len(kinds) != 1 or frames[0].format.name != encoding.pixel_format:
        raise ValueError(f"pictures are {kinds}, not all {encoding.pixel_format} of one size")
    frames = list(evenly_timed(frames, frame_rate))
    encoder = open_encoder(
        path,
        encoding,
        size=(frames[0].width, frames[0].height),
        frame_rate=frame_rate,
        tags=tags,
        thread_count=thread_count,
    )
    with encoder as (container, track), no_garbage_collection():
        start_ns, start_cpu_ns = clock_ns(), time.process_time_ns()
        for frame in frames:
            container.mux(track.encode(frame))
        container.mux(track.encode(None))
        container.close()
        return clock_ns() - start_ns, time.process_time_ns() - start_cpu_ns


def load_pictures(
    media_path: str, index: FrameIndex, pixel_format: str, *, thread_count: int
) -> tuple[list[VideoFrame], ColourTags]:
    """The pictures of the index in memory and in this pixel format, and what they then mean."""
    converter = Converter(probe_media(media_path), pixel_format, thread_count=thread_count)
    pictures = read_pictures(media_path, index, thread_count=thread_count)
    return [converter.convert(picture) for picture in pictures], converter.tags


def require_memory(
    encoding: Encoding, index: FrameIndex, *, where: str, fewest: int, job_count: int = 1
) -> None:
    """ScenarioError unless memory holds the pictures of so many jobs. `where` names the key that
    says how many pictures, `fewest` what it may say at least."""
    needed_bytes = job_count * index.frame_count * frame_bytes(encoding.pixel_format, index)
    free_bytes = psutil.virtual_memory().available
    if needed_bytes > MEMORY_FRACTION * free_bytes:
        fitting = int(MEMORY_FRACTION * free_bytes * index.frame_count / needed_bytes)
        jobs = f"{job_count} jobs of " if job_count > 1 else ""
        raise ScenarioError(
            where=where,
            what=f"{jobs}{index.frame_count} pictures as {encoding.pixel_format} need "
            f"{needed_bytes / 1e9:.1f} GB of memory and {free_bytes / 1e9:.1f} GB are free",
            remedy=f"Set {where} to {max(fewest, fitting)} or fewer, or free memory.",
        )


def frame_bytes(pixel_format: str, index: FrameIndex) -> int:
    """Bytes of one picture of the clip in memory, padding left out."""
    facts = pixel_format_facts(pixel_format)
    across, down = facts.chroma_step
    chroma_samples = 0 if facts.chroma == "4:0:0" else 2 / (across * down)
    sample_bytes = 1 if facts.bit_depth == 8 else 2
    samples = 1 + chroma_samples + facts.has_alpha
    return round(index.width_px * index.height_px * samples * sample_bytes)

"""The encode task: pictures from memory to a finished file, timed, and proved by decoding it."""

import gc
import hashlib
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Final

import av
import psutil
from av.container import OutputContainer
from av.error import FFmpegError
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from mezzmark.engines.encode.encoders import CONTAINER_FORMATS, add_video_track
from mezzmark.engines.media.conversion import Converter, read_pictures
from mezzmark.engines.media.frame_index import NO_STAMP, build_frame_index, read_frame_index
from mezzmark.engines.media.pixels import pixel_format_facts
from mezzmark.engines.media.probe import open_media, probe_media
from mezzmark.host.common import read_process_facts, read_usable_core_count
from mezzmark.model.catalogue.core import check_frame
from mezzmark.model.encoding import Encoding
from mezzmark.model.errors import (
    DestinationError,
    DiskFullError,
    EncodingError,
    MezzmarkError,
    ScenarioError,
)
from mezzmark.model.footage import ColourTags, FrameIndex, MediaFacts, constant_rate
from mezzmark.model.jobs import EncodeJob, Measured
from mezzmark.model.records import EncodeMeasurement
from mezzmark.own_files import FULL_ERRORS

MEMORY_FRACTION: Final = 0.6
"""Share of the free memory that held pictures may take; the encoder needs some of the rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EncodeTiming:
    """What the timed region took: first picture submitted to trailer written."""

    wall_ns: int
    cpu_ns: int
    frame_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenEncoder:
    """A new file with its encoder open and its header written; nothing encoded yet."""

    container: OutputContainer
    track: VideoStream


@dataclass(frozen=True, slots=True, kw_only=True)
class EncodedStream:
    """What an independent read of an encoded file found."""

    packet_bytes: int
    digest: str
    index: FrameIndex


def run_encode(job: EncodeJob, clock_ns: Callable[[], int]) -> Measured:
    """Hold the clip's first `job.frame_count` pictures in memory, encode them timed, prove it.

    A shorter clip gives what it has; the measurement's `frame_count` says how many. Raises
    EncodingError when the encoding cannot hold the clip or loses pictures, ScenarioError when
    memory does not suffice.
    """
    index = read_frame_index(job.source.index_path)
    source = probe_media(job.source.media_path)
    frame_rate = constant_rate(index)
    check_frame(job.encoding, index.width_px, index.height_px, frame_rate)
    index = first_frames(index, job.frame_count)
    frames, tags = _load(job, index, source)
    path = Path(tempfile.mkdtemp(dir=job.scratch_dir)) / f"encoded.{job.encoding.container}"
    timing = encode_frames(
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
            frame_count=timing.frame_count,
            decoded_frame_count=found.index.frame_count,
            stamps_in_order=stamps_agree(index, found.index),
            wall_ns=timing.wall_ns,
            cpu_ns=timing.cpu_ns,
            file_bytes=found.index.file_bytes,
            packet_bytes=found.packet_bytes,
            stream_digest=found.digest,
            frame_rate=str(frame_rate),
            width_px=index.width_px,
            height_px=index.height_px,
        ),
        process=process,
    )


def open_encoder(
    path: Path,
    encoding: Encoding,
    *,
    size: tuple[int, int],
    frame_rate: Fraction,
    time_base: Fraction,
    tags: ColourTags,
    thread_count: int,
) -> OpenEncoder:
    """Create the file and open the encoder. DestinationError where something stands already."""
    if path.exists():
        raise DestinationError(
            where=str(path),
            what="something stands there already, and nothing is ever overwritten",
            remedy="Name another place.",
        )
    container = av.open(
        str(path), "w", format=CONTAINER_FORMATS.get(encoding.container, encoding.container)
    )
    try:
        track = add_video_track(
            container,
            encoding,
            size=size,
            frame_rate=frame_rate,
            time_base=time_base,
            tags=tags,
            thread_count=thread_count,
        )
    except (EncodingError, LookupError):
        container.close()
        path.unlink(missing_ok=True)  # made just now, and empty
        raise
    return OpenEncoder(container=container, track=track)


def encode_frames(
    frames: Sequence[VideoFrame],
    encoding: Encoding,
    path: Path,
    *,
    frame_rate: Fraction,
    thread_count: int,
    tags: ColourTags,
    clock_ns: Callable[[], int],
) -> EncodeTiming:
    """Encode pictures of one size and format, evenly spaced, to a new file; wall and CPU time.

    The clock runs from the first picture submitted to the trailer written; opening the encoder
    and writing the header come before it. The pictures' times are set to 0, 1, 2, … / rate.
    """
    _require_alike(frames, encoding)
    for number, frame in enumerate(frames):
        frame.pts, frame.time_base = number, 1 / frame_rate
    target = open_encoder(
        path,
        encoding,
        size=(frames[0].width, frames[0].height),
        frame_rate=frame_rate,
        time_base=1 / frame_rate,
        tags=tags,
        thread_count=thread_count,
    )
    container, track = target.container, target.track
    gc.collect()
    gc.disable()
    try:
        start_ns, start_cpu_ns = clock_ns(), time.process_time_ns()
        for frame in frames:
            container.mux(track.encode(frame))
        container.mux(track.encode(None))
        container.close()
        wall_ns, cpu_ns = clock_ns() - start_ns, time.process_time_ns() - start_cpu_ns
    except FFmpegError as error:
        raise encoder_gave_up(encoding, path, error) from error
    finally:
        gc.enable()
    return EncodeTiming(wall_ns=wall_ns, cpu_ns=cpu_ns, frame_count=len(frames))


def encoder_gave_up(encoding: Encoding, path: Path, error: FFmpegError) -> MezzmarkError:
    """What to say when pictures were refused on the way, or the disk was full."""
    if error.errno in FULL_ERRORS:
        return DiskFullError(
            where=str(path.parent),
            what="there was no room left for the encoded file",
            remedy="Make room, or name another folder.",
        )
    return EncodingError(
        where=f'encoding "{encoding.name}"',
        what=f"the encoder gave up on the way ({error.strerror})",
        remedy="Try another profile or pixel format, or leave the encoding out.",
    )


def read_encoded(path: Path, *, is_stamped: bool) -> EncodedStream:
    """Decode a file in order and hash its packets in file order (BLAKE2b, 128 bits, hex)."""
    digest = hashlib.blake2b(digest_size=16)
    packet_bytes = 0
    with open_media(path) as (container, track):
        for packet in container.demux(track):
            if packet.size:
                digest.update(bytes(packet))
                packet_bytes += packet.size
    index = build_frame_index(path, is_stamped=is_stamped)
    return EncodedStream(packet_bytes=packet_bytes, digest=digest.hexdigest(), index=index)


def stamps_agree(source: FrameIndex, encoded: FrameIndex) -> bool | None:
    """Whether the encoded pictures carry the source's stamps in the same order.

    None where the clip has no stamps. A picture whose stamp the source itself had lost is not
    asked for.
    """
    if not source.is_stamped:
        return None
    if source.frame_count != encoded.frame_count:
        return False
    pairs = zip(source.stamps, encoded.stamps, strict=True)
    return all(wanted in (NO_STAMP, found) for wanted, found in pairs)


def first_frames(index: FrameIndex, frame_count: int) -> FrameIndex:
    """The index cut to its first pictures, at most `frame_count`."""
    per_frame = ("pts", "is_keyframe", "packet_bytes", "digests", "stamps")
    cut = {name: getattr(index, name)[:frame_count] for name in per_frame}
    return index.model_copy(update=cut)


def _load(
    job: EncodeJob, index: FrameIndex, source: MediaFacts
) -> tuple[list[VideoFrame], ColourTags]:
    _require_memory(job.encoding, index)
    core_count = read_usable_core_count()
    converter = Converter(source, job.encoding.pixel_format, thread_count=core_count)
    pictures = read_pictures(job.source.media_path, index, thread_count=core_count)
    return [converter.convert(picture) for picture in pictures], converter.tags


def _require_memory(encoding: Encoding, index: FrameIndex) -> None:
    needed_bytes = index.frame_count * frame_bytes(encoding.pixel_format, index)
    free_bytes = psutil.virtual_memory().available
    if needed_bytes > MEMORY_FRACTION * free_bytes:
        fitting = int(MEMORY_FRACTION * free_bytes * index.frame_count / needed_bytes)
        raise ScenarioError(
            where="encode.frames",
            what=f"{index.frame_count} pictures as {encoding.pixel_format} need "
            f"{needed_bytes / 1e9:.1f} GB of memory and {free_bytes / 1e9:.1f} GB are free",
            remedy=f"Set encode.frames to {max(2, fitting)} or fewer, or free memory.",
        )


def frame_bytes(pixel_format: str, index: FrameIndex) -> int:
    """Bytes of one picture of the clip in memory, padding left out."""
    facts = pixel_format_facts(pixel_format)
    samples_per_pixel = {"4:2:0": 1.5, "4:1:1": 1.5, "4:2:2": 2.0, "4:0:0": 1.0}
    samples = samples_per_pixel.get(facts.chroma, 3.0) + facts.has_alpha
    sample_bytes = 1 if facts.bit_depth == 8 else 2
    return round(index.width_px * index.height_px * samples * sample_bytes)


def _require_alike(frames: Sequence[VideoFrame], encoding: Encoding) -> None:
    if not frames:
        raise ValueError("no pictures to encode")
    if frames[0].format.name != encoding.pixel_format:
        raise ValueError(f"pictures are {frames[0].format.name}, not {encoding.pixel_format}")
    for earlier, later in pairwise(frames):
        if (earlier.width, earlier.height) != (later.width, later.height):
            raise ValueError("pictures differ in size")

"""Encode a prepared clip to an encoding in the cache, picture by picture, and prove the result."""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Final

from av.video.frame import VideoFrame

from mezzmark.engines.encode.encode import frame_bytes
from mezzmark.engines.encode.encoded_file import refuse_lost_pictures, stamps_agree, write_frames
from mezzmark.engines.encode.encoders import encoding_bitrate_bps, open_encoder, require_encoder
from mezzmark.engines.media.cache import cache_key, fetch_entry, library_versions
from mezzmark.engines.media.conversion import Converter, read_pictures
from mezzmark.engines.media.frame_index import ProgressUpdate, build_frame_index, read_frame_index
from mezzmark.engines.media.probe import probe_media
from mezzmark.host.common import read_usable_core_count
from mezzmark.model.encoding import Encoding, check_frame
from mezzmark.model.footage import FrameIndex, constant_rate, is_constant_rate
from mezzmark.model.jobs import PreparedMedia, PrepareEncodingJob
from mezzmark.own_files import safe_file_name

TRANSCODE_VERSION: Final = 1
"""Raised when the same encoding of the same clip would come out differently."""

EXACT_TIME_CONTAINERS: Final = frozenset({"mov", "mp4", "mkv"})
"""Containers that give each picture its own time; the others count pictures."""
COUNTING_CODECS: Final = frozenset({"MPEG-2", "VC-2"})
"""Codecs whose own headers state one frame rate."""

_ADVANCE_FRAMES: Final = 8
_LOSSY_SHARE: Final = 0.5
"""No lossy encoding of the catalogue was seen above half the bytes of the bare picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """How pictures are spaced in the new file; `keeps_times` when each keeps its own time."""

    frame_rate: Fraction
    time_base: Fraction
    keeps_times: bool


def prepare_encoding(job: PrepareEncodingJob, advance: ProgressUpdate) -> PreparedMedia:
    """The clip in this encoding, from the cache or newly made over the pictures of its index.

    Pictures of a variable rate keep their own times where container and codec can hold them;
    elsewhere they are spaced evenly at the average rate, and `advance` says so. Raises
    EncodingError when the encoding cannot hold the clip or a picture is lost, EngineError when
    the encoder is missing, DiskFullError when there is no room.
    """
    index = read_frame_index(job.source.index_path)
    timing = plan_timing(index, job.encoding)
    check_frame(job.encoding, index.width_px, index.height_px, timing.frame_rate)
    require_encoder(job.encoding)
    key = cache_key(
        kind="encoding",
        transcode_version=TRANSCODE_VERSION,
        source=index.model_dump(mode="json", exclude={"path"}),
        encoding=job.encoding.instructions,
        thread_count=job.thread_count,
        libraries=library_versions(),
    )

    def make(folder: Path) -> FrameIndex:
        path = folder / f"{safe_file_name(job.encoding.name)}.{job.encoding.container}"
        _transcode(job, index, timing, path, advance)
        return _proved(index, path, job.encoding)

    needed_bytes = _needed_bytes(index, job.encoding)
    return fetch_entry(Path(job.cache_dir), key, make, needed_bytes=needed_bytes)


def plan_timing(index: FrameIndex, encoding: Encoding) -> Timing:
    """Even spacing for a constant rate, and for a variable one that cannot be written down."""
    frame_rate = constant_rate(index)
    can_keep = encoding.container in EXACT_TIME_CONTAINERS and encoding.codec not in COUNTING_CODECS
    keeps_times = can_keep and not is_constant_rate(index, frame_rate)
    return Timing(
        frame_rate=frame_rate,
        time_base=index.time_base if keeps_times else 1 / frame_rate,
        keeps_times=keeps_times,
    )


def _transcode(
    job: PrepareEncodingJob, index: FrameIndex, timing: Timing, path: Path, advance: ProgressUpdate
) -> None:
    source = probe_media(job.source.media_path)
    core_count = read_usable_core_count()
    converter = Converter(source, job.encoding.pixel_format, thread_count=core_count)
    message = f"encoding to {job.encoding.name}"
    if not timing.keeps_times and not is_constant_rate(index, timing.frame_rate):
        message += f" (variable rate; spaced evenly at {float(timing.frame_rate):.3f} frames/s)"
    pictures = read_pictures(job.source.media_path, index, thread_count=core_count)

    def timed() -> Iterator[VideoFrame]:
        for number, picture in enumerate(pictures):
            if number % _ADVANCE_FRAMES == 0:
                advance(message, number / index.frame_count)
            frame = converter.convert(picture)
            frame.pts = index.pts[number] - index.pts[0] if timing.keeps_times else number
            frame.time_base = timing.time_base
            yield frame

    encoder = open_encoder(
        path,
        job.encoding,
        size=(index.width_px, index.height_px),
        frame_rate=timing.frame_rate,
        time_base=timing.time_base,
        tags=converter.tags,
        thread_count=job.thread_count,
    )
    write_frames(timed(), encoder)


def _proved(source: FrameIndex, path: Path, encoding: Encoding) -> FrameIndex:
    """The new file's index, once it holds the same pictures in the same order."""
    index = build_frame_index(path, is_stamped=source.is_stamped)
    refuse_lost_pictures(
        source,
        index,
        in_order=stamps_agree(source, index),
        where=f'encoding "{encoding.name}"',
        remedy="Raise its quality, or leave the encoding out; it cannot be measured honestly.",
    )
    return index


def _needed_bytes(index: FrameIndex, encoding: Encoding) -> int:
    frame_rate = constant_rate(index)
    asked_bps = encoding_bitrate_bps(encoding, index.width_px, index.height_px, frame_rate)
    if asked_bps:
        return round(asked_bps / 8 * index.frame_count / frame_rate)
    share = 1.0 if encoding.is_lossless else _LOSSY_SHARE
    return round(share * index.frame_count * frame_bytes(encoding.pixel_format, index))

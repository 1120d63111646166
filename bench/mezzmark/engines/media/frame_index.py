"""The index of a file: every picture in display order, found by one independent decode.

The decode is sequential and single-threaded and shares no code with the player, so that it can
prove what the player shows. A file made here may be decoded in a few such parts at a time, each of
which must agree with the next about a picture that both decode. Long because what a file may not
have (gaps, disorder, no way to seek) is found by the same decode.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from fractions import Fraction
from functools import partial
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any, Final, cast

from av.container import InputContainer
from av.error import FFmpegError
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from pydantic import ValidationError

from mezzmark.engines.media.pixels import Planes, planes_digest, planes_of, sparse_planes
from mezzmark.engines.media.probe import complaints, describe_media, open_media, unfit
from mezzmark.engines.media.shape import slice_reader
from mezzmark.engines.media.stamp import read_stamp
from mezzmark.host.common import read_usable_core_count
from mezzmark.model.errors import EncodingError, FootageError
from mezzmark.model.footage import FrameIndex, MediaFacts, Suspicion
from mezzmark.own_files import replace_whole

ProgressUpdate = Callable[[str, float], None]
"""Called with a message and the share done (0 to 1) while a long preparation goes on."""

NO_STAMP: Final = -1
STAMPED_FRACTION: Final = 0.9
"""Share of pictures whose stamp must be readable before a clip of unknown origin is taken for a
stamped one: chance readings are far below it, single damaged stamps stay above."""
REPEAT_CODECS: Final = ("AVC", "HEVC")
"""In others two codings of one subject may well come out equal to the bit."""
REPEAT_BYTES, REPEAT_PX_PER_BYTE, FULL_SHARE, REPEATS_SHARE = 200, 256, 0.5, 0.25
"""A picture is no repeat from so many bytes and a byte for so many pixels on, when that is half of
what moving pictures of the file usually take; nothing is said where more than a quarter repeat."""

_ADVANCE_FRAMES: Final = 16
_MOST_PARTS: Final = 16
"""Each holds a decoder's pictures: about 60 MB at 2160p."""

_FEWEST_PART_PACKETS: Final = 12
_DAMAGE_REMEDY: Final = "Copy the file from its source again, or measure an excerpt without damage."


@dataclass(slots=True)
class _Reading:
    """What the sequential decode has met so far."""

    path: str
    reads_stamps: bool
    packets: dict[int, tuple[bool, int]] = field(default_factory=dict)
    timeless_packet_count: int = 0
    pts: list[int] = field(default_factory=list)
    digests: list[str] = field(default_factory=list)
    sparse_digests: list[str] = field(default_factory=list)
    stamps: list[int] = field(default_factory=list)
    is_interlaced: bool = False
    pixel_format: str = ""
    slice_sizes: Callable[[bytes], tuple[int, ...]] | None = None
    slice_bytes: Counter[int] = field(default_factory=Counter)
    errors: list[tuple[int, str, str]] = field(default_factory=list)

    @property
    def of_pictures(self) -> tuple[list[Any], ...]:
        return self.pts, self.digests, self.sparse_digests, self.stamps

    def note_packet(self, packet: "Packet[VideoStream]") -> None:
        if packet.pts is None:
            self.timeless_packet_count += 1
            return
        was_keyframe, earlier = self.packets.get(packet.pts, (False, 0))
        self.packets[packet.pts] = (was_keyframe or packet.is_keyframe, earlier + packet.size)
        if self.slice_sizes:
            self.slice_bytes[packet.pts] += sum(self.slice_sizes(bytes(packet)))

    def note_picture(self, frame: VideoFrame, pts: int) -> None:
        planes = planes_of(frame)
        if not self.pts and any(earlier < pts for earlier in self.packets):
            self.errors.clear()  # of the pictures before the first whole one
        self.pts.append(pts)
        self.digests.append(planes_digest(planes))
        self.sparse_digests.append(planes_digest(sparse_planes(planes)))
        self.stamps.append(stamp_of(frame, planes) if self.reads_stamps else NO_STAMP)
        self.is_interlaced |= frame.interlaced_frame
        self.pixel_format = frame.format.name


def build_frame_index(
    path: str | Path,
    *,
    is_stamped: bool | None = None,
    max_duration_s: float | None = None,
    advance: ProgressUpdate | None = None,
    has_closed_groups: bool = False,
    lowres: int = 0,
) -> FrameIndex:
    """Index the pictures of a file, or those of its first `max_duration_s` seconds. `is_stamped`
    None finds out by reading: at least nine in ten stamps readable, and in order. Where all groups
    are closed, a whole file is decoded in parts, on all cores. `lowres` is that of a player, for
    digests of its smaller pictures. Raises FootageError, with the reason, for a file that cannot be
    measured honestly."""
    with open_media(path) as (container, track):
        facts = describe_media(container, track, path)
        reads_stamps = is_stamped is not False
        reading = _read_in_parts(facts, reads_stamps) if has_closed_groups else None
        if reading is None:
            reading = _Reading(path=str(path), reads_stamps=reads_stamps)
            # HEVC's pictures may have checksums of their own.
            asked = {"err_detect": "crccheck"} | ({"lowres": str(lowres)} if lowres else {})
            track.codec_context.options |= asked
            if facts.codec in REPEAT_CODECS:
                reading.slice_sizes = slice_reader(track.codec_context)
            packets = container.demux(track)
            with complaints() as reading.errors:
                _read_pictures(packets, track, reading, facts, max_duration_s, advance)
        _refuse_unordered(reading)
        _refuse_gaps(reading)
        _refuse_unseekable(container, track, reading)
    stamped = _looks_stamped(reading.stamps) if is_stamped is None else is_stamped
    is_keyframe, packet_bytes = zip(*map(reading.packets.__getitem__, reading.pts), strict=True)
    return FrameIndex(
        path=str(path),
        file_bytes=facts.file_bytes,
        time_base=facts.time_base,
        pts=tuple(reading.pts),
        is_keyframe=is_keyframe,
        packet_bytes=packet_bytes,
        digests=tuple(reading.digests),
        sparse_digests=tuple(reading.sparse_digests),
        stamps=tuple(reading.stamps) if stamped else (NO_STAMP,) * len(reading.pts),
        is_stamped=stamped,
        width_px=facts.width_px,
        height_px=facts.height_px,
        pixel_format=reading.pixel_format,
        frame_rate=facts.frame_rate or _rate_of(reading.pts, facts.time_base),
        suspicions=tuple(_suspicions(reading, facts, is_stamped=stamped)),
    )


def read_frame_index(path: str | Path) -> FrameIndex:
    """Read an index written by `write_frame_index`. Raises FootageError if it is unreadable."""
    try:
        return FrameIndex.model_validate_json(Path(path).read_bytes())
    except (OSError, ValidationError) as error:
        remedy = "It is derived: remove it and run again, and it is made anew."
        raise unfit(path, "the index of a clip is missing or unreadable", remedy) from error


def write_frame_index(index: FrameIndex, path: str | Path) -> None:
    """Write an index whole or not at all; an earlier one at `path` is replaced."""
    replace_whole(Path(path), index.model_dump_json().encode())


def _read_in_parts(facts: MediaFacts, reads_stamps: bool) -> _Reading | None:
    """What several decoders find at a time, each from a key frame to the first picture of the next
    part; None where they do not agree there or a picture is missing, for a single one to judge."""
    with open_media(facts.path) as (container, track):
        is_key = [packet.is_keyframe for packet in container.demux(track) if packet.size]
    most = min(read_usable_core_count(), _MOST_PARTS)
    count = max(1, min(most, len(is_key) // _FEWEST_PART_PACKETS))
    places = (len(is_key) * part // count for part in range(count))
    starts = sorted({is_key.index(True, place) for place in places if True in is_key[place:]})
    if len(starts) < 2 or starts[0] != 0:
        return None
    try:
        with ThreadPoolExecutor(len(starts)) as threads:
            # Few long groups leave cores over, which then share a group's pictures.
            read = partial(_read_part, facts, reads_stamps, most // len(starts))
            parts = list(threads.map(read, starts, [*starts[1:], len(is_key)]))
    except FootageError:
        return None
    whole = parts[0]
    for part in parts[1:]:
        lists = zip(whole.of_pictures, part.of_pictures, strict=True)
        if any(mine.pop() != theirs[0] for mine, theirs in lists):
            return None
        for mine, theirs in zip(whole.of_pictures, part.of_pictures, strict=True):
            mine.extend(theirs)
        whole.packets |= part.packets
        whole.is_interlaced |= part.is_interlaced
    return whole if len(whole.pts) == len(is_key) else None


def _read_part(
    facts: MediaFacts, reads_stamps: bool, thread_count: int, first: int, last: int
) -> _Reading:
    """The pictures of packets `first` to `last` in file order; no seek is trusted."""
    reading = _Reading(path=facts.path, reads_stamps=reads_stamps)
    with open_media(facts.path, thread_count=thread_count) as (container, track):
        packets = _cut(container.demux(track), first, last)
        _read_pictures(packets, track, reading, facts, None, None)
    return reading


def _cut(
    packets: "Iterable[Packet[VideoStream]]", first: int, last: int
) -> "Iterator[Packet[VideoStream]]":
    number = 0
    for packet in packets:
        # Without a size: the end of the file, at which a decoder gives what it still holds.
        if number >= first or not packet.size:
            yield packet
        if number == last and packet.size:
            yield cast("Packet[VideoStream]", Packet())
            return
        number += packet.size > 0


def _read_pictures(
    packets: "Iterable[Packet[VideoStream]]",
    track: VideoStream,
    reading: _Reading,
    facts: MediaFacts,
    max_duration_s: float | None,
    advance: ProgressUpdate | None,
) -> None:
    time_base = facts.time_base
    wanted_s = min((s for s in (facts.duration_s, max_duration_s) if s), default=None)
    try:
        for packet in packets:
            if packet.size and not packet.is_discard:  # as an edit list says of some
                reading.note_packet(packet)
            for frame in track.decode(packet):
                pts = _pts_of(frame, reading)
                if frame.is_corrupt and not reading.pts:
                    continue  # a recording that starts inside a group of pictures
                if frame.is_corrupt:
                    where = f"picture {len(reading.pts)} (at {float(pts * time_base):.3f} s)"
                    raise unfit(reading.path, f"{where} is damaged", _DAMAGE_REMEDY)
                position_s = float((pts - (reading.pts or [pts])[0]) * time_base)
                if max_duration_s is not None and position_s >= max_duration_s:
                    return
                reading.note_picture(frame, pts)
                if advance and wanted_s and len(reading.pts) % _ADVANCE_FRAMES == 0:
                    advance(f"indexing {Path(reading.path).name}", min(1.0, position_s / wanted_s))
    except EncodingError as error:
        raise unfit(reading.path, f"{error.where}: {error.what}", error.remedy) from error
    except FFmpegError as error:
        what = f"picture {len(reading.pts)} or one close after it cannot be decoded"
        what += f" ({error.strerror}); the file is damaged"
        raise unfit(reading.path, what, _DAMAGE_REMEDY) from error


def _pts_of(frame: VideoFrame, reading: _Reading) -> int:
    if frame.pts is not None and frame.pts in reading.packets:
        return frame.pts
    if frame.pts is None or reading.timeless_packet_count:
        what = "some of its pictures carry no presentation time"
    else:
        what = "the times of its packets and of its pictures disagree"
    what += ", so no playhead can find a picture in it exactly"
    remedy = "Rewrap the file without re-encoding, to MOV, and measure that."
    raise unfit(reading.path, what, remedy)


def _refuse_unordered(reading: _Reading) -> None:
    if not reading.pts:
        remedy = "Check that it plays elsewhere; it may be damaged or cut off."
        raise unfit(reading.path, "no picture can be decoded", remedy)
    for position, (earlier, later) in enumerate(pairwise(reading.pts), start=1):
        if later <= earlier:
            fault = "run backwards: the times of its packets and of its pictures disagree"
            fault = "share one presentation time" if later == earlier else fault
            remedy = "Rewrap or convert the file so that every picture has its own time."
            what = f"pictures {position - 1} and {position} {fault}"
            raise unfit(reading.path, what, remedy)


def _refuse_gaps(reading: _Reading) -> None:
    # Two fields of one picture may come as two packets, so an interlaced gap proves nothing.
    if reading.is_interlaced:
        return
    shown = set(reading.pts)
    lost = [p for p in reading.packets if reading.pts[0] < p < reading.pts[-1] and p not in shown]
    if lost:
        count = len(lost) + len(shown)
        what = f"{len(lost)} of {count} pictures in the file cannot be decoded; the file is damaged"
        raise unfit(reading.path, what, _DAMAGE_REMEDY)


def _refuse_unseekable(container: InputContainer, track: VideoStream, reading: _Reading) -> None:
    if len(reading.pts) == 1 < len(container.streams.video):
        what = "its first video track is a still beside others"
        raise unfit(reading.path, what, "Rewrap the film's track alone.")
    try:
        container.seek(reading.pts[len(reading.pts) // 2], stream=track)
        next(packet for packet in container.demux(track) if packet.size)
    except (FFmpegError, StopIteration) as error:
        what = "its container does not let a playhead move: seeking in it fails"
        remedy = "Rewrap the file without re-encoding, to MOV if it is not one, or convert it."
        raise unfit(reading.path, what, remedy) from error


def stamp_of(frame: VideoFrame, planes: Planes) -> int:
    """The frame number in the picture, or NO_STAMP. `planes` are those of `frame`."""
    depth = max(component.bits for component in frame.format.components)
    reading = read_stamp(planes[0], depth)
    return NO_STAMP if reading is None else reading.frame_index


def _suspicions(reading: _Reading, facts: MediaFacts, *, is_stamped: bool) -> Iterator[Suspicion]:
    if reading.errors:
        yield "decoder_errors"
    if _repeats_coded_in_full(reading, facts.width_px * facts.height_px):
        yield "repeated_pictures"
    steps = {stamp - n for n, stamp in enumerate(reading.stamps) if stamp != NO_STAMP}
    if is_stamped and len(steps) > 1:
        yield "stamps_out_of_step"


def _repeats_coded_in_full(reading: _Reading, area_px: int) -> bool:
    """Whether two neighbours are one picture though neither was coded as a repeat. Key frames of a
    still subject may well be alike, however many bytes they take."""
    coded = [reading.slice_bytes[pts] for pts in reading.pts]
    is_key = [reading.packets[pts][0] for pts in reading.pts]
    repeats = [n for n, (a, b) in enumerate(pairwise(reading.digests), start=1) if a == b]
    moving = set(range(len(coded))).difference(repeats, (n - 1 for n in repeats))
    moved = [coded[n] for n in moving if not is_key[n]]
    if not moved or len(repeats) > REPEATS_SHARE * len(coded):
        return False
    usual = median(moved)
    least = max(REPEAT_BYTES + area_px / REPEAT_PX_PER_BYTE, usual * FULL_SHARE)
    return any(
        min(coded[n - 1], coded[n]) >= least and not (is_key[n - 1] and is_key[n]) for n in repeats
    )


def _looks_stamped(stamps: list[int]) -> bool:
    readable = [stamp for stamp in stamps if stamp != NO_STAMP]
    in_order = all(later > earlier for earlier, later in pairwise(readable))
    return in_order and len(readable) >= STAMPED_FRACTION * len(stamps)


def _rate_of(pts: list[int], time_base: Fraction) -> Fraction | None:
    """The rate that evenly spaced pictures imply; None where they are not evenly spaced."""
    steps = {later - earlier for earlier, later in pairwise(pts)}
    return 1 / (steps.pop() * time_base) if len(steps) == 1 else None

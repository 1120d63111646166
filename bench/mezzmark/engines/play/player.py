"""The player under the playhead: finds, decodes and presents one frame at a time, and times it.

As an editing program it opens a file once, keeps the decoder open, and knows pictures and key
frames from an index. `locate` is the demuxer's seek, the decoder's flush and the packets up to the
key frame; `decode` runs until the very picture asked for is out (a seek that landed too late is
repeated further back, and counts); `present` makes it 8-bit RGB of the viewer's height.
"""

from __future__ import annotations  # Packet takes its type argument in annotations only

from bisect import bisect_right
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import accumulate
from pathlib import Path
from typing import Final

import av
from av.codec.hwaccel import HWAccel, hwdevices_available
from av.container import InputContainer
from av.error import FFmpegError
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from mezzmark.engines.media import probe
from mezzmark.engines.media.conversion import presenter
from mezzmark.engines.media.storage_file import StorageFile, line_of
from mezzmark.model.errors import EngineError, NoDecoderError, reason_of
from mezzmark.model.footage import FIRST_TIMESTAMP, FrameIndex, MediaFacts
from mezzmark.model.players import Device
from mezzmark.model.tasks.decode import DecodeJob
from mezzmark.model.tasks.scrub import ScrubJob

DEVICES: Final = tuple(hwdevices_available())
"""Those that this FFmpeg build knows by name; not what is there."""

REDUCED_SIZES: Final = {"JPEG 2000": (1, 2), "Motion JPEG": (2,)}
"""How often decoders halve a picture right. Others ignore the option, drift over a group of
pictures (MPEG-2, MPEG-4), are slower for it (Motion JPEG at half), or give garbage (FFV1)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One move of the playhead: its spans in ns, how many pictures left the decoder and how many
    bytes of packets left the demuxer on the way, the decoded picture and the view of it (None
    where no picture came); how long it waited for storage, None where nobody looked."""

    locate_ns: int
    decode_ns: int
    present_ns: int
    decoded_frames: int
    packet_bytes: int
    picture: VideoFrame | None
    view: VideoFrame | None
    wait_ns: int | None = None


class Player:
    """A file opened once, with its decoder kept open between moves. `index` tells each frame's time
    and which are key frames. Under `roll` the player keeps decoding when the frame lies ahead in
    the group of pictures or is the very next one, and shows a held picture again; under `reseek` it
    always seeks. Raises FootageError when the file cannot be opened or has changed, EngineError
    when the decoder asked for is not there or gives no picture."""

    def __init__(self, path: str | Path, index: FrameIndex, settings: ScrubJob | DecodeJob) -> None:
        _require_unchanged(path, index)
        self._pts = index.pts
        self._keys = tuple(n for n, is_key in enumerate(index.is_keyframe) if is_key)
        self._group = tuple(accumulate(index.is_keyframe))
        self._rolls = settings.policy == "roll"
        self._skips = settings.player.skips_nonreference
        self._target_pts = 0
        self._sent: set[int | None] = set()
        line = line_of(settings.link) if settings.link else None
        self._file = StorageFile(path, line) if line or settings.is_cold else None
        self._container, facts = _open(path, settings.player.device, self._file)
        self.codec = facts.codec
        self._track = _prepared_track(self._container, path, settings, facts)
        self._present = presenter(
            facts, height_px=settings.viewer_height_px, thread_count=settings.thread_count
        )
        self._pictures: Iterator[VideoFrame] = iter(())
        self._shown: int | None = None
        self._held: VideoFrame | None = None
        self._starts: Iterator[int] = iter(())
        self._decoded_frames = 0
        self._packet_bytes = 0
        self._fault: FFmpegError | None = None
        self._is_blind = settings.player.device is not None
        self._label = f'player "{settings.player.name}" for {path}'

    def move(self, frame_index: int, clock_ns: Callable[[], int]) -> Move:
        """Show this frame: find it, decode it, present it; each span timed with `clock_ns`."""
        self._decoded_frames = self._packet_bytes = 0
        if self._file:
            self._file.begin()
        start_ns = clock_ns()
        self._locate(frame_index)
        located_ns = clock_ns()
        picture = self._decode(frame_index)
        decoded_ns = clock_ns()
        view = self._present(picture)
        presented_ns = clock_ns()
        return Move(
            locate_ns=located_ns - start_ns,
            decode_ns=decoded_ns - located_ns,
            present_ns=presented_ns - decoded_ns,
            decoded_frames=self._decoded_frames,
            packet_bytes=self._packet_bytes,
            picture=picture,
            view=view,
            wait_ns=self._file.wait_ns if self._file else None,
        )

    def bring(self, frame_index: int) -> VideoFrame | None:
        """The decoded picture alone, without a view; None where it does not come."""
        self._locate(frame_index)
        return self._decode(frame_index)

    def close(self) -> None:
        """Let go of the file."""
        self._pictures = iter(())
        self._held = None
        self._container.close()
        if self._file:
            self._file.close()

    def _locate(self, frame_index: int) -> None:
        """Bring the demuxer to a place from which decoding leads to the frame."""
        self._starts = self._start_times(frame_index)
        if self._rolls and self._shown is not None and frame_index >= self._shown:
            is_in_group = self._group[frame_index] == self._group[self._shown]
            if is_in_group or frame_index == self._shown + 1:
                return
        self._shown = None
        if self._file:
            self._file.forget()
        self._seek(self._pts[frame_index])

    def _seek(self, target_pts: int) -> bool:
        """Start at the next place that lands no later than the target; False if all were tried."""
        for start_pts in self._starts:
            try:
                self._container.seek(start_pts, stream=self._track)
                packets = self._container.demux(self._track)
                first = self._first_key_packet(packets)
            except FFmpegError:
                continue  # no such place; further back there may be one
            if first and ((first.dts if first.pts is None else first.pts) or 0) <= target_pts:
                self._sent.clear()
                self._pictures = self._decode_on(first, packets)
                return True
        return False

    def _start_times(self, frame_index: int) -> Iterator[int]:
        """Times to seek to: the last key frame not after the frame, then 1, 2, 4, … before it,
        then the first picture, and last a time before all, which containers clamp."""
        nearest = bisect_right(self._keys, frame_index) - 1
        back = 0
        while nearest - back > 0:
            yield self._pts[self._keys[nearest - back]]
            back = 2 * back or 1
        yield self._pts[0]
        yield max(2 * self._pts[0] - self._pts[-1] - 1, FIRST_TIMESTAMP)

    def _first_key_packet(
        self, packets: Iterator[Packet[VideoStream]]
    ) -> Packet[VideoStream] | None:
        """Packets before a key frame have lost what they refer to, so decoding starts at one."""
        for packet in packets:
            self._packet_bytes += packet.size
            if packet.size and packet.is_keyframe:
                return packet
        return None

    def _decode_on(
        self, first: Packet[VideoStream], packets: Iterator[Packet[VideoStream]]
    ) -> Iterator[VideoFrame]:
        """Pictures from here on. A damaged packet loses its own pictures, not the rest."""
        packet: Packet[VideoStream] | None = first
        while packet is not None:
            if self._skips:
                # From the target's own packet on all are needed, should it be in two fields.
                self._sent.add(packet.pts)
                is_on_the_way = self._target_pts not in self._sent
                context = self._track.codec_context
                context.skip_frame = "NONREF" if is_on_the_way else "DEFAULT"
            try:
                yield from self._track.decode(packet)
            except FFmpegError as error:
                self._fault = error
            packet = next(packets, None)
            self._packet_bytes += packet.size if packet is not None else 0

    def _decode(self, frame_index: int) -> VideoFrame | None:
        """The picture at the frame's exact presentation time, or None if it does not come."""
        if self._shown == frame_index:
            return self._held
        target_pts = self._target_pts = self._pts[frame_index]
        self._held = None
        while True:
            for picture in self._pictures:
                self._is_blind = False
                self._decoded_frames += 1
                if picture.pts == target_pts:
                    self._shown, self._held = frame_index, picture
                    return picture
                if picture.pts is not None and picture.pts > target_pts:
                    break
            self._shown = None
            if (self._is_blind and self._fault) or not self._seek(target_pts):
                if not self._is_blind:
                    return None
                # Every further move would take as long.
                what = f"the device gives no picture of this file ({self._fault or 'and no error'})"
                raise EngineError(where=self._label, what=what, remedy="Try another player.")


def _require_unchanged(path: str | Path, index: FrameIndex) -> None:
    try:
        file_bytes = Path(path).stat().st_size
    except OSError as error:
        remedy = "Put it back, or run again without it."
        raise probe.unfit(path, "the file has gone since it was indexed", remedy) from error
    if file_bytes != index.file_bytes:
        what = f"has {file_bytes} bytes now but had {index.file_bytes} when it was indexed"
        raise probe.unfit(path, what, "Run again, so that it is indexed anew.")


def _open(
    path: str | Path, device: Device | None, source: StorageFile | None
) -> tuple[InputContainer, MediaFacts]:
    """The opened file and its facts, which a decoder on a device would hide."""
    container = probe.open_container(path, source)
    facts = probe.describe_media(container, probe.video_track(container, path), path)
    if device is None:
        return container, facts
    container.close()
    if source:
        source.seek(0)
    try:
        if device not in DEVICES:  # else FFmpeg takes the codec's first one
            raise NotImplementedError(f"this FFmpeg build knows no device {device}")
        on_device: InputContainer = av.open(
            source or str(Path(path).resolve()),
            **probe.OPEN_OPTIONS,
            hwaccel=HWAccel(device_type=device, allow_software_fallback=False),
        )
    except (FFmpegError, OSError, RuntimeError, NotImplementedError, ValueError) as error:
        what = f"this machine, FFmpeg build or codec has no such decoder ({reason_of(error)})"
        remedy = 'Use players = ["slice"], or check the graphics card and its driver.'
        where = f'decoder "{device}" for {path}'
        raise NoDecoderError(where=where, what=what, remedy=remedy) from error
    return on_device, facts


def _prepared_track(
    container: InputContainer, path: str | Path, settings: ScrubJob | DecodeJob, facts: MediaFacts
) -> VideoStream:
    """The video track with its decoder open, threads and size set (they cannot change later)."""
    track = probe.video_track(container, path)
    probe.spread_decoding(track, settings.player.threading, settings.thread_count)
    device, lowres = settings.player.device, settings.player.lowres
    kind: type[EngineError] = EngineError
    try:
        if lowres and lowres not in REDUCED_SIZES.get(facts.codec, ()):
            kind = NoDecoderError
            raise ValueError(f"no smaller picture that {facts.codec} is decoded to was proved")
        track.codec_context.options |= {"lowres": str(lowres)} if lowres else {}
        track.codec_context.open(strict=False)
        if device and not track.codec_context.is_hwaccel:
            kind = NoDecoderError
            raise ValueError(f"{device} was asked for, and software would decode")
    except (FFmpegError, OSError, ValueError) as error:
        container.close()
        where = f'player "{settings.player.name}" for {path}'
        what = f"cannot be opened ({reason_of(error)})"
        remedy = "Try another player or thread count."
        raise kind(where=where, what=what, remedy=remedy) from error
    return track

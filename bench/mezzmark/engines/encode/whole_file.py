"""What a file holds beside its pictures, carried into a file made of it, and read back.

Sound becomes PCM, integers in their own depth, what a codec decodes to fractions rounded once to 24
bits. Sample k of a track is the source's nearest to k / rate after the first picture, with silence
where the source has none, and a track ends with the last picture: MXF would leave out pictures
beyond the end of its sound. Tags and timecode are stated anew; what a container cannot hold is lost
there, and `describe` tells it. Long because sound is read in one way for writing and for its proof.
"""

import hashlib
import math
import re
import struct
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any, Final, cast

import numpy as np
import numpy.typing as npt
from av.audio.frame import AudioFrame
from av.audio.resampler import AudioResampler
from av.audio.stream import AudioStream
from av.container import InputContainer, OutputContainer
from av.error import FFmpegError
from av.stream import Discard
from av.video.codeccontext import VideoCodecContext

from mezzmark.engines.encode.timing import Timing, plan_timing
from mezzmark.engines.media import probe
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.media.shape import side_data_of
from mezzmark.model.encoding import Encoding
from mezzmark.model.errors import EncodingError
from mezzmark.model.footage import FrameIndex, constant_rate, is_constant_rate, later_timecode
from mezzmark.model.survival import THINGS, Survival
from mezzmark.model.tasks.spec import MediaReference

Samples = npt.NDArray[Any]
"""(samples, channels) of a PCM codec."""

MXF_RATE_HZ: Final = 48_000
MAX_RATE_HZ, MAX_CHANNELS = 768_000, 64
"""What any recorder writes; a header may claim anything."""

SLACK_S: Final = Fraction(5, 1000)
"""Times of packets may be rounded by so much; where they are further off, the sound has a gap."""

_FRAMES: Final[dict[str, tuple[str, Any]]] = {
    "pcm_s16le": ("s16", np.int16),
    "pcm_s24le": ("s32", np.int32),
    "pcm_s32le": ("s32", np.int32),
    "pcm_f32le": ("flt", np.float32),
}
"""PCM codec → the format of frames that its encoder takes, and of their samples."""

_OF_THE_FILE: Final = re.compile(
    r"(major|minor)_\w+|compatible_brands|encoder|timecode|reel_name|duration|modification_date"
    r"|(\w+_)?(uid|umid|ul)|(company|product|material|file_package|toolkit)_\w+"
    r"|application_platform|project_name|handler_name|vendor_id|language",
    re.IGNORECASE,
)
"""Tags that a writer makes for each file anew, and those that are carried by themselves."""

_NO_TIME: Final = "1970-01-01T00:00:00.000000Z"
"""What a file says whose writer set no clock."""

_MP4_LAYOUTS: Final = {
    **{"3 channels": "3.0", "4 channels": "4.0", "5 channels": "5.0", "6 channels": "5.1"},
    **{"7 channels": "6.1", "8 channels": "7.1"},
}
"""MP4 takes no sound whose channels are merely counted."""

_HDR: Final = {
    "MASTERING_DISPLAY_METADATA": "mastering display",
    "CONTENT_LIGHT_LEVEL": "content light level",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundTrack:
    """An audio track, `number` among the audio tracks of its file. `start_s` is its first sample's
    time, told in steps of `tick_s`; `codec` and `rate_hz` may be those it is carried in."""

    number: int
    codec: str
    sample_format: str
    rate_hz: int
    layout: str
    channel_count: int
    start_s: Fraction
    tick_s: Fraction
    labels: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Extras:
    """What a file holds beside its pictures; false where nothing can be carried. FFmpeg decodes all
    sound but `unreadable_count` tracks. `start_s` is the first picture's time, `matrix` turns
    pictures (ISO/IEC 14496-12, 6.2.2; nine numbers)."""

    sound: tuple[SoundTrack, ...] = ()
    unreadable_count: int = 0
    timecode: str = ""
    reel: str = ""
    tags: Mapping[str, str] = field(default_factory=dict)
    matrix: tuple[int, ...] = ()
    start_s: Fraction = Fraction(0)
    sample_aspect: Fraction = Fraction(1)
    hdr: Mapping[str, bytes] = field(default_factory=dict)
    has_alpha: bool = False

    def __bool__(self) -> bool:
        return bool(self.sound or self.timecode or self.reel or self.tags or self.matrix)


def read_extras(path: str | Path) -> Extras:
    """What a file says of what it holds; its first picture is decoded, no sound. FootageError."""
    with probe.open_media(path) as (container, track):
        sound, said = tuple(_sound_tracks(container)), container.metadata.items()
        tick_s = probe.exact_fraction(track.time_base) or Fraction(0)
        facts = probe.describe_media(container, track, path)
        side: dict[str, bytes] = {}
        with suppress(FFmpegError):
            frame = next(container.decode(track), None)
            side = side_data_of(frame) if frame else {}
        matrix = side.get("DISPLAYMATRIX", b"")
        return Extras(
            sound=sound,
            unreadable_count=len(container.streams.audio) - len(sound),
            timecode=probe.stated(container, "timecode"),
            reel=probe.stated(container, "reel_name"),
            tags={k.lower(): v for k, v in said if not _OF_THE_FILE.fullmatch(k) and v != _NO_TIME},
            matrix=struct.unpack("<9i", matrix) if len(matrix) == 36 else (),
            start_s=(track.start_time or 0) * tick_s,
            sample_aspect=facts.sample_aspect or Fraction(1),
            hdr={words: side[name] for name, words in _HDR.items() if name in side},
            has_alpha=facts.has_alpha,
        )


def _sound_tracks(container: InputContainer) -> Iterator[SoundTrack]:
    for number, stream in enumerate(container.streams.audio):
        context, tick_s = stream.codec_context, probe.exact_fraction(stream.time_base)
        if context is None or tick_s is None:
            continue  # this FFmpeg cannot decode it
        channels = context.layout.nb_channels
        if not (0 < context.sample_rate <= MAX_RATE_HZ and 0 < channels <= MAX_CHANNELS):
            continue
        told = stream.metadata
        labels = {"title": told.get("title") or told.get("name", "")}
        labels["language"] = told.get("language", "").replace("und", "")
        yield SoundTrack(
            number=number,
            codec=context.name,
            sample_format=context.format.name.removesuffix("p"),
            rate_hz=context.sample_rate,
            layout=context.layout.name,
            channel_count=channels,
            start_s=(stream.start_time or 0) * tick_s,
            tick_s=tick_s,
            labels={key: text for key, text in labels.items() if text},
        )


def read_sound(
    path: str | Path, track: SoundTrack, start_s: Fraction, duration_s: Fraction
) -> Iterator[Samples]:
    """The samples of an audio track, so long from a time on, piece by piece, as its PCM codec and
    rate hold them; silence where there are none, or a packet cannot be decoded."""
    count, rate_hz = math.ceil(duration_s * track.rate_hz), track.rate_hz
    blank = np.zeros((rate_hz, track.channel_count), _FRAMES[track.codec][1])
    done, place, is_begun, limit = 0, 0, False, count
    with probe.open_container(path) as container:
        stream = container.streams.audio[track.number]
        tick_s = probe.exact_fraction(stream.time_base) or Fraction(1, rate_hz)
        # Where a container tells times in coarse steps, a start within one is the picture's own.
        coarse = math.ceil(tick_s * rate_hz) if tick_s * rate_hz > 1 else 0
        if stream.duration and "mov" in container.format.name:
            # What comes later is a codec's filling, of which FFmpeg's versions give more or less.
            end_s = ((stream.start_time or 0) + stream.duration) * tick_s
            limit = min(count, round((end_s - start_s) * rate_hz))
        for frame in _decoded(container, stream, track):
            samples = _samples(frame, track)
            time_s = (frame.pts or 0) * Fraction(frame.time_base or 0) - start_s
            late = 0 if frame.pts is None else round(time_s * rate_hz) - place
            if abs(late) > (max(round(SLACK_S * rate_hz), coarse) if is_begun else coarse):
                place += late
            first, last = max(place, done), min(place + len(samples), limit)
            if first < last:
                yield from _pieces(blank, first - done)
                yield samples[first - place : last - place]
                done = last
            is_begun, place = True, place + len(samples)
            if place >= limit:
                break
    yield from _pieces(blank, count - done)


def _pieces(blank: Samples, count: int) -> Iterator[Samples]:
    for start in range(0, count, len(blank)):
        yield blank[: count - start]


def _decoded(
    container: InputContainer, stream: AudioStream, track: SoundTrack
) -> Iterator[AudioFrame]:
    """Frames as the track's PCM codec and rate hold them; none of what cannot be decoded."""
    for other in container.streams:
        other.discard = Discard.default if other.index == stream.index else Discard.all
    form = _FRAMES[track.codec][0]
    converter = AudioResampler(form, stream.codec_context.layout, track.rate_hz)
    for packet in container.demux(stream):
        frames: list[AudioFrame] = []
        with suppress(FFmpegError, ValueError):  # ValueError: another format than so far
            frames = [one for frame in stream.decode(packet) for one in converter.resample(frame)]
        yield from frames
    yield from converter.resample(None)


def _samples(frame: AudioFrame, track: SoundTrack) -> Samples:
    given: Samples = frame.to_ndarray().reshape(-1, track.channel_count)
    if track.codec == "pcm_s24le":  # in the upper bits of 32, rounded where the lower ones are used
        return (np.minimum(given, 2**31 - 256) + np.int32(128)) & np.int32(-256)
    return given


def as_carried(track: SoundTrack, container: str) -> SoundTrack:
    """The track as PCM in its own depth; fractions as such only where the source stores them so. In
    MXF, for whose writer in FFmpeg there is nothing else, at 48 kHz and 16 or 24 bits."""
    is_mxf, is_short = container == "mxf", track.sample_format in ("u8", "s16")
    wide = {"pcm_f32": "pcm_f32le", "pcm_f64": "pcm_f32le", "pcm_s32": "pcm_s32le"}
    codec = "pcm_s24le" if is_mxf else wide.get(track.codec[:7], "pcm_s24le")
    rate_hz = MXF_RATE_HZ if is_mxf else track.rate_hz
    layout = _MP4_LAYOUTS.get(track.layout, track.layout) if container == "mp4" else track.layout
    return replace(track, codec="pcm_s16le" if is_short else codec, rate_hz=rate_hz, layout=layout)


class Carrier:
    """Carries extras into one file: `prepare` before its header is written, `write_until` while its
    pictures are, and `prove` once it stands."""

    def __init__(self, path: str, extras: Extras, index: FrameIndex, encoding: Encoding) -> None:
        self.timing: Timing = plan_timing(index, encoding, has_sound=bool(extras.sound))
        self._extras, start_s = extras, index.pts[0] * index.time_base
        rate = self.timing.frame_rate
        late = round((start_s - extras.start_s) * rate)
        self._timecode = later_timecode(extras.timecode, rate, late)
        self._tracks = [as_carried(track, encoding.container) for track in extras.sound]
        self._sound = [read_sound(path, t, start_s, self.timing.duration_s) for t in self._tracks]
        self._streams: list[AudioStream] = []
        self._done = [0] * len(self._tracks)
        self._digests = [hashlib.blake2b() for _ in self._tracks]

    def prepare(self, container: OutputContainer, _context: VideoCodecContext) -> None:
        """State the tags and add the audio tracks."""
        video, extras = container.streams.video[0], self._extras
        told = {"timecode": self._timecode, "reel_name": extras.reel, **extras.tags}
        container.metadata.update({key: text for key, text in told.items() if text})
        if extras.reel:
            video.metadata["reel_name"] = extras.reel
        if extras.matrix:
            video.set_display_matrix(extras.matrix)
        for track in self._tracks:
            stream = container.add_stream(track.codec, rate=track.rate_hz, layout=track.layout)
            stream.metadata.update(track.labels)
            self._streams.append(cast(AudioStream, stream))

    def write_until(self, container: OutputContainer, time_s: Fraction | None) -> None:
        """Write all sound up to a time after the first picture; None: all that is left."""
        for place, (track, stream) in enumerate(zip(self._tracks, self._streams, strict=True)):
            while time_s is None or self._done[place] < time_s * track.rate_hz:
                samples = next(self._sound[place], None)
                if samples is None:
                    break
                flat = np.ascontiguousarray(samples).reshape(1, -1)
                frame = AudioFrame.from_ndarray(flat, _FRAMES[track.codec][0], track.layout)
                frame.sample_rate, frame.pts = track.rate_hz, self._done[place]
                frame.time_base = Fraction(1, track.rate_hz)
                container.mux(stream.encode(frame))
                self._done[place] += len(samples)
                self._digests[place].update(flat.data)
            if time_s is None:
                container.mux(stream.encode(None))

    def prove(self, path: Path, index: FrameIndex, where: str) -> None:
        """EncodingError unless the file holds every sample that was written, at its time."""
        for number, (track, written) in enumerate(zip(self._tracks, self._digests, strict=True)):
            found, start_s = hashlib.blake2b(), index.pts[0] * index.time_base
            back = replace(track, number=number)
            for samples in read_sound(path, back, start_s, self.timing.duration_s):
                found.update(np.ascontiguousarray(samples).data)
            if found.digest() != written.digest():
                what = f"audio track {number + 1} did not come back sample for sample"
                raise EncodingError(where=where, what=what, remedy="Choose another container.")


def carrier_for(path: str, index: FrameIndex, encoding: Encoding) -> Carrier | None:
    """What carries a file's extras into the encoding of its indexed pictures, where it has any."""
    extras = read_extras(path)
    return Carrier(path, extras, index, encoding) if extras else None


def survey(
    path: str, index: FrameIndex, made: MediaReference, aspect: Fraction
) -> tuple[Survival, ...]:
    """What became, in the file made of its indexed pictures, of all that the user's file holds;
    `aspect` is that of samples which follows from it for the file's own size."""
    before, after = read_extras(path), read_extras(made.media_path)
    before = replace(before, sample_aspect=aspect)
    had = describe(before, index, before)
    has = describe(after, read_frame_index(made.index_path), before)
    return tuple(Survival(thing=name, clip=had[name], file=has[name]) for name in THINGS)


def describe(extras: Extras, index: FrameIndex, of: Extras) -> dict[str, str | None]:
    """A file by the things of `model.survival`, None where it has none; of what `of`, the file that
    it was made of, has beside that, tags and HDR metadata count where they are the same."""
    sound, start_s = extras.sound, index.pts[0] * index.time_base
    late_s = [abs(s.start_s - start_s) - s.tick_s for s in sound if extras is not of]
    kept = [key for key, text in of.tags.items() if extras.tags.get(key) == text]
    hdr = [words for words, data in of.hdr.items() if extras.hdr.get(words) == data]
    channels = [f"{s.channel_count} at {s.rate_hz} Hz" for s in sound]
    is_constant = is_constant_rate(index, constant_rate(index))
    offset = round((start_s - extras.start_s) * constant_rate(index))
    timecode = later_timecode(extras.timecode, constant_rate(index), offset)
    layouts = {"1 channels": "mono", "2 channels": "stereo"}
    return {
        "sound": " + ".join((*channels, *("unreadable",) * extras.unreadable_count)) or None,
        "layout": " + ".join(layouts.get(s.layout, s.layout) for s in sound) or None,
        "sync": f"{1000 * float(max([Fraction(0), *late_s])):.3g} ms" if sound else None,
        "timecode": timecode or extras.timecode or None,
        "reel": extras.reel or None,
        "tags": ", ".join(kept) or None,
        "sample_aspect": None if extras.sample_aspect == 1 else str(extras.sample_aspect),
        "rotation": _turn(extras.matrix),
        "hdr": " + ".join(hdr) or None,
        "alpha": "alpha" if extras.has_alpha else None,
        "frame_count": str(index.frame_count),
        "variable_rate": None if is_constant else "variable",
    }


def _turn(matrix: tuple[int, ...]) -> str | None:
    """`90°`, clockwise, or `180° mirrored`."""
    if not matrix:
        return None
    a, b, _, c, d, *_ = matrix
    degrees = round(math.degrees(math.atan2(b, a))) % 360
    return f"{degrees}°{' mirrored' if a * d < b * c else ''}"

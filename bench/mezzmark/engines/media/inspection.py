"""Looks closely at one file, read-only. Long because each thing told has a few lines of its own."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from fractions import Fraction
from itertools import accumulate, islice, pairwise
from pathlib import Path
from statistics import median
from typing import Any, Final, NamedTuple

import numpy as np
from av.container import InputContainer
from av.error import FFmpegError
from av.video.stream import VideoStream

from mezzmark.engines.media import probe
from mezzmark.engines.media.frame_index import build_frame_index
from mezzmark.engines.media.pixels import Planes, frame_digest, pixel_format_facts, planes_of
from mezzmark.engines.media.shape import hdr_metadata_of, quarter_turns, slice_reader
from mezzmark.model import inspection as inspected
from mezzmark.model.colour import FULL_RANGE, Floats, chroma_of_code, luma_of_code
from mezzmark.model.errors import EncodingError, FootageError
from mezzmark.model.footage import FrameIndex

DEFAULT_EXAMINED_S: Final = 60.0
"""Of packets, unless told otherwise: enough for a rate over time, and seconds of reading."""

MAX_DECODED_S: Final = 10.0
"""Pictures are decoded over at most the first ten seconds, as `measure` does by default."""

OPEN_GROUP_TRIALS: Final = 3
"""Key frames from which a fresh decode is tried, to tell open groups of pictures from closed."""

MOST_SLICED: Final = 240
"""Pictures whose slices are counted: encoders cut all alike, and it reads every byte."""

MAX_RATE_DENOMINATOR: Final = 1001
"""Of a measured rate; all standard rates are n/1 or n/1001."""

LOOKED_AT_PX: Final = 100_000_000
MOST_PICTURES, FEWEST_PICTURES = 48, 12
"""48 pictures of 1080 lines, 12 of 2160: a few seconds of work."""

SAMPLED: Final = (slice(None, None, 4), slice(None, None, 4))
"""Samples whose levels are counted: a sixteenth."""


class _Packet(NamedTuple):
    """One video packet; its time is in track ticks, its slices 0 where they were not counted."""

    pts: int
    packet_bytes: int
    is_keyframe: bool
    slice_count: int


def inspect_media(path: str | Path, *, max_duration_s: float | None = None) -> inspected.Inspection:
    """What the file is over its first `max_duration_s` seconds (a minute if None). FootageError
    when it cannot be opened; why one that opens cannot be measured is in `refusal`."""
    examined_s = max_duration_s or DEFAULT_EXAMINED_S
    with probe.open_media(path) as (container, track):
        media = probe.describe_media(container, track, path)
        audio_tracks = _audio_tracks(container)
        packets, was_cut = _read_packets(container, track, media.time_base, examined_s)
        picture_tags = probe.stated_in_pictures(container, track)
        first = probe.first_picture(container, track)
    index, refusal = _indexed_start(path, examined_s)
    tick = media.time_base
    shown = sorted(packets, key=lambda packet: packet.pts)
    times = [packet.pts for packet in shown]
    steps = _steps(times)
    keys = [n for n, packet in enumerate(shown) if packet.is_keyframe]
    duration_s = float((times[-1] - times[0] + median(steps)) * tick) if steps else 0.0
    bits = sum(packet.packet_bytes for packet in packets) * 8
    return inspected.Inspection(
        media=media,
        is_excerpt=was_cut,
        examined_duration_s=duration_s,
        examined_frame_count=len(packets),
        decoded_frame_count=index.frame_count if index else 0,
        rate_kind=_rate_kind(times),
        measured_rate=_measured_rate(times, tick, media.frame_rate),
        frame_spacing_ms=_spread([float(step * tick * 1000) for step in steps]),
        keyframe_count=len(keys),
        keyframe_interval_frames=_spread(_steps(keys)),
        keyframe_spacing_s=_spread([float(n * tick) for n in _steps(times[key] for key in keys)]),
        group_kind=_group_kind(path, packets, index),
        b_frame_fraction=_b_frame_fraction(packets) if index else None,
        is_interlaced=first.interlaced_frame if first else None,
        picture_tags=picture_tags,
        hdr_metadata=hdr_metadata_of(first) if first else None,
        quarter_turns=quarter_turns(first) if first else 0,
        levels=read_levels(path),
        tag_names=inspected.name_tags(media.tags),
        bitrate_bps=bits / duration_s if duration_s else None,
        bitrate_by_second_bps=_rate_by_second(packets, tick, duration_s),
        audio_tracks=audio_tracks,
        is_stamped=index.is_stamped if index else False,
        slice_count=_spread([packet.slice_count for packet in packets if packet.slice_count]),
        suspicions=(index.suspicions if index else None) or (),
        refusal=refusal.what if refusal else "",
        refusal_remedy=refusal.remedy if refusal else "",
    )


def _steps(places: Iterable[int]) -> list[int]:
    """From each to the next."""
    return [later - earlier for earlier, later in pairwise(places)]


def _indexed_start(
    path: str | Path, examined_s: float
) -> tuple[FrameIndex | None, FootageError | None]:
    """The index of the first pictures, or why there is none."""
    try:
        return build_frame_index(path, max_duration_s=min(examined_s, MAX_DECODED_S)), None
    except FootageError as error:
        return None, error


def _audio_tracks(container: InputContainer) -> tuple[inspected.AudioTrack, ...]:
    return tuple(
        inspected.AudioTrack(
            codec=track.codec_context.codec.canonical_name,
            channel_count=track.channels or 0,
            sample_rate_hz=track.rate or 0,
        )
        for track in container.streams.audio
        if track.codec_context is not None
    )


def _read_packets(
    container: InputContainer, track: VideoStream, tick: Fraction, examined_s: float
) -> tuple[list[_Packet], bool]:
    """The packets of the first seconds in file order, and whether the file goes on after them."""
    packets: list[_Packet] = []
    read_slices = slice_reader(track.codec_context)
    try:
        for packet in container.demux(track):
            pts = packet.pts if packet.pts is not None else packet.dts
            if not packet.size or pts is None or packet.is_discard:
                continue
            if packets and float((pts - packets[0].pts) * tick) >= examined_s:
                return packets, True
            if len(packets) == MOST_SLICED:
                read_slices = None
            slices = len(read_slices(bytes(packet))) if read_slices else 0
            packets.append(_Packet(pts, packet.size, packet.is_keyframe, slices))
    except FFmpegError:
        pass  # a torn end; the index below says what is damaged
    return packets, False


def _rate_kind(times: Sequence[int]) -> inspected.RateKind:
    """Constant if every time lies within one tick of an even grid: containers round to ticks."""
    if len(times) < 2:
        return "unknown"
    step = Fraction(times[-1] - times[0], len(times) - 1)
    off = max(abs(time - times[0] - n * step) for n, time in enumerate(times))
    return "constant" if off <= 1 else "variable"


def _measured_rate(
    times: Sequence[int], tick: Fraction, stated: Fraction | None
) -> Fraction | None:
    """Frames over time; the stated rate where the two agree within the rounding of both ends."""
    if len(times) < 2 or times[-1] == times[0]:
        return None
    span = times[-1] - times[0]
    rate = (len(times) - 1) / (span * tick)
    if stated and abs(rate / stated - 1) <= Fraction(1, span):
        return stated
    return rate.limit_denominator(MAX_RATE_DENOMINATOR)


def _b_frame_fraction(packets: Sequence[_Packet]) -> float | None:
    """Share of pictures that are shown before one stored earlier, as only B frames are."""
    if not packets:
        return None
    latest = accumulate((packet.pts for packet in packets), max)
    return sum(p.pts < highest for p, highest in zip(packets, latest, strict=True)) / len(packets)


def _rate_by_second(
    packets: Sequence[_Packet], tick: Fraction, duration_s: float
) -> tuple[float, ...]:
    if not duration_s:
        return ()
    first = min(packet.pts for packet in packets)
    bits: Counter[int] = Counter()
    for packet in packets:
        bits[int((packet.pts - first) * tick)] += packet.packet_bytes * 8
    return tuple(
        bits[second] / min(1.0, duration_s - second)
        for second in range(max(bits) + 1)
        if duration_s > second
    )


def _spread(values: Sequence[float]) -> inspected.Spread | None:
    if not values:
        return None
    return inspected.Spread(minimum=min(values), median=median(values), maximum=max(values))


def _group_kind(
    path: str | Path, packets: Sequence[_Packet], index: FrameIndex | None
) -> inspected.GroupKind:
    """A closed group brings all pictures around its key frame as the sequential decode does."""
    if packets and all(packet.is_keyframe for packet in packets):
        return "intra"
    if index is None:
        return "unknown"
    digest_of = dict(zip(index.pts, index.digests, strict=True))
    starts = _pictures_at_keys(packets)
    tried = [(key, times) for key, times in starts.items() if times <= digest_of.keys()]
    # Groups with pictures shown before their key frame tell most.
    tried.sort(key=lambda start: len(start[1]), reverse=True)
    for key, times in tried[:OPEN_GROUP_TRIALS]:
        if _decode_from_key(path, key, times) != {pts: digest_of[pts] for pts in times}:
            return "open"
    return "closed" if tried else "unknown"


def _pictures_at_keys(packets: Sequence[_Packet]) -> dict[int, set[int]]:
    """By key frame but the first: times of it and of those stored after it but shown before."""
    pictures: dict[int, set[int]] = {}
    key: int | None = None
    for packet in packets[1:]:
        if packet.is_keyframe:
            key = packet.pts
            pictures[key] = {key}
        elif key is not None and packet.pts < key:
            pictures[key].add(packet.pts)
    return pictures


def _decode_from_key(path: str | Path, key_pts: int, wanted: set[int]) -> dict[int, str]:
    """Digests of the wanted pictures that a decoder started at this key frame brings."""
    brought: dict[int, str] = {}
    with probe.open_media(path) as (container, track):
        is_started = False
        try:
            for packet in container.demux(track):
                is_started |= packet.pts == key_pts
                if not is_started:
                    continue
                for frame in track.decode(packet):
                    if frame.pts in wanted:
                        brought[frame.pts] = frame_digest(frame)
                    elif frame.pts is not None and frame.pts > key_pts:
                        return brought
        except FFmpegError:
            pass
    return brought


def read_levels(
    path: str | Path, *, most_pictures: int = MOST_PICTURES
) -> inspected.PictureLevels | None:
    """Levels and P.910 figures of the first pictures alike; None of RGB, or if none is readable."""
    samples, spatial, temporal = [], [], []
    previous: Floats | None = None
    with probe.open_media(path) as (container, track):
        facts = pixel_format_facts(str(track.codec_context.pix_fmt))
        is_full = facts.is_full_range or int(track.codec_context.color_range) == FULL_RANGE
        form: Any = {"bit_depth": facts.bit_depth, "is_full_range": is_full}
        for planes in () if facts.is_rgb else _first_planes(container, track, most_pictures):
            samples.append([plane[SAMPLED].ravel() for plane in planes])
            luma = 255 * luma_of_code(planes[0].astype(np.float32), **form)
            spatial.append(spatial_information(luma))
            if previous is not None:
                temporal.append(float(np.std(luma - previous, dtype=np.float64)))
            previous = luma
    if not samples:
        return None
    codes, *chroma = (np.concatenate(part) for part in zip(*samples, strict=True))
    darkest, brightest = luma_of_code(np.quantile(codes, (0.001, 0.999)), **form)
    unit = 2 ** (facts.bit_depth - 8)
    spread = [np.abs(chroma_of_code(part.astype(np.float64), **form)) for part in chroma]
    return inspected.PictureLevels(
        picture_count=len(spatial),
        darkest=float(darkest),
        brightest=float(brightest),
        footroom_fraction=float(np.mean(codes <= 8 * unit)),
        headroom_fraction=float(np.mean(codes >= 247 * unit)),
        chroma=float(np.quantile(np.concatenate(spread), 0.95)) if spread else 0.0,
        spatial_information=max(spatial),
        temporal_information=max(temporal, default=0.0),
    )


def _first_planes(container: InputContainer, track: VideoStream, most: int) -> Iterator[Planes]:
    """Y'CbCr of the first pictures, as long as they are of the size and format announced."""
    context = track.codec_context
    kind = (context.pix_fmt, context.width, context.height)
    count = min(most, max(FEWEST_PICTURES, LOOKED_AT_PX // (context.width * context.height)))
    # What comes before a fault is looked at.
    with suppress(FFmpegError, EncodingError):
        for frame in islice(container.decode(track), count):
            if (frame.format.name, frame.width, frame.height) != kind or min(kind[1:]) < 3:
                return
            yield planes_of(frame)[:3]


def spatial_information(luma: Floats) -> float:
    """SI (ITU-T P.910, 7.8.1): the standard deviation of the Sobel gradient, edges left out."""
    smooth_down = luma[:-2] + 2 * luma[1:-1] + luma[2:]
    across = smooth_down[:, 2:] - smooth_down[:, :-2]
    slope_down = luma[2:] - luma[:-2]
    down = slope_down[:, :-2] + 2 * slope_down[:, 1:-1] + slope_down[:, 2:]
    return float(np.std(np.hypot(across, down), dtype=np.float64))

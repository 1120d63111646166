"""Every entry of the catalogue, in every container and pixel format it claims, really works."""

import os
import sys
from pathlib import Path

import av
import numpy as np
import pytest

from fixtures.encoded_pictures import (
    BT709_LIMITED,
    FRAME_COUNT,
    RATE,
    SMALL,
    decode_all,
    draw_pictures,
    kept_pictures,
    stamp_in,
    write_pictures,
)
from fixtures.ffmpeg_build import DROPPED
from mezzmark.engines.encode.encoders import open_encoder, probe_encoding
from mezzmark.engines.encode.timing import evenly_timed
from mezzmark.engines.media.pixels import planes_of
from mezzmark.engines.media.probe import probe_media
from mezzmark.model.catalogue.core import ENTRIES, find_encoding, resolve_custom
from mezzmark.model.encoding import CatalogueEntry, CustomEncoding, Encoding

SMALLER = (192, 112)
"""For the slowest codec, which has no smallest size to mind."""
DEEPER = {
    **{("RDD 36", f"{family}444p10le"): f"{family}444p12le" for family in ("yuv", "yuva")},
    ("uncompressed", "yuv444p10le"): "v30xle",
}
"""RDD 36's 4:4:4 profiles decode to 12 bits whatever went in, v410 to its own packing."""

LIKE_OTHERS = {
    *("jpeg2000-fine", "jpeg2000-good", "png-16", "hevc-intra-12"),
    *("avc-intra-50", "avc-intra-100", "ffv1-alpha", "rdd36-4444-alpha", "vc5-good-alpha"),
}
"""Slow encoders at another rate, depth or size than the entry that is tried each time, and what a
pixel format of another entry tries."""
OFFERED = [entry for entry in ENTRIES if entry.name not in DROPPED]

by_entry = pytest.mark.parametrize(
    "entry",
    [
        pytest.param(e, id=e.name, marks=[pytest.mark.slow] if e.name in LIKE_OTHERS else [])
        for e in OFFERED
        if not e.is_proxy  # the same but for the size
    ],
)


def combination(entry: CatalogueEntry, container: str, pixel_format: str) -> Encoding:
    """The entry in this container and pixel format."""
    return resolve_custom(
        CustomEncoding.model_validate(
            {
                "name": entry.name,
                "codec": entry.codec,
                "profile": entry.profile,
                "container": container,
                "pixel_format": pixel_format,
            }
        )
    )


def encode(encoding: Encoding, path: Path, *, thread_count: int = 1) -> list[av.VideoFrame]:
    """Encode the drawn pictures; the frames as they entered the encoder."""
    usual = SMALLER if encoding.codec == "JPEG 2000" else SMALL
    size = max(usual, encoding.smallest_size)
    frames, tags = kept_pictures(encoding.pixel_format, min(encoding.frame_sizes, default=size))
    write_pictures(frames, encoding, path, tags, thread_count=thread_count)
    return frames


def keyframe_flags(path: Path) -> list[bool]:
    """Whether each packet of a file is a key frame, in file order."""
    with av.open(str(path)) as container:
        return [p.is_keyframe for p in container.demux(container.streams.video[0]) if p.size]


@by_entry
@pytest.mark.parametrize("are_all", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_all_pictures_come_back_in_order(
    entry: CatalogueEntry, are_all: bool, tmp_path: Path
) -> None:
    """Twelve pictures go in and twelve come back with stamps 0 to 11, in the pixel format that was
    promised, from a file whose codec has the standard's name; an all-intra entry has key frames
    only, another has fewer; a lossless one gives every sample back, others alpha and depth. Tried
    are each container and each pixel format with the entry's first of the other, and slowly all
    pairs."""
    for container in entry.containers:
        usual = entry.pixel_formats[: None if container == entry.containers[0] else 1]
        for pixel_format in entry.pixel_formats if are_all else usual:
            where = f"{entry.name} {container} {pixel_format}"
            path = tmp_path / f"{pixel_format}.{container}"
            encoding = combination(entry, container, pixel_format)
            entered = encode(encoding, path)
            returned = decode_all(path)
            assert probe_media(path).codec == (entry.codec if entry.decoder else entry.encoder)
            assert [stamp_in(f) for f in returned] == list(range(FRAME_COUNT)), where
            expected = {DEEPER.get((entry.codec, pixel_format), pixel_format)}
            assert {f.format.name for f in returned} == expected, where
            flags = keyframe_flags(path)
            assert len(flags) == FRAME_COUNT, where
            assert all(flags) == encoding.is_intra, where
            if pixel_format.startswith(("yuva", "gbrap", "rgba")):
                for frame in returned:
                    assert_alpha_survives(frame)
            if pixel_format.endswith(("10le", "12le")) and entry.keyframe_interval == 1:
                assert_depth_survives(returned[0])
            if encoding.is_lossless:
                for before, after in zip(entered, returned, strict=True):
                    for drawn, got in zip(planes_of(before), planes_of(after), strict=True):
                        assert np.array_equal(drawn, got), where
            path.unlink()


def assert_alpha_survives(frame: av.VideoFrame) -> None:
    """The alpha ramp, 0 at the left to opaque at the right, comes back within 2 % everywhere."""
    alpha = planes_of(frame)[3].astype(float) / (2 ** frame.format.components[3].bits - 1)
    assert np.max(np.abs(alpha - np.linspace(0, 1, frame.width))) < 0.02


def assert_depth_survives(frame: av.VideoFrame) -> None:
    """Codes between the steps of 8 bits come back: were depth lost on the way, at most a quarter of
    the low two bits' values would occur in the luma or green plane."""
    below_stamp = planes_of(frame)[0][56:] >> frame.format.components[0].bits - 10
    shares = np.bincount((below_stamp & 3).ravel(), minlength=4) / below_stamp.size
    assert shares.min() > 0.1


@pytest.mark.parametrize(
    "entry",
    [e for e in OFFERED if any("444" in name for name in e.pixel_formats) and e.codec != "AV1"],
    ids=lambda entry: entry.name,
)
def test_full_chroma_survives(entry: CatalogueEntry, tmp_path: Path) -> None:
    """Chroma that alternates from column to column, which 4:2:2 averages away, keeps more than
    half of its swing in the 4:4:4 formats."""
    pixel_format = next(name for name in entry.pixel_formats if "444" in name)
    path = tmp_path / f"x.{entry.containers[0]}"
    encoding = combination(entry, entry.containers[0], pixel_format)
    frames, tags = draw_pictures(pixel_format)
    for frame in frames:
        planes_of(frame)[1][64:, 0::2] += 60 if frame.format.components[0].bits > 8 else 15
    swing = column_swing(frames[0])
    write_pictures(frames, encoding, path, tags)
    assert column_swing(decode_all(path)[0]) > 0.5 * swing


def column_swing(frame: av.VideoFrame) -> float:
    """Mean step of chroma between neighbouring columns, as a share of the largest code."""
    chroma = planes_of(frame)[1][68:].astype(float)
    steps = np.abs(np.diff(chroma, axis=1)).mean()
    return float(steps / 2 ** frame.format.components[0].bits)


@pytest.mark.parametrize(
    "name", ["vc3-sq", "rdd36-lt", "mjpeg-fine", "ffv1", "avc-long", "vc2-good"]
)
def test_two_threads_encode_the_same_pictures(name: str, tmp_path: Path) -> None:
    """Two threads bring all pictures in order too; codecs that split pictures into independent
    pieces write the very bytes of one thread (AVC's rate control looks elsewhere, so not AVC)."""
    encoding = find_encoding(name)
    packets = []
    for thread_count in (1, 2):
        path = tmp_path / f"{thread_count}.{encoding.container}"
        encode(encoding, path, thread_count=thread_count)
        assert [stamp_in(f) for f in decode_all(path)] == list(range(FRAME_COUNT))
        with av.open(str(path)) as container:
            packets.append([bytes(p) for p in container.demux(video=0) if p.size])
    if name != "avc-long":
        assert packets[0] == packets[1]


@pytest.mark.parametrize(
    "name", ["hevc-intra", "hevc-long", "av1-long", "av1-intra", "avc-long", "vc3-sq", "rdd36-hq"]
)
def test_one_thread_keeps_one_core_busy(name: str, tmp_path: Path) -> None:
    """With one thread asked for, CPU time is at most 1.15 of wall time: thread counts mean what
    they say also for encoders that pay no heed to FFmpeg's own setting. The least of three, since
    the clocks of a busy machine tick unevenly; threads let loose show in all three."""
    encoding = find_encoding(name)
    frames, tags = kept_pictures(encoding.pixel_format, (1280, 720))

    def busy_cores(attempt: int) -> float:
        wall_ns, cpu_ns = write_pictures(
            frames[:6], encoding, tmp_path / f"{attempt}.{encoding.container}", tags
        )
        return cpu_ns / wall_ns

    assert any(busy_cores(attempt) <= 1.15 for attempt in range(3))


@pytest.mark.skipif(sys.platform != "linux", reason="asks the Linux scheduler")
@pytest.mark.parametrize("name", ["av1-long", "hevc-long", "avc-long"])
def test_no_encoder_stays_a_real_time_thread(name: str, tmp_path: Path) -> None:
    """Once an encoder is open every thread of the process is scheduled like any other. (Run by
    root, libsvtav1 asks for real time; run by others it cannot, and this holds by itself.)"""
    encoding = find_encoding(name)
    encoder = open_encoder(
        tmp_path / f"x.{encoding.container}",
        encoding,
        size=SMALL,
        frame_rate=RATE,
        tags=BT709_LIMITED,
        thread_count=2,
    )
    frames, _ = kept_pictures(encoding.pixel_format)

    def policies() -> set[int]:
        tasks = Path("/proc/self/task").iterdir()
        return {os.sched_getscheduler(int(task.name)) for task in tasks}

    with encoder as (container, track):
        assert policies() == {os.SCHED_OTHER}
        for frame in evenly_timed(frames, RATE):
            container.mux(track.encode(frame))
        assert policies() == {os.SCHED_OTHER}


def test_all_encoders_of_the_catalogue_open_here() -> None:
    """The FFmpeg that PyAV's wheels bring has every encoder that the catalogue uses, but for one
    that newer ones dropped."""
    first = {entry.encoder: find_encoding(entry.name) for entry in reversed(OFFERED)}
    assert [probe_encoding(encoding) for encoding in first.values()] == [None] * len(first)

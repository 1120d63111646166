"""Tiny clips of every awkward kind, made in the test, with frame numbers the test itself wrote.

Each frame n carries the stamp n and moving texture, so that no two frames look alike and a frame
shown in another's place is seen by eye, by stamp and by digest.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from mezzmark.engines.stamp import write_stamp

WIDTH_PX, HEIGHT_PX = 320, 180
FRAME_COUNT = 48
RATE = Fraction(24000, 1001)
X264 = {
    "preset": "ultrafast",
    "x264-params": "keyint=12:min-keyint=12:scenecut=0:bframes=2:b-adapt=0",
}
X265 = "keyint=12:min-keyint=12:scenecut=0:bframes=2:b-adapt=0:log-level=none:pools=1"


@dataclass(frozen=True, kw_only=True)
class ZooClip:
    """How to make one clip: encoder, file name ending, options, and oddities."""

    encoder: str
    ending: str
    options: dict[str, str] = field(default_factory=dict)
    muxer: dict[str, str] = field(default_factory=dict)
    pixel_format: str = "yuv420p"
    has_audio: bool = False
    times: str = "even"
    first_pts: int = 0


def x264(extra: str, **options: str) -> dict[str, str]:
    """The AVC options above with more parameters."""
    return {**X264, **options, "x264-params": X264["x264-params"] + ":" + extra}


ZOO: dict[str, ZooClip] = {
    "avc-mp4": ZooClip(encoder="libx264", ending="mp4", options=X264),
    "avc-mp4-no-b": ZooClip(encoder="libx264", ending="mp4", options=x264("bframes=0")),
    "avc-mp4-open-gop": ZooClip(encoder="libx264", ending="mp4", options=x264("open-gop=1")),
    "avc-mp4-no-edit-list": ZooClip(
        encoder="libx264", ending="mp4", options=X264, muxer={"use_editlist": "0"}
    ),
    "avc-mp4-negative-offsets": ZooClip(
        encoder="libx264", ending="mp4", options=X264, muxer={"movflags": "negative_cts_offsets"}
    ),
    "avc-mp4-fragmented": ZooClip(
        encoder="libx264",
        ending="mp4",
        options=X264,
        muxer={"movflags": "frag_keyframe+empty_moov+default_base_moof"},
    ),
    "avc-mp4-late-start": ZooClip(encoder="libx264", ending="mp4", options=X264, first_pts=100),
    "avc-mp4-audio": ZooClip(encoder="libx264", ending="mp4", options=X264, has_audio=True),
    "avc-mp4-uneven": ZooClip(encoder="libx264", ending="mp4", options=X264, times="uneven"),
    "avc-mp4-intra-refresh": ZooClip(
        encoder="libx264", ending="mp4", options=x264("intra-refresh=1:bframes=0")
    ),
    "avc-mkv": ZooClip(encoder="libx264", ending="mkv", options=X264),
    "avc-mkv-uneven-audio": ZooClip(
        encoder="libx264", ending="mkv", options=X264, times="uneven", has_audio=True
    ),
    "avc-ts": ZooClip(encoder="libx264", ending="ts", options=X264),
    "avc-ts-open-gop-audio": ZooClip(
        encoder="libx264", ending="ts", options=x264("open-gop=1"), has_audio=True
    ),
    "avc-mov-intra-10-bit": ZooClip(
        encoder="libx264",
        ending="mov",
        options=x264("keyint=1:min-keyint=1"),
        pixel_format="yuv422p10le",
    ),
    "hevc-mp4-open-gop": ZooClip(
        encoder="libx265",
        ending="mp4",
        options={"preset": "ultrafast", "x265-params": X265 + ":open-gop=1"},
        pixel_format="yuv420p10le",
    ),
    "hevc-mkv-closed-gop": ZooClip(
        encoder="libx265",
        ending="mkv",
        options={"preset": "ultrafast", "x265-params": X265 + ":open-gop=0"},
    ),
    "av1-mp4": ZooClip(
        encoder="libsvtav1",
        ending="mp4",
        options={"preset": "9", "crf": "20", "g": "12", "svtav1-params": "lp=1"},
    ),
    "vp9-mkv": ZooClip(
        encoder="libvpx-vp9",
        ending="mkv",
        options={"crf": "20", "b": "0", "deadline": "realtime", "cpu-used": "8", "g": "12"},
    ),
    "mpeg2-ts-long-gop": ZooClip(
        encoder="mpeg2video", ending="ts", options={"g": "12", "bf": "2", "b": "4M"}
    ),
    "mpeg2-mxf-long-gop": ZooClip(
        encoder="mpeg2video", ending="mxf", options={"g": "12", "bf": "2", "b": "4M"}
    ),
    "vc3-mov": ZooClip(
        encoder="dnxhd", ending="mov", options={"profile": "dnxhr_lb"}, pixel_format="yuv422p"
    ),
    "vc3-mxf": ZooClip(
        encoder="dnxhd", ending="mxf", options={"profile": "dnxhr_lb"}, pixel_format="yuv422p"
    ),
    "rdd36-mov": ZooClip(encoder="prores", ending="mov", pixel_format="yuv422p10le"),
    "rdd36-mxf": ZooClip(encoder="prores_ks", ending="mxf", pixel_format="yuv422p10le"),
    "rdd36-mkv": ZooClip(encoder="prores", ending="mkv", pixel_format="yuv422p10le"),
    "vc5-mov": ZooClip(encoder="cfhd", ending="mov", pixel_format="yuv422p10le"),
    "mjpeg-avi": ZooClip(
        encoder="mjpeg", ending="avi", options={"qmin": "2", "qmax": "2"}, pixel_format="yuvj422p"
    ),
    "ffv1-mkv": ZooClip(
        encoder="ffv1", ending="mkv", options={"level": "3", "g": "1"}, pixel_format="yuv422p10le"
    ),
    "raw-nut": ZooClip(encoder="rawvideo", ending="nut", pixel_format="yuv422p"),
}


def make_zoo_clip(clip: ZooClip, folder: Path, frame_count: int = FRAME_COUNT) -> Path:
    """Write the clip into `folder` and give its path."""
    path = folder / f"clip.{clip.ending}"
    with av.open(str(path), "w", options=clip.muxer) as container:
        track = container.add_stream(clip.encoder, rate=RATE, options=clip.options)
        track.width, track.height, track.pix_fmt = WIDTH_PX, HEIGHT_PX, clip.pixel_format
        track.codec_context.thread_count = 1
        audio = (
            container.add_stream("mp2" if clip.ending == "ts" else "aac", rate=48000)
            if clip.has_audio
            else None
        )
        if clip.times == "uneven":
            track.codec_context.time_base = Fraction(1, 24000)
        for frame in stamped_frames(frame_count, clip.pixel_format):
            n = frame.pts
            frame.pts = clip.first_pts + n
            if clip.times == "uneven":
                frame.pts, frame.time_base = uneven_time(n), Fraction(1, 24000)
            container.mux(track.encode(frame))
            if audio is not None:
                container.mux(audio.encode(_silence(n)))
        container.mux(track.encode(None))
        if audio is not None:
            container.mux(audio.encode(None))
    return path


def uneven_time(n: int) -> int:
    """Variable frame rate: gaps of 1 to 3 frame durations at 24000 ticks a second."""
    return sum(1001 * (1 + k * k % 3) for k in range(n))


def stamped_frames(
    frame_count: int, pixel_format: str, size: tuple[int, int] = (WIDTH_PX, HEIGHT_PX)
) -> Sequence[av.VideoFrame]:
    """Frames of moving texture, each with its number as stamp and as pts."""
    width_px, height_px = size
    texture = np.random.default_rng(7).integers(40, 200, (height_px // 4, width_px // 4))
    canvas = np.kron(texture, np.ones((4, 4))).astype(np.uint8)
    frames = []
    for n in range(frame_count):
        luma = np.roll(canvas, (2 * n, 5 * n), (0, 1)).copy()
        write_stamp(luma, n, 1, 8)
        chroma = np.full((height_px // 2, width_px), 128, np.uint8)
        frame = av.VideoFrame.from_ndarray(np.vstack([luma, chroma]), format="yuv420p")
        frame = frame.reformat(format=pixel_format) if pixel_format != "yuv420p" else frame
        frame.pts = n
        frames.append(frame)
    return frames


def _silence(n: int) -> av.AudioFrame:
    samples = 2002
    sound = av.AudioFrame.from_ndarray(
        np.zeros((1, samples), np.float32), format="fltp", layout="mono"
    )
    sound.sample_rate, sound.pts = 48000, n * samples
    return sound

"""k* by the trial's search against all numbers in turn, on this machine: `python
tests/simulation/streams_sweep.py [ROUNDS] [SECONDS]`.

Each round a worker searches, and then a fresh process tries 1, 2, … to three beyond what it found,
by the same engine.
"""

import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import av
import numpy as np

from mezzmark.engines.media.frame_index import build_frame_index, write_frame_index
from mezzmark.engines.play import playback
from mezzmark.model.jobs import Measured
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks import streams
from mezzmark.model.tasks.spec import MediaReference, Seen
from mezzmark.model.tasks.streams import Level, StreamsJob, StreamsMeasurement
from mezzmark.runner.workers import last_answer, run_worker

HEIGHTS_PX = (1440, 1080, 720, 360)
"""The first at which two streams play is taken: a busy machine carries only small pictures."""

RATE, FRAMES, BEYOND = 15, 45, 3
ENCODERS = {
    "AVC": ("libx264", "mp4", "yuv420p", {"preset": "ultrafast", "g": "24"}),
    "Motion JPEG": ("mjpeg", "mov", "yuvj420p", {"qscale": "4"}),
}


def make_media(name: str, height_px: int, folder: Path) -> MediaReference:
    """Blocks of random grey that drift, three seconds of them."""
    encoder, ending, pixel_format, options = ENCODERS[name]
    path, width_px = folder / f"clip-{height_px}.{ending}", 16 * height_px // 9
    noise = np.random.default_rng(2).integers(0, 256, (height_px // 4 + 1, width_px // 2))
    blocks = np.kron(noise, np.ones((4, 4))).astype(np.uint8)[:height_px]
    with av.open(str(path), "w") as container:
        track = container.add_stream(encoder, rate=RATE, options=options)
        track.width, track.height, track.pix_fmt = width_px, height_px, pixel_format
        for n in range(FRAMES):
            grey = np.ascontiguousarray(blocks[:, 2 * n : 2 * n + width_px])
            picture = av.VideoFrame.from_ndarray(np.stack([grey] * 3, axis=-1), "rgb24")
            container.mux(track.encode(picture))
        container.mux(track.encode())
    index_path = path.with_suffix(".json")
    write_frame_index(build_frame_index(path, is_stamped=False), index_path)
    return MediaReference(media_path=str(path), index_path=str(index_path))


def _played(levels: tuple[Level, ...], duration_s: float) -> int:
    measured = StreamsMeasurement(duration_s=duration_s, levels=levels, proof=())
    return round(streams.streams_played(Seen(measured, None)))


def search(job: StreamsJob) -> int:
    """What a worker's trial comes to."""
    answer = last_answer(run_worker(job, timeout_s=600))
    assert isinstance(answer, Measured), answer
    return _played(answer.measurement.levels, job.duration_s)


def _try_all(job: StreamsJob) -> tuple[Level, ...]:
    streams.search_streams = lambda passes, *, most, rng: [passes(n + 1) for n in range(most)]
    return playback.run_streams(job, time.perf_counter_ns).measurement.levels


def sweep(job: StreamsJob) -> int:
    """What all numbers in turn come to, tried in a process of their own."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as fresh:
        return _played(fresh.submit(_try_all, job).result(), job.duration_s)


def compare(
    name: str, folder: Path, *, rounds: int, duration_s: float, core_count: int = 2
) -> Iterator[tuple[int, int]]:
    """By round: what the search found, and what all numbers in turn came to; nothing where not
    even the smallest pictures play twice."""
    for height_px in HEIGHTS_PX:
        job = StreamsJob(
            media=make_media(name, height_px, folder),
            player=PLAYERS["slice"],
            thread_count=core_count,
            viewer_height_px=height_px,
            refresh_hz=60,
            carrier="threads",
            duration_s=duration_s,
            most=16,
            seed=1,
        )
        if is_carried := sweep(job.model_copy(update={"most": 2})) == 2:
            break
    for index in range(rounds if is_carried else 0):
        own = job.model_copy(update={"seed": 100 + index})
        found = search(own)
        swept = sweep(own.model_copy(update={"most": found + BEYOND}))
        print(f"{name}, {height_px} lines: searched {found}, all in turn {swept}", flush=True)
        yield found, swept


if __name__ == "__main__":
    rounds, duration_s = (float(text) for text in (*sys.argv[1:], "6", "3")[:2])
    for name in ENCODERS:
        with tempfile.TemporaryDirectory() as folder:
            made = compare(name, Path(folder), rounds=int(rounds), duration_s=duration_s)
            list(made)

"""What the harness costs: the player beside a bare decoding loop on the same file.

`pytest tests/microbench --benchmark-enable` times both; without it each runs once and only the
pictures are compared. As a program this file prints the paired ratios:

    python tests/microbench/test_player_overhead.py [ROUNDS]

No test here asserts a time.
"""

import gc
import sys
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from av.video.reformatter import ColorRange, Colorspace, Interpolation, VideoReformatter

from mezzmark.engines.media.frame_index import build_frame_index, write_frame_index
from mezzmark.engines.media.pixels import frame_digest
from mezzmark.engines.play.player import Player
from mezzmark.engines.play.scrub import run_scrub
from mezzmark.model.footage import FrameIndex
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks.scrub import ScrubJob
from mezzmark.model.tasks.spec import MediaReference

SIZE = (1920, 1080)
FRAME_COUNT = 24
VIEW_HEIGHT_PX = 540
REQUESTS = tuple((7 * n) % FRAME_COUNT for n in range(2 * FRAME_COUNT))
FASTEST = ("rawvideo", "uyvy422", "mov")
"""Uncompressed: the least decoding there is, so the harness weighs most."""

USUAL = ("mjpeg", "yuvj420p", "mov")


def make_clip(folder: Path, encoder: str, pixel_format: str, ending: str) -> Path:
    """1080p of moving noise, all key frames."""
    path = folder / f"{encoder}.{ending}"
    noise = np.random.default_rng(3).integers(60, 180, (270, 480), np.uint8)
    luma = np.kron(noise, np.ones((4, 4), np.uint8))
    with av.open(str(path), "w") as container:
        track = container.add_stream(encoder, rate=Fraction(24))
        track.width, track.height, track.pix_fmt = *SIZE, pixel_format
        for n in range(FRAME_COUNT):
            picture = np.vstack([np.roll(luma, 16 * n, 1), np.full((540, 1920), 128, np.uint8)])
            frame = av.VideoFrame.from_ndarray(picture, format="yuv420p")
            frame = frame.reformat(format=pixel_format) if pixel_format != "yuv420p" else frame
            frame.pts = n
            container.mux(track.encode(frame))
        container.mux(track.encode(None))
    return path


class BareLoop:
    """The least that shows a frame: seek, decode, convert; nothing checked, nothing recorded."""

    def __init__(self, path: Path, index: FrameIndex) -> None:
        self._container = av.open(str(path))
        self._track = self._container.streams.video[0]
        self._track.codec_context.thread_count = 1
        self._pts = index.pts
        self._reformatter = VideoReformatter()

    def play(self) -> list[tuple[av.VideoFrame, av.VideoFrame]]:
        """All requests; the last picture and view only, so that memory is freed as in the task."""
        shown = []
        for n in REQUESTS:
            target = self._pts[n]
            self._container.seek(target, stream=self._track)
            for picture in self._container.decode(self._track):
                if picture.pts == target:
                    break
            view = self._reformatter.reformat(
                picture,
                width=960,
                height=VIEW_HEIGHT_PX,
                format="rgb24",
                src_colorspace=Colorspace.ITU709,
                src_color_range=ColorRange.JPEG if "j" in picture.format.name else ColorRange.MPEG,
                dst_color_range=ColorRange.JPEG,
                interpolation=Interpolation.BILINEAR,
                threads=1,
            )
            shown = [(picture, view)]
        return shown


class OurLoop:
    """The same requests through the player, with its spans, as the scrub task calls it."""

    def __init__(self, path: Path, index: FrameIndex, index_path: Path) -> None:
        media = MediaReference(media_path=str(path), index_path=str(index_path))
        self.job = ScrubJob(
            media=(media,),
            requests=tuple((0, n) for n in REQUESTS),
            policy="reseek",
            thread_count=1,
            player=PLAYERS["slice"],
            viewer_height_px=VIEW_HEIGHT_PX,
        )
        self._player = Player(path, index, self.job)

    def play(self) -> list[tuple[av.VideoFrame, av.VideoFrame]]:
        """All requests; the last picture and view."""
        shown = []
        for n in REQUESTS:
            move = self._player.move(n, time.perf_counter_ns)
            shown = [(move.picture, move.view)]
        return shown


def make_pair(folder: Path, kind: tuple[str, str, str]) -> tuple[BareLoop, OurLoop]:
    """Both loops on one file."""
    path = make_clip(folder, *kind)
    index = build_frame_index(path)
    index_path = folder / f"{kind[0]}.json"
    write_frame_index(index, index_path)
    return BareLoop(path, index), OurLoop(path, index, index_path)


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[BareLoop, OurLoop]:
    """Both loops on the file that decodes fastest."""
    return make_pair(tmp_path_factory.mktemp("overhead"), FASTEST)


def test_bare_loop_and_player_show_the_same(pair: tuple[BareLoop, OurLoop]) -> None:
    """The two do the same work: their last picture and view are equal to the sample."""
    ((bare_picture, bare_view),), ((our_picture, our_view),) = pair[0].play(), pair[1].play()
    assert frame_digest(bare_picture) == frame_digest(our_picture)
    assert frame_digest(bare_view) == frame_digest(our_view)


def test_bare_loop(pair: tuple[BareLoop, OurLoop], benchmark: Callable) -> None:
    """Two dozen frames twice over, by the bare loop."""
    assert benchmark(pair[0].play)


def test_player(pair: tuple[BareLoop, OurLoop], benchmark: Callable) -> None:
    """The same by the player."""
    assert benchmark(pair[1].play)


def test_recorded_overhead_is_beside_the_spans(pair: tuple[BareLoop, OurLoop]) -> None:
    """Every sample of the task carries what the harness cost beside it, more than nothing."""
    measured = run_scrub(pair[1].job, time.perf_counter_ns).measurement
    assert all(overhead > 0 for overhead in measured.overhead_ns)


Timed = Callable[[], tuple[float, float]]
"""A loop that gives its wall and processor time in seconds."""


def timed(loop: Callable[[], object]) -> Timed:
    """The loop with both clocks around it. Processor time of the whole process suffers least from
    neighbours on a shared machine, and everything here runs on one thread."""

    def measure() -> tuple[float, float]:
        start = time.perf_counter(), time.process_time()
        loop()
        return time.perf_counter() - start[0], time.process_time() - start[1]

    return measure


def paired_ratios(one: Timed, other: Timed, rounds: int) -> np.ndarray:
    """(wall, processor) time of `one` over `other`, by rounds; they take turns to go first."""
    ratios = []
    gc.disable()
    for number in range(rounds):
        first, second = (one, other) if number % 2 else (other, one)
        times = {first: first()}
        times[second] = second()
        ratios.append(np.divide(times[one], times[other]))
    gc.enable()
    return np.array(ratios)


def describe(ratios: np.ndarray) -> str:
    """Median, quartiles and a distribution-free 95 % interval of the median (order statistics)."""
    parts = []
    for label, column in zip(("wall", "processor"), ratios.T, strict=True):
        values = np.sort(column)
        count = len(values)
        low = max(0, int(np.floor(count / 2 - 0.98 * np.sqrt(count))))
        quartiles = np.quantile(values, (0.25, 0.75))
        parts.append(
            f"{label} {np.median(values):.4f} [{values[low]:.4f}, {values[count - 1 - low]:.4f}], "
            f"quartiles {quartiles[0]:.4f} to {quartiles[1]:.4f}"
        )
    return f"{'; '.join(parts)}; {len(ratios)} pairs"


def main() -> None:
    """Print the ratios."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 61
    print("PyAV", av.__version__)
    with tempfile.TemporaryDirectory() as name:
        for kind in (FASTEST, USUAL):
            bare, ours = make_pair(Path(name), kind)
            bare.play()
            ours.play()
            one, other = timed(ours.play), timed(bare.play)
            print(f"player / bare loop, {kind[0]}:", describe(paired_ratios(one, other, rounds)))
            same = timed(bare.play)
            print("  noise, bare / bare:", describe(paired_ratios(same, other, rounds)))


if __name__ == "__main__":
    main()

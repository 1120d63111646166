"""What judging an encoding costs against making and reading it; run where benchmarks are asked."""

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from statistics import median
from time import perf_counter_ns, process_time_ns

import pytest
from av.video.frame import VideoFrame

from fixtures.encoded_pictures import write_pictures
from fixtures.scrubbed import indexed
from mezzmark.engines.footage.originals import write_original
from mezzmark.engines.media.conversion import Converter
from mezzmark.engines.media.probe import probe_media
from mezzmark.engines.picture.fidelity import run_fidelity
from mezzmark.engines.picture.generations import decoded_frames
from mezzmark.model.catalogue.core import find_encoding
from mezzmark.model.encoding import Encoding
from mezzmark.model.footage import OriginalSpec, Recipe
from mezzmark.model.tasks.fidelity import FidelityJob, FidelitySettings

RATE = Fraction(24)
FRAMES = 48
REPEATS = 3
MOST_TIMES = 3.0
"""Judging 48 frames of 2160 lines may take so many times what encoding and decoding them takes."""


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two seconds of a camera original in long groups of pictures, as scenarios make them."""
    path = tmp_path_factory.mktemp("clip") / "original.mp4"
    recipe = Recipe(width_px=3840, height_px=2160, frame_rate=RATE, duration_s=FRAMES / 24)
    write_original(path, recipe, OriginalSpec(bitrate_bps=100_000_000), 7, advance=lambda _: None)
    return path


def entering(clip: Path, encoding: Encoding) -> Iterator[VideoFrame]:
    """The clip's frames in the encoding's pixel format."""
    converter = Converter(probe_media(str(clip)), encoding.pixel_format, thread_count=1)
    for frame in decoded_frames(clip, 1):
        yield converter.convert(frame)


def encode_and_decode_ns(clip: Path, encoding: Encoding, path: Path) -> tuple[int, int]:
    """Processor time to decode and convert the clip, and to encode its frames and decode those."""
    begin_ns = process_time_ns()
    frames = list(entering(clip, encoding))
    entering_ns = process_time_ns() - begin_ns
    tags = Converter(probe_media(str(clip)), encoding.pixel_format, thread_count=1).tags
    begin_ns = process_time_ns()
    write_pictures(frames, encoding, path, tags, frame_rate=RATE)
    assert sum(1 for _ in decoded_frames(path, 1)) == FRAMES
    return entering_ns, process_time_ns() - begin_ns


@pytest.mark.slow
@pytest.mark.benchmark(group="fidelity")
@pytest.mark.parametrize("name", ["vc3-lb", "mjpeg-fine", "vc5-good", "rdd36-standard-fast"])
def test_fidelity_against_encode_and_decode(benchmark, name: str, request, tmp_path) -> None:
    """Judging one generation costs at most 3 times what making the file from the clip and decoding
    it costs, in processor time of one thread (median of ratios in turn), where benchmarks are on;
    nothing is asserted about time in an ordinary run. The extra information also has the ratio to
    encoding from memory and decoding alone, without the clip's own decoder: up to 3.3 for the
    fastest encodings, since a camera's long groups of pictures cost more to decode than they do
    to encode."""
    if benchmark.disabled:
        pytest.skip("only measured with benchmarks on")
    clip = request.getfixturevalue("clip")  # 2160 lines: made where it is wanted
    encoding = find_encoding(name)
    job = FidelityJob(
        source=indexed(clip, tmp_path, is_stamped=False),
        encoding=encoding,
        settings=FidelitySettings(generations=1, frames=FRAMES),
        thread_count=1,
        scratch_dir=str(tmp_path),
    )
    ratios, from_memory = [], []

    def in_turn() -> None:
        alone = tmp_path / f"alone.{encoding.container}"
        entering_ns, alone_ns = encode_and_decode_ns(clip, encoding, alone)
        begin_ns = process_time_ns()
        run_fidelity(job, perf_counter_ns)
        judged_ns = process_time_ns() - begin_ns
        ratios.append(judged_ns / (entering_ns + alone_ns))
        from_memory.append(judged_ns / alone_ns)
        for made in tmp_path.glob(f"*.{encoding.container}"):
            made.unlink()  # made here

    benchmark.pedantic(in_turn, rounds=REPEATS, iterations=1)
    benchmark.extra_info["times_transcode_decode"] = [round(ratio, 2) for ratio in ratios]
    benchmark.extra_info["times_encode_decode"] = [round(ratio, 2) for ratio in from_memory]
    assert median(ratios) <= MOST_TIMES

"""What judging an encoding costs against making and reading it; run where benchmarks are asked."""

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from statistics import median
from time import perf_counter_ns, process_time_ns

import pytest
from av.video.frame import VideoFrame

from mezzmark.engines.convert import Converter
from mezzmark.engines.encode import encode_frames
from mezzmark.engines.fidelity import run_fidelity
from mezzmark.engines.frame_index import build_frame_index
from mezzmark.engines.generations import decoded_frames
from mezzmark.engines.media import probe_media
from mezzmark.engines.originals import write_original
from mezzmark.facts.catalogue import find_encoding
from mezzmark.facts.encoding import Encoding
from mezzmark.facts.fidelity import FidelitySettings
from mezzmark.facts.footage import OriginalSpec, Recipe
from mezzmark.facts.jobs import FidelityJob, MediaReference

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


def encode_and_decode_ns(clip: Path, encoding: Encoding, path: Path) -> int:
    """Processor time to encode the frames from memory and to decode them."""
    frames = list(entering(clip, encoding))
    tags = Converter(probe_media(str(clip)), encoding.pixel_format, thread_count=1).tags
    begin_ns = process_time_ns()
    encode_frames(
        frames,
        encoding,
        path,
        frame_rate=RATE,
        thread_count=1,
        tags=tags,
        clock_ns=perf_counter_ns,
    )
    assert sum(1 for _ in decoded_frames(path, 1)) == FRAMES
    return process_time_ns() - begin_ns


@pytest.mark.benchmark(group="fidelity")
@pytest.mark.parametrize("name", ["vc3-lb", "mjpeg-fine", "vc5-good", "rdd36-standard-fast"])
def test_fidelity_against_encode_and_decode(benchmark, name: str, clip: Path, tmp_path) -> None:
    """Judging one generation costs at most 3 times what encoding the same frames from memory and
    decoding them costs, in processor time of one thread (median of ratios in turn), where
    benchmarks are on; nothing is asserted about time in an ordinary run."""
    if benchmark.disabled:
        pytest.skip("only measured with benchmarks on")
    encoding = find_encoding(name)
    index = tmp_path / "index.json"
    index.write_text(build_frame_index(clip, is_stamped=False).model_dump_json())
    job = FidelityJob(
        source=MediaReference(media_path=str(clip), index_path=str(index)),
        encoding=encoding,
        settings=FidelitySettings(generations=1, frames=FRAMES),
        thread_count=1,
        scratch_dir=str(tmp_path),
    )
    ratios = []

    def in_turn() -> None:
        alone_ns = encode_and_decode_ns(clip, encoding, tmp_path / f"alone.{encoding.container}")
        begin_ns = process_time_ns()
        run_fidelity(job, perf_counter_ns)
        ratios.append((process_time_ns() - begin_ns) / alone_ns)
        for made in tmp_path.glob(f"*.{encoding.container}"):
            made.unlink()  # made here

    benchmark.pedantic(in_turn, rounds=REPEATS, iterations=1)
    benchmark.extra_info["times_encode_decode"] = [round(ratio, 2) for ratio in ratios]
    assert median(ratios) <= MOST_TIMES

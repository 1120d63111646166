"""What judging an encoding costs against making and reading it; run where benchmarks are asked."""

from fractions import Fraction
from pathlib import Path
from time import perf_counter_ns, process_time_ns

import av
import numpy as np
import pytest

from mezzmark.engines.encode import encode_frames
from mezzmark.engines.fidelity import run_fidelity
from mezzmark.engines.frame_index import build_frame_index
from mezzmark.engines.generations import decoded_frames
from mezzmark.engines.pixels import frame_from_planes, planes_of
from mezzmark.facts.catalogue import find_encoding
from mezzmark.facts.fidelity import FidelitySettings
from mezzmark.facts.footage import ColourTags
from mezzmark.facts.jobs import FidelityJob, MediaReference

RATE = Fraction(24)
TAGS = ColourTags(colour_range=1, primaries=1, transfer=1, matrix=1)
FRAMES = 48
SIZE = (3840, 2160)
MOST_TIMES = 3.0
"""Judging 48 frames of 2160 lines may take so many times what encoding and decoding them takes."""


def pictures(pixel_format: str):
    """Textured pictures that move."""
    like = av.VideoFrame(*SIZE, pixel_format)
    deep = like.format.components[0].bits - 8
    rng = np.random.default_rng(3)
    planes = [
        (np.clip(rng.normal(120, 20, plane.shape), 16, 235) * 2**deep).astype(plane.dtype)
        for plane in planes_of(like)
    ]
    for number in range(FRAMES):
        moved = tuple(np.roll(plane, 2 * number, axis=1) for plane in planes)
        yield frame_from_planes(moved, pixel_format, TAGS)


@pytest.mark.benchmark(group="fidelity")
@pytest.mark.parametrize("name", ["vc3-lb", "rdd36-hq"])
def test_fidelity_against_encode_and_decode(benchmark, name: str, tmp_path: Path) -> None:
    """The ratio of processor times (one thread) is in the benchmark's extra information, and is
    at most 3 where benchmarks are on; nothing is asserted about time in an ordinary run."""
    if benchmark.disabled:
        pytest.skip("only measured with benchmarks on")
    encoding = find_encoding(name)
    source = tmp_path / "source.mov"
    encode_frames(
        list(pictures("yuv422p")),
        find_encoding("vc3-hq"),
        source,
        frame_rate=RATE,
        thread_count=1,
        tags=TAGS,
        clock_ns=perf_counter_ns,
    )
    index = tmp_path / "index.json"
    index.write_text(build_frame_index(source, is_stamped=False).model_dump_json())
    frames = list(pictures(encoding.pixel_format))
    begin_ns = process_time_ns()
    encode_frames(
        frames,
        encoding,
        tmp_path / f"alone.{encoding.container}",
        frame_rate=RATE,
        thread_count=1,
        tags=TAGS,
        clock_ns=perf_counter_ns,
    )
    assert sum(1 for _ in decoded_frames(tmp_path / f"alone.{encoding.container}", 1)) == FRAMES
    alone_ns = process_time_ns() - begin_ns
    del frames
    job = FidelityJob(
        source=MediaReference(media_path=str(source), index_path=str(index)),
        encoding=encoding,
        settings=FidelitySettings(generations=1, frames=FRAMES),
        thread_count=1,
        scratch_dir=str(tmp_path),
    )
    begin_ns = process_time_ns()
    benchmark.pedantic(run_fidelity, args=(job, perf_counter_ns), rounds=1, iterations=1)
    ratio = (process_time_ns() - begin_ns) / alone_ns
    benchmark.extra_info["times_encode_and_decode"] = round(ratio, 2)
    assert ratio <= MOST_TIMES

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
from mezzmark.facts.encoding import Encoding
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


def encode_and_decode_ns(encoding: Encoding, path: Path) -> int:
    """Processor time to encode the pictures from memory and to decode them; measured before and
    after the judging, so that a machine whose speed wanders does not favour one side."""
    frames = list(pictures(encoding.pixel_format))
    begin_ns = process_time_ns()
    encode_frames(
        frames,
        encoding,
        path,
        frame_rate=RATE,
        thread_count=1,
        tags=TAGS,
        clock_ns=perf_counter_ns,
    )
    assert sum(1 for _ in decoded_frames(path, 1)) == FRAMES
    return process_time_ns() - begin_ns


@pytest.mark.benchmark(group="fidelity")
@pytest.mark.parametrize("name", ["vc3-lb", "rdd36-hq"])
def test_fidelity_against_encode_and_decode(benchmark, name: str, tmp_path: Path) -> None:
    """Judging costs at most 3 times what making the file from the clip (decode, convert, encode)
    and decoding it costs, in processor time of one thread, where benchmarks are on; nothing is
    asserted about time in an ordinary run. The extra information also has the ratio to encoding
    from memory and decoding alone: above 3 for the fastest encodings, since judging has to decode
    the clip twice, once to encode it and once to compare with it."""
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
    begin_ns = process_time_ns()
    assert sum(1 for _ in decoded_frames(source, 1)) == FRAMES
    clip_ns = process_time_ns() - begin_ns
    before_ns = encode_and_decode_ns(encoding, tmp_path / f"before.{encoding.container}")
    job = FidelityJob(
        source=MediaReference(media_path=str(source), index_path=str(index)),
        encoding=encoding,
        settings=FidelitySettings(generations=1, frames=FRAMES),
        thread_count=1,
        scratch_dir=str(tmp_path),
    )
    begin_ns = process_time_ns()
    benchmark.pedantic(run_fidelity, args=(job, perf_counter_ns), rounds=1, iterations=1)
    judged_ns = process_time_ns() - begin_ns
    after_ns = encode_and_decode_ns(encoding, tmp_path / f"after.{encoding.container}")
    alone_ns = (before_ns + after_ns) / 2
    ratio = judged_ns / (alone_ns + clip_ns)
    benchmark.extra_info["times_decode_encode_decode"] = round(ratio, 2)
    benchmark.extra_info["times_encode_decode_from_memory"] = round(judged_ns / alone_ns, 2)
    assert ratio <= MOST_TIMES

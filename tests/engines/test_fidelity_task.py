"""The fidelity task on small clips made in the test."""

import base64
import math
from fractions import Fraction
from pathlib import Path
from time import perf_counter_ns
from types import SimpleNamespace

import av
import numpy as np
import psutil
import pytest

from fixtures.encoded_pictures import kept_pictures, write_pictures
from fixtures.ffmpeg_build import DROPPED
from fixtures.measured_quality import measure_quality
from fixtures.scrubbed import indexed
from mezzmark.decide.picture.fidelity import generation_figures, judge_encodings
from mezzmark.engines.media.pixels import frame_from_planes, planes_of
from mezzmark.engines.picture.fidelity import run_fidelity
from mezzmark.engines.picture.generations import same_planes, shifted
from mezzmark.model.catalogue.core import ENTRIES, find_encoding
from mezzmark.model.cell import Cell
from mezzmark.model.errors import EncodingError
from mezzmark.model.footage import ColourTags
from mezzmark.model.records import Trial
from mezzmark.model.tasks.fidelity import (
    FidelityJob,
    FidelityMeasurement,
    FidelitySettings,
    weighted_error,
)
from mezzmark.model.tasks.spec import MediaReference
from mezzmark.report.tables.picture import quality_table

RATE = Fraction(24000, 1001)
TAGS = ColourTags(colour_range=1, primaries=1, transfer=1, matrix=1)
SIZE = (320, 180)


def picture(number: int, pixel_format: str, size: tuple[int, int] = SIZE) -> av.VideoFrame:
    """A textured picture that differs from frame to frame."""
    rng = np.random.default_rng(number)
    like = av.VideoFrame(*size, pixel_format)
    deep = like.format.components[0].bits - 8
    planes = []
    for plane in planes_of(like):
        ramp = np.linspace(40, 200, plane.shape[1])[None, :] + np.zeros(plane.shape)
        noise = rng.normal(0, 12, plane.shape)
        planes.append((np.clip(ramp + noise, 16, 235) * 2**deep).astype(plane.dtype))
    return frame_from_planes(tuple(planes), pixel_format, TAGS)


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> MediaReference:
    """A lossless 4:2:0 clip of 4 frames and its index."""
    folder = tmp_path_factory.mktemp("source")
    encoding = find_encoding("ffv1").model_copy(update={"pixel_format": "yuv420p"})
    path = folder / "clip.mkv"
    write_pictures([picture(n, "yuv420p") for n in range(4)], encoding, path, TAGS, frame_rate=RATE)
    return indexed(path, is_stamped=False)


def judged(
    source: MediaReference, name: str, folder: Path, **settings: object
) -> FidelityMeasurement:
    """The fidelity task's measurement of one encoding."""
    encoding = find_encoding(name)
    job = FidelityJob(
        source=source,
        encoding=encoding,
        settings=FidelitySettings(**{"frames": 4, "generations": 2, **settings}),
        thread_count=1,
        scratch_dir=str(folder),
    )
    measured = run_fidelity(job, perf_counter_ns).measurement
    assert isinstance(measured, FidelityMeasurement)
    return measured


LOSSLESS = [
    entry.name for entry in ENTRIES if entry.is_lossless and entry.name not in {"png-16", *DROPPED}
]


@pytest.mark.parametrize("name", LOSSLESS)
def test_lossless_encodings_are_bit_exact(
    name: str, source: MediaReference, tmp_path: Path
) -> None:
    """Every lossless encoding of the catalogue brings back, twice over, the planes that entered,
    and no infinity appears."""
    found = judged(source, name, tmp_path)
    assert [g.is_bit_exact for g in found.generations] == [True, True]
    figures = found.model_dump_json(exclude={"worst_frame"})
    assert "inf" not in figures.lower()
    assert FidelityMeasurement.model_validate_json(found.model_dump_json()) == found


def test_lossy_encodings_are_not(source: MediaReference, tmp_path: Path) -> None:
    """A lossy encoding is not called bit-exact, loses more in the second generation with a
    shift between them, and names its worst frame with a crop of both sides."""
    found = judged(source, "vc3-lb", tmp_path, shift_px=2)
    first, second = (generation_figures(g, frame_rate=24.0) for g in found.generations)
    assert not first.is_bit_exact
    assert found.generations[0].differing_frame_count == 4
    assert second.frames["psnr"].mean < first.frames["psnr"].mean
    errors = weighted_error(found.generations[0].quality)
    assert found.worst_frame is not None
    assert found.worst_frame.frame_index == int(errors.argmax())
    assert base64.b64decode(found.worst_frame.before_png).startswith(b"\x89PNG")
    assert found.worst_frame.before_png != found.worst_frame.after_png


def test_alpha_is_judged_beside_the_picture(tmp_path: Path) -> None:
    """Of a ramp of alpha FFV1 brings back each sample, RDD 36 4444 what quarters of a 10-bit step
    are off, and VC-3, which has no alpha, nothing; the table says so."""
    path = tmp_path / "clip.mkv"
    frames, tags = kept_pictures("yuva444p10le")
    write_pictures(frames[:2], find_encoding("ffv1-alpha"), path, tags)
    clip = indexed(path, is_stamped=False)
    found = {}
    for name in ("ffv1-alpha", "rdd36-4444-alpha", "vc3-hqx"):
        (folder := tmp_path / name).mkdir()
        one = judged(clip, name, folder, generations=1, frames=2)
        cell = Cell(task="fidelity", clip="x", encoding=name)
        trial = Trial.model_construct(cell=cell, measurement=one, outcome="finished")
        (found[name],) = judge_encodings([trial])
    assert found["ffv1-alpha"].alpha_db == math.inf
    assert found["ffv1-alpha"].is_bit_exact
    assert 80 < found["rdd36-4444-alpha"].alpha_db < 120
    assert found["vc3-hqx"].alpha_db is None
    view = SimpleNamespace(fidelity=tuple(found.values()), prefix="")
    table = quality_table(view)
    place = [column.head for column in table.columns].index("alpha")
    assert [row[place].point for row in table.rows][::2] == ["equal", "lost"]


@pytest.mark.parametrize("name", ["mjpeg-good-half", "mjpeg-good"])
def test_a_proxy_is_judged_at_the_size_of_the_clip(name: str, tmp_path: Path) -> None:
    """Fine detail, which a whole size keeps and half a size cannot, is counted as lost; the chart
    has the proxy's size, and the worst crop the clip's."""
    path = tmp_path / "clip.mkv"
    size = (640, 360)
    frames = [picture(n, "yuv422p10le", size) for n in range(2)]
    write_pictures(frames, find_encoding("ffv1"), path, TAGS)
    clip = indexed(path, is_stamped=False)
    found = judged(clip, name, tmp_path, metrics=("psnr",))
    first, second = (generation_figures(g, frame_rate=25) for g in found.generations)
    is_proxy = name == "mjpeg-good-half"
    assert (first.frames["psnr"].mean < 28) == is_proxy
    assert second.frames["psnr"].mean > first.frames["psnr"].mean - 6
    assert (found.chart.chart.width_px, found.chart.chart.height_px) == (
        (320, 180) if is_proxy else size
    )
    assert found.worst_frame is not None


def test_only_the_last_generation_is_left(source: MediaReference, tmp_path: Path) -> None:
    """Scratch holds one generation and the chart at the end, whatever the number of generations;
    the source is untouched."""
    before = Path(source.media_path).read_bytes()
    judged(source, "avc-intra-fast", tmp_path, generations=4)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["chart.mov", "generation-4.mov"]
    assert Path(source.media_path).read_bytes() == before


def test_bit_depth_step_costs_a_ten_bit_encoding(source: MediaReference, tmp_path: Path) -> None:
    """Passing 10-bit pictures through 8 bits between lossless generations ends bit-exactness."""
    found = judged(source, "ffv1", tmp_path, bit_depth_step=True)
    assert [g.is_bit_exact for g in found.generations] == [True, False]


def test_shift_and_back_is_nothing() -> None:
    """A picture moved and moved back has the same planes, at every chroma subsampling."""
    for name in ("yuv420p", "yuv422p10le", "yuvj444p", "gbrp12le"):
        frame = picture(1, name)
        assert not same_planes(shifted(frame, 6), frame)
        assert same_planes(shifted(shifted(frame, 6), -6), frame)


@pytest.mark.parametrize(
    "name", ["yuv420p", "yuv422p", "yuv444p10le", "gbrp10le", "yuvj422p", "uyvy422", "yuva444p"]
)
def test_squared_error_in_every_format(name: str) -> None:
    """Errors come from the samples as they are: no format is converted on the way (to 1e-6)."""
    planar = {"uyvy422": "yuv422p"}.get(name, name)
    first, second = picture(1, planar), picture(2, planar)
    expected = [
        np.mean((a.astype(float) - b.astype(float)) ** 2)
        for a, b in zip(planes_of(first)[:3], planes_of(second)[:3], strict=True)
    ]
    if planar != name:
        first, second = first.reformat(format=name), second.reformat(format=name)
    found = measure_quality([first], [second])
    assert found.squared_error[0] == pytest.approx(expected, rel=1e-6)


def test_one_sample_of_difference_is_not_bit_exact() -> None:
    """A single sample off by one code is seen even where the printed error is 0.000000."""
    size = (1920, 1080)
    base = av.VideoFrame(*size, "yuv422p")
    planes = tuple(np.full(p.shape, 90, np.uint8) for p in planes_of(base))
    changed = tuple(p.copy() for p in planes)
    changed[0][500, 700] += 1
    first = frame_from_planes(planes, "yuv422p")
    second = frame_from_planes(changed, "yuv422p")
    assert measure_quality([first], [second]).squared_error[0][0] == 0.0
    assert not same_planes(first, second)


def test_streams_of_unequal_length_are_refused() -> None:
    """A lost frame is an error, never a shorter comparison."""
    three = [picture(n, "yuv420p") for n in range(3)]
    with pytest.raises(EncodingError, match="number of frames"):
        measure_quality(three, three[:2])


def test_memory_does_not_grow_with_the_clip() -> None:
    """Comparing 600 frames takes no more memory than 60: growth stays below 24 MB where keeping
    the frames would take over 100 MB."""
    first, second = picture(1, "yuv444p"), picture(2, "yuv444p")
    copies = [tuple(p.copy() for p in planes_of(frame)) for frame in (first, second)]

    def stream(side: int, count: int):
        for _ in range(count):
            yield frame_from_planes(copies[side], "yuv444p")

    process = psutil.Process()
    measure_quality(stream(0, 60), stream(1, 60))
    before = process.memory_info().rss
    measure_quality(stream(0, 600), stream(1, 600))
    assert process.memory_info().rss - before < 24e6

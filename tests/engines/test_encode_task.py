"""The encode task: what is timed, what is proved, and what is refused."""

import hashlib
import time
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import av
import numpy as np
import psutil
import pytest

from fixtures.encoded_pictures import (
    BT709_LIMITED,
    FRAME_COUNT,
    RATE,
    SMALL,
    decode_all,
    draw_pictures,
    kept_pictures,
    master,
    stamp_in,
    write_pictures,
)
from fixtures.ffmpeg_build import DROPPED
from fixtures.scrubbed import indexed
from mezzmark.engines.encode.encode import encode_frames, run_encode
from mezzmark.engines.encode.encoded_file import first_frames
from mezzmark.engines.encode.stored_pictures import prepare_pictures, read_stored_pictures
from mezzmark.engines.media.conversion import Converter
from mezzmark.engines.media.pixels import frame_from_planes, planes_of
from mezzmark.model.catalogue.core import catalogue_names, find_encoding
from mezzmark.model.encoding import Encoding
from mezzmark.model.errors import (
    DestinationError,
    DiskFullError,
    EncodingError,
    EngineError,
    ScenarioError,
)
from mezzmark.model.footage import ColourTags
from mezzmark.model.preparations import PreparePicturesJob
from mezzmark.model.tasks.encode import EncodeJob, EncodeMeasurement
from mezzmark.model.tasks.spec import MediaReference

ONE_OF_EACH_FORMAT = {
    find_encoding(name).pixel_format: name
    for name in catalogue_names()
    if not find_encoding(name).is_scaled and name not in DROPPED
}.values()


def source_in(folder: Path) -> MediaReference:
    """The drawn pictures' lossless file, and its index written beside."""
    return indexed(master().path, folder, master().index)


def measure(encoding: Encoding, frame_count: int, folder: Path) -> EncodeMeasurement:
    """Run the task in this process."""
    job = EncodeJob(
        source=source_in(folder),
        encoding=encoding,
        frame_count=frame_count,
        thread_count=1,
        scratch_dir=str(folder),
    )
    measured = run_encode(job, time.perf_counter_ns).measurement
    assert isinstance(measured, EncodeMeasurement)
    return measured


def encode_small(encoding: Encoding, path: Path) -> None:
    """Encode the small drawn pictures to `path`."""
    frames, tags = kept_pictures(encoding.pixel_format)
    write_pictures(frames, encoding, path, tags)


@pytest.mark.parametrize("asked", [5, FRAME_COUNT, 100])
def test_the_measurement_says_what_the_file_holds(asked: int, tmp_path: Path) -> None:
    """Counts, bytes, digest and rate are those of the file on disk; a clip shorter than asked for
    gives what it has, and the measurement says so."""
    found = measure(find_encoding("vc3-sq"), asked, tmp_path)
    count = min(asked, FRAME_COUNT)
    (path,) = tmp_path.glob("*/encoded.mov")
    with av.open(str(path)) as container:
        packets = [bytes(packet) for packet in container.demux(video=0) if packet.size]
    assert (found.frame_count, found.decoded_frame_count) == (count, count) == (count, len(packets))
    assert found.stamps_in_order is True
    assert found.file_bytes == path.stat().st_size
    assert found.packet_bytes == sum(map(len, packets))
    assert found.stream_digest == hashlib.blake2b(b"".join(packets), digest_size=16).hexdigest()
    assert Fraction(found.frame_rate) == RATE
    assert (found.width_px, found.height_px) == SMALL
    assert found.wall_ns > 0
    assert found.cpu_ns > 0


def test_the_clock_runs_from_the_first_picture_to_the_finished_file(tmp_path: Path) -> None:
    """The clock is read twice only: when the header is written but no picture, and when the file
    is complete and opens."""
    path = tmp_path / "x.mkv"
    seen: list[tuple[int, bool]] = []

    def clock_ns() -> int:
        try:
            complete = len(decode_all(path)) == FRAME_COUNT
        except (OSError, av.error.FFmpegError, IndexError):
            complete = False
        seen.append((path.stat().st_size, complete))
        return 1000 * len(seen)

    frames, tags = kept_pictures("yuv422p10le")
    wall_ns, _ = encode_frames(
        frames,
        find_encoding("ffv1"),
        path,
        frame_rate=RATE,
        thread_count=1,
        tags=tags,
        clock_ns=clock_ns,
    )
    assert [complete for _, complete in seen] == [False, True]
    assert seen[0][0] < 2000  # no picture of this clip is that small
    assert wall_ns == 1000


def test_nothing_is_ever_overwritten(tmp_path: Path) -> None:
    """A file that stands at the destination is refused and stays as it is."""
    path = tmp_path / "x.mov"
    path.write_bytes(b"precious")
    with pytest.raises(DestinationError, match=r"x\.mov"):
        encode_small(find_encoding("vc3-sq"), path)
    assert path.read_bytes() == b"precious"


@pytest.mark.parametrize(
    ("changes", "error", "told"),
    [
        ({"encoder": "no_such_thing"}, EngineError, "no_such_thing"),
        ({"options": {"profile": "dnxhr_sq", "profil": "x"}}, EncodingError, "profil"),
        ({"options": {"profile": "dnxhr_best"}}, EncodingError, "dnxhd in mov"),
        ({"container": "mp4"}, EncodingError, "mp4"),
    ],
)
def test_what_ffmpeg_refuses_is_told_in_a_line_and_leaves_no_file(
    changes: dict[str, object], error: type[Exception], told: str, tmp_path: Path
) -> None:
    """A missing encoder, a misspelt option, a bad value and an impossible container are expected
    errors that name the culprit."""
    encoding = find_encoding("vc3-sq").model_copy(update=changes)
    path = tmp_path / "x.mov"
    with pytest.raises(error, match=told) as caught:
        encode_small(encoding, path)
    assert "\n" not in str(caught.value)
    assert not path.exists()


def test_pictures_that_memory_cannot_hold_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the pictures would fill the free memory, the error says how many would fit: here half a
    megabyte is free, of which 60 % holds two pictures of 256 · 128 · 2 samples · 2 bytes."""
    monkeypatch.setattr(
        psutil, "virtual_memory", lambda: SimpleNamespace(available=5 * 256 * 128 * 2 * 2 * 0.7)
    )
    with pytest.raises(ScenarioError, match="to 2 or fewer"):
        measure(find_encoding("vc3-hqx"), FRAME_COUNT, tmp_path)


def test_a_size_that_the_codec_cannot_hold_is_refused_before_any_work(tmp_path: Path) -> None:
    """The clip's own size is checked against the encoding."""
    with pytest.raises(EncodingError, match="1920x1080"):
        measure(find_encoding("vc3-hd-145"), FRAME_COUNT, tmp_path)


def flat(pixel_format: str, codes: tuple[int, ...], size: tuple[int, int] = (64, 64)):
    """A picture of one colour, made sample by sample."""
    frame = av.VideoFrame(*size, pixel_format)
    for plane, code in zip(planes_of(frame), codes, strict=True):
        plane[:] = code
    return frame


def converted(codes: tuple[int, ...], tags: ColourTags, target: str) -> list[float]:
    """The mean of each plane of a flat 8-bit 4:2:0 picture after conversion."""
    facts = master().facts.model_copy(update={"tags": tags, "pixel_format": "yuv420p"})
    result = Converter(facts, target, thread_count=1).convert(flat("yuv420p", codes))
    return [float(np.mean(plane)) for plane in planes_of(result)]


@pytest.mark.parametrize(
    ("matrix", "kr", "kb"), [(1, 0.2126, 0.0722), (6, 0.299, 0.114), (9, 0.2627, 0.0593)]
)
def test_conversion_to_rgb_follows_the_matrix_that_the_clip_names(
    matrix: int, kr: float, kb: float
) -> None:
    """Y, Cb, Cr (120, 100, 160), limited range, become the G, B, R that ITU-R BT.601, BT.709 and
    BT.2020 define, to one code in 10 bits of 0.3 % (swscale's rounding)."""
    y, cb, cr = (120 - 16) / 219, (100 - 128) / 224, (160 - 128) / 224
    red, blue = y + 2 * (1 - kr) * cr, y + 2 * (1 - kb) * cb
    green = (y - kr * red - kb * blue) / (1 - kr - kb)
    tags = BT709_LIMITED.model_copy(update={"matrix": matrix})
    got = converted((120, 100, 160), tags, "gbrp10le")
    assert got == pytest.approx([1023 * green, 1023 * blue, 1023 * red], abs=4)


FULL = BT709_LIMITED.model_copy(update={"colour_range": 2})


@pytest.mark.parametrize(
    ("codes", "tags", "target", "wanted", "within"),
    [
        ((16, 128, 128), BT709_LIMITED, "yuvj422p", (0, 128, 128), 0),
        ((235, 128, 128), BT709_LIMITED, "yuvj422p", (255, 128, 128), 0),
        ((0, 128, 128), FULL, "yuv422p10le", (64, 512, 512), 1),
        ((255, 128, 128), FULL, "yuv422p10le", (940, 512, 512), 3),
        ((63, 102, 240), BT709_LIMITED, "yuv422p10le", (252, 408, 960), 0),
        ((63, 102, 240), BT709_LIMITED, "yuva444p10le", (252, 408, 960, 1023), 0),
    ],
    ids=["black", "white", "full black", "full white", "more bits", "alpha"],
)
def test_codes_are_those_that_the_standards_define(
    codes: tuple[int, ...], tags: ColourTags, target: str, wanted: tuple[int, ...], within: int
) -> None:
    """Limited black and white become 0 and 255 in Motion JPEG's full range; full 0 and 255 become
    64 and 940 where an encoding is limited, to 0.3 % (swscale's fixed-point gain makes 937 of 940);
    8-bit codes become four times as large in 10 bits; a clip without alpha is opaque."""
    assert converted(codes, tags, target) == pytest.approx(wanted, abs=within)


def test_pictures_as_they_are_stay_bit_for_bit() -> None:
    """Where format and range fit, conversion changes no sample."""
    frames, _ = draw_pictures("yuva444p10le")
    again = Converter(master().facts, "yuva444p10le", thread_count=1).convert(frames[3])
    for drawn, got in zip(planes_of(frames[3]), planes_of(again), strict=True):
        assert np.array_equal(drawn, got)


def test_an_encoder_is_not_told_the_picture_types_of_the_source(tmp_path: Path) -> None:
    """Pictures decoded as I pictures do not force their type on a long group: the new file has
    one key frame, and the stamps are in order."""
    intra = tmp_path / "intra.mov"
    encode_small(find_encoding("avc-intra-fast"), intra)
    frames = decode_all(intra)
    assert {int(frame.pict_type) for frame in frames} == {1}
    converter = Converter(master().facts, "yuv420p", thread_count=1)
    path = tmp_path / "long.mp4"
    write_pictures(
        [converter.convert(frame) for frame in frames],
        find_encoding("avc-long"),
        path,
        converter.tags,
    )
    again = decode_all(path)
    assert [stamp_in(frame) for frame in again] == list(range(FRAME_COUNT))
    assert [int(frame.pict_type) for frame in again].count(1) == 1


@pytest.mark.parametrize(
    ("pixel_format", "colour_range", "matrix"),
    [("yuv422p10le", 1, 9), ("yuvj422p", 2, 9), ("gbrp12le", 2, 0)],
)
def test_tags_say_what_the_samples_are(pixel_format: str, colour_range: int, matrix: int) -> None:
    """Range and matrix of the tags follow the pixel format; primaries and transfer are the
    clip's own; every converted picture carries them, the transfer by the code point that stands
    for its meaning (ITU-T H.273: 14 is that of 1)."""
    wide = ColourTags(colour_range=1, primaries=9, transfer=14, matrix=9)
    facts = master().facts.model_copy(update={"tags": wide, "pixel_format": "yuv420p"})
    converter = Converter(facts, pixel_format, thread_count=1)
    assert converter.tags == ColourTags(
        colour_range=colour_range, primaries=9, transfer=14, matrix=matrix
    )
    frame = converter.convert(flat("yuv420p", (63, 102, 240)))
    found = (frame.color_range, frame.color_primaries, frame.color_trc, frame.colorspace)
    assert tuple(map(int, found)) == (colour_range, 9, 1, matrix)


def test_a_converter_unpacks_words_by_one_thread() -> None:
    """By four threads swscale gave other samples in 18 of 60 pictures of this size."""
    rng = np.random.default_rng(1)
    planes = tuple(rng.integers(64, 940, (34, 66), dtype=np.uint16) for _ in range(3))
    packed = frame_from_planes(planes, "v30xle")
    facts = master().facts.model_copy(update={"pixel_format": "v30xle"})
    converter = Converter(facts, "yuv444p10le", thread_count=4)
    for _ in range(60):
        converted = planes_of(converter.convert(packed))
        for found, given in zip(converted, planes, strict=True):
            np.testing.assert_array_equal(found, given)


def test_frames_of_another_format_are_a_broken_promise() -> None:
    """Pictures that are not in the encoding's format would be converted inside the timed region."""
    frame = frame_from_planes(
        (np.zeros((64, 64), np.uint8),) + (np.zeros((32, 32), np.uint8),) * 2, "yuv420p"
    )
    with pytest.raises(ValueError, match="yuv420p"):
        write_pictures([frame], find_encoding("vc3-sq"), Path("never.mov"), BT709_LIMITED)


@pytest.mark.parametrize("name", ONE_OF_EACH_FORMAT)
def test_stored_pictures_encode_to_the_same_bytes(name: str, tmp_path: Path) -> None:
    """A trial that maps the pictures from the cache writes the stream that one writes that decodes
    the clip; without the file it decodes."""
    encoding = find_encoding(name)
    source = source_in(tmp_path)
    made = prepare_pictures(
        PreparePicturesJob(
            source=source,
            pixel_format=encoding.pixel_format,
            frame_count=FRAME_COUNT,
            limit_bytes=10**9,
            cache_dir=str(tmp_path / "cache"),
        ),
        lambda *_: None,
    )
    stored = made.media.media_path
    index = first_frames(master().index, 5)
    assert read_stored_pictures(stored, index, encoding.pixel_format) is not None
    digests = []
    for path in ("", stored, str(tmp_path / "gone")):
        job = EncodeJob(
            source=source,
            encoding=encoding,
            frame_count=5,
            thread_count=1,
            scratch_dir=str(tmp_path),
            pictures_path=path,
        )
        digests.append(run_encode(job, time.perf_counter_ns).measurement.stream_digest)
    assert digests == digests[:1] * 3


def test_pictures_beyond_the_limit_are_not_stored(tmp_path: Path) -> None:
    """A file that would pass the limit is refused before anything is written."""
    cache_dir = tmp_path / "cache"
    job = PreparePicturesJob(
        source=source_in(tmp_path),
        pixel_format="yuv422p10le",
        frame_count=FRAME_COUNT,
        limit_bytes=10_000,
        cache_dir=str(cache_dir),
    )
    with pytest.raises(DiskFullError):
        prepare_pictures(job, lambda *_: None)
    assert not cache_dir.exists()

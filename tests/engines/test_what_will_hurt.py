"""What `inspect` tells of colour, levels and turning, on files made so."""

import struct
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from av import VideoFrame
from av.bitstream import BitStreamFilterContext

from fixtures.clip_zoo import ZOO, make_zoo_clip
from fixtures.ffmpeg_build import IS_NEWER
from fixtures.natural_clips import NATURAL_CLIPS, natural_clip
from mezzmark.engines.media import shape
from mezzmark.engines.media.conversion import presenter
from mezzmark.engines.media.inspection import inspect_media, read_levels
from mezzmark.engines.media.pixels import Planes, apply_tags, frame_from_planes, planes_of
from mezzmark.engines.media.probe import open_media, probe_media
from mezzmark.engines.media.shape import quarter_turns
from mezzmark.model.footage import ColourTags, HdrMetadata
from simulation.complexity import footage_complexity

BT709 = ColourTags(colour_range=1, primaries=1, transfer=1, matrix=1)
PQ = ColourTags(colour_range=1, primaries=9, transfer=16, matrix=9)
COLOUR = {"tags_contradict", "pq_with_709", "hdr_in_8_bits", "looks_full_range", "looks_log"}


def write(
    path: Path,
    planes: list[Planes],
    tags: ColourTags,
    pixel_format: str = "yuv420p",
    **options: str,
) -> Path:
    """Pictures of these planes as AVC, or HEVC where `x265-params` are given."""
    name = "libx265" if "x265-params" in options else "libx264"
    with av.open(str(path), "w") as container:
        track = container.add_stream(name, rate=25, options={"preset": "ultrafast", **options})
        track.height, track.width = planes[0][0].shape
        track.pix_fmt = pixel_format
        apply_tags(track.codec_context, tags)
        for number, picture in enumerate(planes):
            frame = frame_from_planes(picture, pixel_format, tags)
            frame.pts, frame.time_base = number, Fraction(1, 25)
            container.mux(track.encode(frame))
        container.mux(track.encode(None))
    return path


def natural(name: str, count: int = 3) -> Iterator[Planes]:
    """The upper halves of a natural clip's first pictures."""
    with av.open(str(natural_clip(name))) as container:
        for number, frame in enumerate(container.decode(video=0)):
            if number >= count:
                return
            yield tuple(plane[: len(plane) // 4 * 2].copy() for plane in planes_of(frame))


def told_otherwise(source: Path, target: Path, filter_text: str) -> Path:
    """A copy whose container says what the source's does, and whose pictures say something else."""
    with av.open(str(source)) as read, av.open(str(target), "w") as container:
        track = read.streams.video[0]
        copied = container.add_stream_from_template(track)
        changer = BitStreamFilterContext(filter_text, track, copied)
        for packet in read.demux(track):
            for changed in changer.filter(packet if packet.size else None):
                changed.stream = copied
                container.mux(changed)
    return target


@pytest.mark.parametrize(
    ("change", "contradictions"),
    [
        ("matrix_coefficients=6", ("matrix",)),
        ("colour_primaries=9:transfer_characteristics=16", ("primaries", "transfer")),
        ("transfer_characteristics=6", ()),  # the same curve
    ],
)
def test_container_and_pictures_that_contradict_are_told(
    change: str, contradictions: tuple[str, ...], tmp_path: Path
) -> None:
    """The pictures' tags changed in the bitstream, and nothing else: each field of another meaning
    is named, and the container's stand as before."""
    pictures = [tuple(np.full(s, 100, np.uint8) for s in ((64, 64), (32, 32), (32, 32)))] * 2
    plain = write(tmp_path / "plain.mp4", pictures, BT709)
    found = inspect_media(told_otherwise(plain, tmp_path / "told.mp4", f"h264_metadata={change}"))
    assert found.contradictions == contradictions
    assert ("tags_contradict" in found.warnings) == bool(contradictions)
    assert found.media.tags == BT709
    assert inspect_media(plain).contradictions == ()


def test_hdr_metadata_is_read(tmp_path: Path) -> None:
    """Mastering display and light levels as the encoder was told; newer FFmpeg builds do not hand
    out the levels that stand in the stream."""
    master = "G(13250,34500)B(7500,3000)R(34000,16000)WP(15635,16450)L(10000000,50)"
    options = f"log-level=none:bframes=0:hdr10=1:master-display={master}:max-cll=900,350"
    pictures = [tuple(np.full(s, 400, np.uint16) for s in ((64, 64), (32, 32), (32, 32)))] * 2
    path = write(tmp_path / "hdr.mp4", pictures, PQ, "yuv420p10le", **{"x265-params": options})
    found = inspect_media(path)
    levels = {} if IS_NEWER else {"max_cll_cd": 900, "max_fall_cd": 350}
    mastering = {"mastering_min_cd": 0.005, "mastering_max_cd": 1000}
    assert found.hdr_metadata == HdrMetadata.model_validate(mastering | levels)
    assert COLOUR.isdisjoint(found.warnings)


def recoded(planes: Planes, change) -> Planes:
    """Luma and chroma of 8-bit limited range, changed as numbers from 0 to 1 and ±0.5."""
    luma, *chroma = (plane.astype(float) for plane in planes)
    parts = change((luma - 16) / 219, *((part - 128) / 224 for part in chroma))
    return tuple(np.rint(part).clip(0, 255).astype(np.uint8) for part in parts)


def as_full(luma, *chroma):
    """Full-range codes, darks down to black."""
    return 255 * (luma - 0.3) / 0.7, *(255 * part + 128 for part in chroma)


def as_log(luma, *chroma):
    """A log-like curve of light, black at 9 %, white near 60 %, colours pale; limited codes."""
    light = np.maximum(luma, 0) ** 2.4
    level = 0.09 + 0.52 * np.log2(1 + 40 * light) / np.log2(41)
    return 219 * level + 16, *(224 * 0.3 * part + 128 for part in chroma)


@pytest.mark.parametrize(
    ("change", "warning"), [(as_full, "looks_full_range"), (as_log, "looks_log")]
)
def test_levels_that_do_not_fit_the_tags_are_told(change, warning: str, tmp_path: Path) -> None:
    """A natural clip in full range flagged limited, and through a log curve, each get the one hint;
    full range flagged full gets none."""
    pictures = [recoded(planes, change) for planes in natural("bikes.mp4")]
    found = inspect_media(write(tmp_path / "clip.mp4", pictures, BT709, crf="6"))
    assert COLOUR.intersection(found.warnings) == {warning}
    flagged = BT709.model_copy(update={"colour_range": 2})
    right = inspect_media(write(tmp_path / "full.mp4", pictures, flagged, crf="6"))
    assert "looks_full_range" not in right.warnings


GOOD = ("avc-mp4", "avc-mkv", "avc-ts", "avc-mov-intra-10-bit", "hevc-mkv-closed-gop", "vp9-mkv")
GOOD += ("mpeg2-mxf-long-gop", "vc3-mov", "rdd36-mov", "rdd36-mxf", "vc5-mov", "mjpeg-avi")
GOOD += ("ffv1-mkv", "v210-mov")


@pytest.mark.parametrize("kind", GOOD)
def test_good_files_raise_no_colour_alarm(kind: str, tmp_path: Path) -> None:
    """Fourteen kinds of file, tagged or not, are warned of nothing in colours or levels."""
    found = inspect_media(make_zoo_clip(ZOO[kind], tmp_path, frame_count=4))
    assert COLOUR.isdisjoint(found.warnings)
    assert found.quarter_turns == 0


@pytest.mark.parametrize("name", NATURAL_CLIPS[:3])
def test_natural_clips_raise_no_colour_alarm_and_have_the_si_and_ti_of_another_tool(
    name: str,
) -> None:
    """SI and TI agree with those of an independent computation (scipy's Sobel filter) to 1e-4."""
    found = read_levels(natural_clip(name), most_pictures=5)
    assert found is not None
    other = footage_complexity(natural_clip(name), max_frames=5)
    assert found.spatial_information == pytest.approx(other.spatial_information, rel=1e-4)
    assert found.temporal_information == pytest.approx(other.temporal_information, rel=1e-4)
    facts = probe_media(natural_clip(name)).tags
    assert facts.colour_range != 2
    assert found.footroom_fraction < 0.002
    assert not (found.darkest > 0.06 and found.brightest < 0.85 and found.chroma < 0.1)


@pytest.mark.parametrize(("degrees", "quarters"), [(90, 1), (180, 2), (-90, 3)])
def test_rotation_is_told_and_honoured_in_the_view(
    degrees: int, quarters: int, tmp_path: Path
) -> None:
    """A picture with a bright left upper corner, turned left by quarters: the view has the corner
    where numpy's turn puts it, and the size that goes with it."""
    luma = np.full((64, 128), 60, np.uint8)
    luma[:16, :32] = 220
    picture = (luma, *[np.full((32, 64), 128, np.uint8)] * 2)
    path = tmp_path / "turned.mp4"
    with av.open(str(path), "w") as container:
        track = container.add_stream("libx264", rate=25)
        track.width, track.height, track.pix_fmt = 128, 64, "yuv420p"
        track.set_display_rotation(degrees)
        for number in range(2):
            frame = frame_from_planes(picture, "yuv420p")
            frame.pts, frame.time_base = number, Fraction(1, 25)
            container.mux(track.encode(frame))
        container.mux(track.encode(None))
    found = inspect_media(path)
    assert found.quarter_turns == quarters
    assert "turned" in found.warnings
    with open_media(path) as (container, track):
        frame = next(container.decode(track))
    high = 128 if quarters % 2 else 64
    present = presenter(probe_media(path), height_px=high, thread_count=1)
    view = present(frame).to_ndarray()
    assert quarter_turns(frame) == quarters
    bright = np.rot90(luma, quarters) > 128
    assert view.shape[:2] == bright.shape
    assert view[bright].mean() > 180
    assert view[~bright].mean() < 100


@pytest.mark.parametrize(("place", "told"), [(-6, -1), (-5, 0), (-4, -1), (-3, -20)])
def test_a_display_darker_than_dark_is_not_stated(
    place: int, told: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A damaged stream can say a luminance below zero, or per nothing; SMPTE ST 2086 has neither.
    The whole display is left out then, and light levels stay."""
    numbers = [1] * 16 + [50, 10_000, 1000, 1, 1, 1]
    light = struct.pack("=2I", 900, 350)
    side = {"CONTENT_LIGHT_LEVEL": light}
    monkeypatch.setattr(shape, "side_data_of", lambda frame: side)
    side["MASTERING_DISPLAY_METADATA"] = struct.pack("=22i", *numbers)
    whole = shape.hdr_metadata_of(VideoFrame(16, 16))
    assert whole == HdrMetadata(
        mastering_min_cd=0.005, mastering_max_cd=1000, max_cll_cd=900, max_fall_cd=350
    )
    numbers[place] = told
    side["MASTERING_DISPLAY_METADATA"] = struct.pack("=22i", *numbers)
    left = shape.hdr_metadata_of(VideoFrame(16, 16))
    assert left == HdrMetadata(max_cll_cd=900, max_fall_cd=350)

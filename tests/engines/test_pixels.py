"""Pictures as arrays: the same picture gives the same planes and digest in every memory layout."""

import av
import numpy as np
import pytest
from av.video.format import names as format_names
from av.video.reformatter import VideoReformatter

from mezzmark.engines.media.pixels import (
    Planes,
    apply_tags,
    frame_digest,
    frame_from_planes,
    pixel_format_facts,
    planes_of,
)
from mezzmark.model.catalogue.core import ENTRIES
from mezzmark.model.encoding import depth_and_chroma, has_alpha_plane, planar_format
from mezzmark.model.errors import EncodingError
from mezzmark.model.footage import ColourTags

FORMATS = {
    "yuv420p": (8, "4:2:0", False),
    "yuvj422p": (8, "4:2:2", False),
    "yuv411p": (8, "4:1:1", False),
    "nv12": (8, "4:2:0", False),
    "nv21": (8, "4:2:0", False),
    "nv16": (8, "4:2:2", False),
    "p010le": (10, "4:2:0", False),
    "p210le": (10, "4:2:2", False),
    "yuv420p10be": (10, "4:2:0", False),
    "yuv444p10le": (10, "4:4:4", False),
    "yuv422p12le": (12, "4:2:2", False),
    "yuva444p12le": (12, "4:4:4", True),
    "gbrp": (8, "RGB", False),
    "gbrp12le": (12, "RGB", False),
    "gbrap12le": (12, "RGB", True),
    "gray10le": (10, "4:0:0", False),
}
SHARE = {"4:2:0": (2, 2), "4:2:2": (1, 2), "4:1:1": (1, 4), "4:4:4": (1, 1), "RGB": (1, 1)}


def _random_planes(name: str, width_px: int = 66, height_px: int = 34) -> Planes:
    bit_depth, chroma, has_alpha = FORMATS[name]
    dtype = np.uint8 if bit_depth == 8 else np.uint16
    rng = np.random.default_rng(3)
    shapes = [(height_px, width_px)]
    if chroma != "4:0:0":
        down, across = SHARE[chroma]
        shapes += [(-(-height_px // down), -(-width_px // across))] * 2
    if has_alpha:
        shapes.append((height_px, width_px))
    return tuple(rng.integers(0, 1 << bit_depth, shape).astype(dtype) for shape in shapes)


@pytest.mark.parametrize("name", FORMATS)
def test_planes_come_back_as_they_went_in(name: str) -> None:
    """Width 66 forces line padding: only visible samples come back, in native integers."""
    planes = _random_planes(name)
    frame = frame_from_planes(planes, name)
    assert frame.planes[0].line_size > 66 * planes[0].itemsize
    back = planes_of(frame)
    assert len(back) == len(planes)
    for seen, given in zip(back, planes, strict=True):
        assert seen.dtype == given.dtype
        np.testing.assert_array_equal(seen, given)


def test_bits_packed_in_words_are_those_of_the_planar_twin() -> None:
    """Planes read from v30x are those that FFmpeg unpacks itself, and are packed back the same."""
    planes = tuple(plane // 2 + 200 for plane in _random_planes("yuv444p10le"))
    packed = frame_from_planes(planes, "v30xle")
    unpacked = VideoReformatter().reformat(packed, format="yuv444p10le", threads=1)
    for mine, theirs in zip(planes_of(packed), planes_of(unpacked), strict=True):
        np.testing.assert_array_equal(mine, theirs)
    for mine, given in zip(planes_of(packed), planes, strict=True):
        np.testing.assert_array_equal(mine, given)


@pytest.mark.parametrize("name", FORMATS)
def test_a_format_s_facts_are_those_of_its_name(name: str) -> None:
    """Bit depth, chroma and alpha as FFmpeg's naming states them."""
    facts = pixel_format_facts(name)
    assert (facts.bit_depth, facts.chroma, facts.has_alpha) == FORMATS[name]
    assert facts.is_full_range == (facts.is_rgb or name.startswith("yuvj"))


def test_names_say_what_ffmpeg_says() -> None:
    """Of every format of this FFmpeg that has samples, depth and chroma read from its name are
    those of its components, or nothing is claimed; alpha always is. The planar format of the same
    depth and chroma has them too (asked of those without alpha). The catalogue's are all known."""
    read = {name: depth_and_chroma(name) for name in format_names}
    known = {name for name, (bit_depth, _) in read.items() if bit_depth is not None}
    assert {name for entry in ENTRIES for name in entry.pixel_formats} <= known
    for name in format_names:
        if not av.VideoFormat(name, 64, 64).components:
            continue
        facts = pixel_format_facts(name)
        assert has_alpha_plane(name) == facts.has_alpha, name
        bit_depth, chroma = read[name]
        if bit_depth is None:
            continue
        assert (bit_depth, chroma) == (facts.bit_depth, facts.chroma), name
        if chroma != "other" and not facts.has_alpha:
            planar = pixel_format_facts(planar_format(chroma, bit_depth))
            assert (planar.bit_depth, planar.chroma) == (bit_depth, chroma), name


@pytest.mark.parametrize("name", ["yuv420p", "yuv444p10le", "yuva444p12le", "nv12", "p010le"])
def test_luma_agrees_with_the_library_s_own_reading(name: str) -> None:
    """swscale's grey picture, range left alone, is the luma plane; PyAV turns it into an array."""
    frame = frame_from_planes(_random_planes(name), name)
    target = "gray" if FORMATS[name][0] == 8 else "gray16le"
    grey = frame.reformat(format=target, src_color_range=2, dst_color_range=2).to_ndarray()
    if grey.dtype == np.uint16:
        grey = grey >> (16 - FORMATS[name][0])
    np.testing.assert_array_equal(planes_of(frame)[0], grey)


def test_the_digest_ignores_padding_and_layout_and_sees_one_bit() -> None:
    """Filling the padding changes nothing, nv12 and nv21 equal yuv420p, p010le equals
    yuv420p10le; one code in any plane changes it."""
    planes = _random_planes("yuv420p")
    frame = frame_from_planes(planes, "yuv420p")
    digest = frame_digest(frame)
    whole = np.frombuffer(frame.planes[0], np.uint8).reshape(34, -1)
    whole[:, 66:] ^= 0xFF
    assert frame_digest(frame) == digest
    assert len(digest) == 16
    for layout in ("nv12", "nv21"):
        assert frame_digest(frame_from_planes(planes, layout)) == digest
    deep = _random_planes("p010le")
    assert frame_digest(frame_from_planes(deep, "p010le")) == frame_digest(
        frame_from_planes(deep, "yuv420p10le")
    )
    for number in range(3):
        changed = [plane.copy() for plane in planes]
        changed[number][-1, -1] ^= 1
        assert frame_digest(frame_from_planes(tuple(changed), "yuv420p")) != digest


def test_packed_formats_are_taken_apart_in_the_right_order() -> None:
    """Samples of packed 4:2:2, paired chroma and RGB land in the plane that their name says."""
    packed = av.VideoFrame(4, 2, "uyvy422")
    np.frombuffer(packed.planes[0], np.uint8).reshape(2, -1)[:, :8] = [1, 2, 3, 4, 5, 6, 7, 8]
    luma, cb, cr = (plane[0].tolist() for plane in planes_of(packed))
    assert (luma, cb, cr) == ([2, 4, 6, 8], [1, 5], [3, 7])
    for name, expected in (("nv12", ([9, 11], [10, 12])), ("nv21", ([10, 12], [9, 11]))):
        paired = av.VideoFrame(4, 2, name)
        np.frombuffer(paired.planes[1], np.uint8)[:4] = [9, 10, 11, 12]
        _, cb_plane, cr_plane = planes_of(paired)
        assert (cb_plane[0].tolist(), cr_plane[0].tolist()) == expected
    picture = av.VideoFrame(2, 2, "bgra")
    np.frombuffer(picture.planes[0], np.uint8).reshape(2, -1)[:, :8] = [1, 2, 3, 4, 5, 6, 7, 8]
    green, blue, red, opacity = (plane[0].tolist() for plane in planes_of(picture))
    assert (green, blue, red, opacity) == ([2, 6], [1, 5], [3, 7], [4, 8])


@pytest.mark.parametrize("name", ["gbrpf32le", "pal8", "monob", "rgb565le"])
def test_float_palette_and_bit_packed_formats_are_refused(name: str) -> None:
    """What has no whole-number planes is an EncodingError that names the format."""
    with pytest.raises(EncodingError, match=name):
        planes_of(av.VideoFrame(66, 34, name))


def test_an_unknown_pixel_format_is_refused() -> None:
    """A name FFmpeg does not know is an EncodingError, not a traceback."""
    with pytest.raises(EncodingError, match="yuv999p"):
        pixel_format_facts("yuv999p")


def test_tags_are_written_on_frames_and_encoders() -> None:
    """All four colour tags are readable from the frame and from an encoder's context."""
    tags = ColourTags(colour_range=1, primaries=9, transfer=16, matrix=9)
    frame = frame_from_planes(_random_planes("yuv420p"), "yuv420p", tags)
    context = av.CodecContext.create("ffv1", "w")
    apply_tags(context, tags)
    for target in (frame, context):
        seen = (target.color_range, target.color_primaries, target.color_trc, target.colorspace)
        assert tuple(int(value) for value in seen) == (1, 9, 16, 9)

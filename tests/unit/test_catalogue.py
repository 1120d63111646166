"""The catalogue refuses what does not go together, and names what does."""

from fractions import Fraction

import pytest

from fixtures.fabricated_run import Fabrication, fabricate_run
from mezzmark.model.catalogue.core import (
    ENTRIES,
    TYPICAL_MBPS,
    catalogue_names,
    find_encoding,
    resolve_custom,
)
from mezzmark.model.encoding import (
    CatalogueEntry,
    CustomEncoding,
    Encoding,
    check_frame,
)
from mezzmark.model.errors import EncodingError

CONTAINERS = ("mov", "mp4", "mkv", "mxf", "avi", "nut")
PIXEL_FORMATS = sorted({name for entry in ENTRIES for name in entry.pixel_formats})
CODECS_ASKED_FOR = {
    *("VC-3", "RDD 36", "VC-5", "Motion JPEG", "AVC", "HEVC", "AV1", "FFV1", "JPEG 2000"),
    *("VC-2", "MPEG-2", "lossless", "uncompressed", "PNG", "DPX"),
}

by_entry = pytest.mark.parametrize("entry", ENTRIES, ids=lambda entry: entry.name)


def test_every_standard_is_there_under_systematic_unique_names() -> None:
    """All codecs of the plan are offered, with typical rates, and each name is lowercase, unique
    and not reserved."""
    assert set(TYPICAL_MBPS) <= set(catalogue_names())
    assert {entry.codec for entry in ENTRIES} == CODECS_ASKED_FOR
    names = catalogue_names()
    assert len(set(names)) == len(names)
    assert all(name == name.lower() and " " not in name for name in names)
    assert "original" not in names
    pairs = [(entry.codec, entry.profile) for entry in ENTRIES]
    assert len(set(pairs)) == len(pairs)


def test_names_hold_no_encoder_of_ffmpeg() -> None:
    """Encoder strings of FFmpeg appear as options only, never in a name, codec or profile."""
    encoders = {entry.encoder for entry in ENTRIES} - {"ffv1", "jpeg2000", "mjpeg", "png", "dpx"}
    for entry in ENTRIES:
        shown = f"{entry.name} {entry.codec} {entry.profile}".lower()
        # "vc2" and the like are standards' own names, spelt without the hyphen.
        assert not [e for e in encoders if e in shown and e != "vc2"], entry.name


def combination(entry: CatalogueEntry, container: str, pixel_format: str) -> Encoding:
    """The entry in this container and pixel format, as a scenario would write it."""
    keys = {"codec": entry.codec, "profile": entry.profile, "container": container}
    return resolve_custom(
        CustomEncoding.model_validate({"name": "x", "pixel_format": pixel_format, **keys})
    )


@by_entry
def test_what_a_profile_cannot_be_in_is_refused_and_the_legal_named(entry: CatalogueEntry) -> None:
    """Each container and pixel format that a profile does not list raises an error that names it
    and all that are listed; each listed one is made, with its size rule."""
    container, pixel_format = entry.containers[0], entry.pixel_formats[0]
    pairs = [(name, pixel_format, name, entry.containers) for name in CONTAINERS]
    pairs += [(container, name, name, entry.pixel_formats) for name in PIXEL_FORMATS]
    for wanted, pixels, name, legal in pairs:
        if name in legal:
            made = combination(entry, wanted, pixels)
            assert (made.container, made.pixel_format) == (wanted, pixels)
            assert made.size_multiples == entry.size_multiples.get(pixels, (1, 1))
            continue
        with pytest.raises(EncodingError) as caught:
            combination(entry, wanted, pixels)
        assert name in caught.value.what
        assert all(known in caught.value.remedy for known in legal)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        *(("vc3-qs", "vc3-sq"), ("VC3-SQ", "vc3-sq"), ("rdd36_hq", "rdd36-hq"), ("mjpg", "mjpeg")),
        *(("prores_ks", "go: rdd36-proxy, rdd36-lt,"), ("libx264", "go: avc-intra,")),
    ],
)
def test_a_misspelt_name_is_answered_with_near_ones(typed: str, meant: str) -> None:
    """An unknown name is an error that names legal names near to it."""
    with pytest.raises(EncodingError) as caught:
        find_encoding(typed)
    assert typed in caught.value.where
    assert meant in caught.value.remedy


def test_a_name_near_to_nothing_is_answered_with_all() -> None:
    """Where no name is near, the error lists every name there is."""
    with pytest.raises(EncodingError) as caught:
        find_encoding("qqqqqqqq")
    assert all(name in caught.value.remedy for name in catalogue_names())


def test_unknown_codecs_and_profiles_are_answered_with_the_legal_ones() -> None:
    """A custom encoding's codec and profile errors name what the catalogue has; it gives exactly
    one of codec and encoder."""
    for given in ({}, {"codec": "VC-3", "encoder": "dnxhd"}):
        with pytest.raises(EncodingError, match="exactly one"):
            resolve_custom(CustomEncoding.model_validate({"name": "x"} | given))
    with pytest.raises(EncodingError, match="VC-3"):
        resolve_custom(CustomEncoding(name="x", codec="VC3"))
    with pytest.raises(EncodingError) as caught:
        resolve_custom(CustomEncoding(name="x", codec="VC-3", profile="best"))
    assert {"lb", "sq", "hq", "hqx", "444"} <= set(
        caught.value.remedy.replace(".", ",").replace(" ", ",").split(",")
    )


def test_a_codec_with_choices_takes_them_and_keeps_the_rest() -> None:
    """Container, pixel format, options, rate and key frames of the user replace the usual ones."""
    custom = CustomEncoding(
        name="mine",
        codec="avc",
        profile="long",
        container="mkv",
        pixel_format="yuv422p10le",
        options={"crf": 12},
        keyframe_interval=1,
        b_frames=0,
    )
    encoding = resolve_custom(custom)
    assert (encoding.name, encoding.encoder, encoding.container) == ("mine", "libx264", "mkv")
    assert encoding.pixel_format == "yuv422p10le"
    assert encoding.options == {"preset": "veryfast", "crf": "12"}
    assert (encoding.keyframe_interval, encoding.b_frames, encoding.is_intra) == (1, 0, True)


def test_a_codec_without_container_gets_one_that_is_legal_for_it() -> None:
    """`container` left out means the codec's usual one, not MOV for everything."""
    assert resolve_custom(CustomEncoding(name="x", codec="FFV1")).container == "mkv"
    with pytest.raises(EncodingError, match="mkv, mp4, mxf"):
        resolve_custom(CustomEncoding(name="x", codec="FFV1", container="mov"))


def test_any_encoder_is_taken_as_written() -> None:
    """A bare encoder needs a pixel format and is otherwise passed on unjudged."""
    with pytest.raises(EncodingError, match="pixel_format"):
        resolve_custom(CustomEncoding(name="x", encoder="whatever"))
    encoding = resolve_custom(
        CustomEncoding(
            name="x",
            encoder="whatever",
            container="nut",
            pixel_format="rgba",
            options={"a": 1, "b": 0.5},
        )
    )
    assert (encoding.encoder, encoding.container) == ("whatever", "nut")
    assert encoding.options == {"a": "1", "b": "0.5"}
    assert encoding.has_alpha
    check_frame(encoding, 17, 3, Fraction(7))


def test_what_follows_from_the_rest_is_filled_in() -> None:
    """A stored encoding without depth, chroma, alpha and size rules reads as one with them; what
    encoder and muxer are told is the same for both. An unknown format claims nothing."""
    made = find_encoding("vc5-good")
    assert (made.bit_depth, made.chroma, made.has_alpha) == (10, "4:2:2", False)
    assert (made.smallest_size, made.size_multiples) == ((64, 32), (32, 2))
    read = Encoding.model_validate(made.instructions | {"name": made.name})
    assert (read.bit_depth, read.chroma, read.is_original) == (10, "4:2:2", False)
    assert read.instructions == made.instructions
    odd = made.instructions | {"name": "x", "pixel_format": "bayer_rggb8"}
    unknown = Encoding.model_validate(odd)
    assert (unknown.bit_depth, unknown.chroma) == (None, "other")


def test_the_original_is_an_encoding_too() -> None:
    """`original` is found by name; for a clip it has the codec and the pixels of its file."""
    assert find_encoding("original").is_original
    manifest, _ = fabricate_run(Fabrication(clips=("a", "b")))
    originals = manifest.find_encodings("original")
    assert [(e.codec, e.bit_depth, e.chroma, e.is_intra) for e in originals] == [
        ("AVC", 8, "4:2:0", manifest.clips[0].keyframe_interval_median == 1)
    ] * 2
    assert all(e.is_lossless and e.is_original for e in originals)
    name = manifest.encodings[0].name
    assert manifest.find_encodings(name) == (manifest.encodings[0],)
    assert manifest.find_encodings("nothing") == ()


@pytest.mark.parametrize(
    ("name", "clip", "pictures"),
    [
        ("vc3-lb-half", (1920, 1080), (960, 540)),
        ("rdd36-proxy-quarter", (1920, 1080), (480, 270)),
        ("avc-intra-fast-half", (854, 480), (428, 240)),  # even, to the nearer side
        ("avc-intra-50", (1920, 1080), (1440, 1080)),
        ("avc-intra-50", (1440, 1080), (1440, 1080)),  # as some cameras shoot
        ("vc3-lb", (1920, 1080), (1920, 1080)),
    ],
)
def test_a_proxy_s_pictures_are_a_legal_part_of_the_clip_s(
    name: str, clip: tuple[int, int], pictures: tuple[int, int]
) -> None:
    """Width and height as scaled, even; samples keep their aspect unless only the width shrinks."""
    encoding = find_encoding(name)
    assert encoding.picture_size(*clip) == pictures
    check_frame(encoding, *clip, Fraction(25))
    shrunk = Fraction(clip[0] * pictures[1], clip[1] * pictures[0])
    aspect = shrunk if name == "avc-intra-50" else Fraction(1)
    assert encoding.sample_aspect(Fraction(16, 15), *clip) == aspect * Fraction(16, 15)
    assert encoding.is_proxy == name.endswith(("half", "quarter"))


def test_a_custom_encoding_may_be_a_proxy() -> None:
    """`scale` makes one of any codec or encoder; what it tells the encoder is another thing."""
    wanted = {"name": "x", "codec": "rdd36-lt", "scale": "1/3"}
    proxy = resolve_custom(CustomEncoding.model_validate(wanted))
    assert proxy.picture_size(1920, 1080) == (640, 360)
    assert proxy.is_proxy
    assert proxy.instructions != find_encoding("rdd36-lt").instructions
    bare = {"name": "x", "encoder": "mjpeg", "pixel_format": "yuvj420p", "scale": 0.5}
    assert resolve_custom(CustomEncoding.model_validate(bare)).picture_size(64, 32) == (32, 16)


@pytest.mark.parametrize("name", ["hevc-intra", "av1-intra", "vc3-sq", "vc5-good", "vc3-lb-half"])
def test_what_cannot_hold_fields_refuses_them(name: str) -> None:
    """Interlaced pictures are not made whole frames of in silence."""
    check_frame(find_encoding(name), 1920, 1080, Fraction(25))
    with pytest.raises(EncodingError, match="interlaced"):
        check_frame(find_encoding(name), 1920, 1080, Fraction(25), is_interlaced=True)


@pytest.mark.parametrize(
    ("name", "width_px", "height_px", "told"),
    [
        ("vc3-hd-145", 3840, 2160, "1920x1080, 1280x720"),
        ("vc3-hd-45", 1280, 720, "1920x1080"),
        ("vc3-sq", 254, 120, "256x120"),
        ("vc5-good", 1936, 1080, "32"),
        ("avc-long", 641, 360, "steps of 2"),
        ("uncompressed-10", 641, 360, "steps of 2"),
        ("mpeg2-intra", 4096, 2160, "4096"),
    ],
)
def test_sizes_that_a_codec_cannot_hold(
    name: str, width_px: int, height_px: int, told: str
) -> None:
    """A picture size that the codec has no place for is refused, and what is legal is named."""
    with pytest.raises(EncodingError) as caught:
        check_frame(find_encoding(name), width_px, height_px, Fraction(25))
    assert told in caught.value.what


@pytest.mark.parametrize(
    ("name", "container", "rate", "is_legal"),
    [
        ("mpeg2-intra", "mov", Fraction(30000, 1001), True),
        ("mpeg2-intra", "mov", Fraction(12), True),  # 24 · 1 / 2
        ("mpeg2-intra", "mov", Fraction(17), False),
        ("vc3-sq", "mxf", Fraction(48), True),
        ("vc3-sq", "mxf", Fraction(12), False),
        ("vc3-sq", "mov", Fraction(12), True),
    ],
)
def test_rates_that_codec_or_container_has_no_code_for(
    name: str, container: str, rate: Fraction, is_legal: bool
) -> None:
    """MPEG-2 and MXF state rates by code; a rate without one is refused, others pass."""
    encoding = resolve_custom(
        CustomEncoding.model_validate({"name": "x", "codec": name, "container": container})
    )
    if is_legal:
        check_frame(encoding, 1280, 720, rate)
        return
    with pytest.raises(EncodingError, match=str(rate)):
        check_frame(encoding, 1280, 720, rate)


@by_entry
def test_common_picture_sizes_are_legal_but_for_the_fixed_ones(entry: CatalogueEntry) -> None:
    """HD and UHD fit every encoding, save VC-3's classic IDs, which have fixed sizes."""
    encoding = find_encoding(entry.name)
    for width_px, height_px in ((1280, 720), (1920, 1080), (3840, 2160)):
        if not entry.frame_sizes:
            check_frame(encoding, width_px, height_px, Fraction(25))

"""The catalogue's entries: codecs made to be intermediates, then those of delivery and archive,
lossless and uncompressed ones. Long because it is a table.

Legal combinations are those that this project's tests encode and decode with FFmpeg 8; the
sizes that VC-3 allows are those of SMPTE ST 2019-1 as FFmpeg implements it. Intra encodings of
constant quality say `qcomp=1`: at the encoders' own 0.6 the first picture took 2.6 to 2.9 times the
bytes of those after it, which are as they were at a CRF of 7 less."""

from fractions import Fraction
from functools import partial
from typing import Any, Final

from mezzmark.model.encoding import FIELDS, CatalogueEntry, Container

_FULL_HD: Final = (1920, 1080)
_HD: Final = (1280, 720)


def _entry(name: str, **own: Any) -> CatalogueEntry:
    """Unless said, the profile is the name behind its first dash, the decoder is the encoder."""
    usual = {"profile": name.partition("-")[2], "decoder": own["encoder"]}
    return CatalogueEntry(name=name, **usual | own)


_vc3 = partial(_entry, codec="VC-3", encoder="dnxhd", containers=("mov", "mxf"))


def _vc3_resolution_independent(profile: str, *pixel_formats: str) -> CatalogueEntry:
    return _vc3(
        name=f"vc3-{profile}",
        pixel_formats=pixel_formats,
        options={"profile": f"dnxhr_{profile}"},
        smallest_size=(256, 120),
    )


def _vc3_classic(
    profile: str, megabits: int, pixel_format: str, *frame_sizes: tuple[int, int]
) -> CatalogueEntry:
    """The compression ID follows from bit rate, bit depth and size; FFmpeg knows it by certain
    whole numbers of Mb/s only, whatever the frame rate."""
    return _vc3(
        name=f"vc3-{profile}",
        pixel_formats=(pixel_format,),
        bitrate_bps=megabits * 1_000_000,
        frame_sizes=frame_sizes,
        interlaced_options=None if megabits == 45 else FIELDS,
        caution="Every picture has the same bytes whatever the frame rate; the rate in the name "
        "is that of 1080 lines at 30 pictures a second.",
    )


_VC3: Final = (
    _vc3_resolution_independent("lb", "yuv422p"),
    _vc3_resolution_independent("sq", "yuv422p"),
    _vc3_resolution_independent("hq", "yuv422p"),
    _vc3_resolution_independent("hqx", "yuv422p10le"),
    _vc3_resolution_independent("444", "yuv444p10le", "gbrp10le"),
    _vc3_classic("hd-45", 45, "yuv422p", _FULL_HD),
    _vc3_classic("hd-145", 145, "yuv422p", _FULL_HD, _HD),
    _vc3_classic("hd-220", 220, "yuv422p", _FULL_HD, _HD),
    # 185 is what this ID is called at 25 frames/s; FFmpeg does not list 220 for it.
    _vc3_classic("hd-220x", 185, "yuv422p10le", _FULL_HD),
)


def _rdd36(profile: str, number: int, *, is_fast: bool) -> CatalogueEntry:
    """The careful encoder knows profiles by name, the fast one by number; 4 and 5 are 4:4:4."""
    return _entry(
        name=f"rdd36-{profile}-fast" if is_fast else f"rdd36-{profile}",
        codec="RDD 36",
        decoder="prores",
        encoder="prores_aw" if is_fast else "prores_ks",
        containers=("mov", "mkv", "mxf"),
        pixel_formats=("yuv444p10le", "yuva444p10le") if number >= 4 else ("yuv422p10le",),
        options={"profile": str(number) if is_fast else profile},
        size_multiples={"yuv422p10le": (2, 1)} if is_fast else {},
        interlaced_options=FIELDS,
        caution="This encoder is several times faster than the one without “fast” in its name, "
        "but its files are larger: up to 1.5 times the profile's target rate on camera footage."
        if is_fast
        else "",
    )


_RDD36: Final = tuple(
    _rdd36(profile, number, is_fast=is_fast)
    for number, profile in enumerate(("proxy", "lt", "standard", "hq", "4444", "4444xq"))
    for is_fast in (False, True)
)

_VC5: Final = tuple(
    _entry(
        name=f"vc5-{profile}",
        codec="VC-5",
        encoder="cfhd",
        containers=("mov",),
        pixel_formats=("yuv422p10le", "gbrp12le", "gbrap12le"),
        options={"quality": quality},
        smallest_size=(64, 32),
        # Other widths encode but do not decode in FFmpeg 8.
        size_multiples={"yuv422p10le": (32, 2), "gbrp12le": (16, 2), "gbrap12le": (16, 2)},
    )
    for profile, quality in zip(
        ("draft", "good", "fine", "finest"), ("low", "high", "film2", "film3+"), strict=True
    )
)

_MOTION_JPEG: Final = tuple(
    _entry(
        name=f"mjpeg-{profile}",
        codec="Motion JPEG",
        encoder="mjpeg",
        containers=("mov", "mp4", "mkv"),
        pixel_formats=("yuvj422p", "yuvj420p", "yuvj444p"),
        # `qscale` and the like are silently ignored by way of the library; qmin = qmax is not.
        options={"qmin": quantiser, "qmax": quantiser},
        caution="Levels are full range, and JPEG itself names the BT.601 matrix: a player that "
        "ignores the container's colour tags shows BT.709 pictures in wrong colours.",
    )
    for profile, quantiser in (("fine", "2"), ("good", "4"), ("draft", "8"))
)

_GENERAL: Final[tuple[Container, ...]] = ("mov", "mp4", "mkv")
_GENERAL_MXF: Final[tuple[Container, ...]] = ("mov", "mp4", "mkv", "mxf")

_SUBSAMPLED: Final[dict[str, tuple[int, int]]] = {
    **dict.fromkeys(("yuv420p", "yuv420p10le"), (2, 2)),
    **dict.fromkeys(("yuv422p", "yuv422p10le", "yuv422p12le"), (2, 1)),
}

_YUV_8: Final = ("yuv420p", "yuv422p", "yuv444p")
_YUV_10: Final = ("yuv420p10le", "yuv422p10le", "yuv444p10le")

LONG_GROUP_FRAMES: Final = 48
"""Two seconds of film rate between key frames: usual for files made to be small."""

_LONG_GROUPS: Final[dict[str, Any]] = {
    "keyframe_interval": LONG_GROUP_FRAMES,
    "b_frames": 2,
    "caution": "Long groups of pictures: a random jump decodes many pictures to show one.",
}

_avc = partial(
    _entry,
    codec="AVC",
    decoder="h264",
    encoder="libx264",
    size_multiples=_SUBSAMPLED,
    interlaced_options=FIELDS,
)
_AVC: Final = (
    _avc(
        name="avc-intra",
        containers=_GENERAL_MXF,
        pixel_formats=("yuv422p10le", *_YUV_8, "yuv420p10le", "yuv444p10le"),
        options={"preset": "veryfast", "crf": "23", "qcomp": "1"},
    ),
    _avc(
        name="avc-intra-fast",
        containers=_GENERAL_MXF,
        pixel_formats=(*_YUV_8, *_YUV_10),
        options={"preset": "ultrafast", "tune": "fastdecode", "crf": "23", "qcomp": "1"},
    ),
    _avc(
        name="avc-long",
        containers=_GENERAL,
        pixel_formats=(*_YUV_8, *_YUV_10),
        options={"preset": "veryfast", "crf": "18"},
        **_LONG_GROUPS,
    ),
)

_CLASS_RATES: Final = tuple(map(Fraction, ("24000/1001", "25", "30000/1001", "50", "60000/1001")))

_AVC_CLASSES: Final = tuple(
    _entry(
        name=f"avc-intra-{number}",
        codec="AVC",
        decoder="h264",
        encoder="libx264",
        containers=("mxf",),  # others want the headers apart, which these pictures hold themselves
        pixel_formats=(pixel_format,),
        # At slower presets noise that does not fit the size was seen to crash the encoder.
        options={"preset": "veryfast", "x264-params": f"avcintra-class={number}"},
        frame_sizes=frame_sizes,
        frame_rates=_CLASS_RATES,  # the encoder may crash at any other
        scale=(Fraction(width_scale), Fraction(1)),
        interlaced_options=FIELDS,
        caution=f"Every picture has the same bytes, at 24 and 30 as at 60 a second; the number is "
        f"Mb/s of 1080 lines at 25 or 30. {caution}",
    )
    for number, pixel_format, width_scale, frame_sizes, caution in (
        ("50", "yuv420p10le", "3/4", ((1440, 1080), (960, 720)), "Three quarters of the width."),
        ("100", "yuv422p10le", "1", ((1920, 1080), (1280, 720)), ""),
    )
)
"""The classes of SMPTE RP 2027 whose bytes a picture two public sources agree on."""

_hevc = partial(
    _entry,
    codec="HEVC",
    decoder="hevc",
    encoder="libx265",
    containers=_GENERAL,
    size_multiples=_SUBSAMPLED,
    smallest_size=(32, 32),
)
_HEVC: Final = (
    *(
        _hevc(
            name=f"hevc-{profile}",
            pixel_formats=pixel_formats,
            options={"preset": "ultrafast", "crf": "25", "x265-params": "qcomp=1"},
        )
        for profile, pixel_formats in (
            ("intra", ("yuv422p10le", "yuv420p", "yuv420p10le", "yuv444p10le")),
            ("intra-12", ("yuv422p12le", "yuv444p12le", "gbrp12le")),
        )
    ),
    _hevc(
        name="hevc-long",
        pixel_formats=("yuv420p10le", "yuv420p", "yuv422p10le", "yuv444p10le"),
        options={"preset": "superfast", "crf": "20", "x265-params": "open-gop=0"},
        **_LONG_GROUPS,
    ),
)

_av1 = partial(
    _entry,
    codec="AV1",
    decoder="av1",
    encoder="libsvtav1",
    containers=("mp4", "mkv"),
    pixel_formats=("yuv420p10le", "yuv420p"),
    smallest_size=(64, 64),
    size_multiples=_SUBSAMPLED,
    caution="Presets above 9 damage fine synthetic detail and are not offered. This encoder takes "
    "a level of parallelism in place of a number of threads; level 1 keeps 1.0 to 1.15 cores busy.",
)
_AV1: Final = (
    _av1(
        name="av1-long", options={"preset": "9", "crf": "30"}, keyframe_interval=LONG_GROUP_FRAMES
    ),
    _av1(name="av1-intra", options={"preset": "9", "crf": "20"}),
)

_FFV1: Final = _entry(
    name="ffv1",
    codec="FFV1",
    profile="intra",
    encoder="ffv1",
    containers=("mkv", "mp4", "mxf"),
    pixel_formats=(
        *("yuv422p10le", "yuv420p", "yuv422p", "yuv444p", "yuv420p10le", "yuv444p10le"),
        *("gbrp10le", "yuva444p", "yuva444p10le"),
        *("yuv422p12le", "yuva444p12le", "gbrap12le"),
    ),
    options={"level": "3", "slicecrc": "1", "slices": "24", "coder": "1", "context": "0"},
    is_lossless=True,
    interlaced_options={},
)

_JPEG2000: Final = tuple(
    _entry(
        name=f"jpeg2000-{profile}",
        codec="JPEG 2000",
        encoder="jpeg2000",
        containers=_GENERAL_MXF,
        pixel_formats=("yuv422p10le", *_YUV_8, "yuv444p10le", "yuv444p12le"),
        options=options,
        is_lossless=profile == "lossless",
        interlaced_options={} if profile == "lossless" else None,
        caution="Very slow to encode and to decode with FFmpeg's own codec.",
    )
    for profile, options in (
        ("fine", {"layer_rates": "10"}),
        ("good", {"layer_rates": "25"}),
        ("lossless", {"pred": "dwt53"}),
    )
)

_VC2: Final = _entry(
    name="vc2-good",
    codec="VC-2",
    decoder="dirac",
    encoder="vc2",
    # FFmpeg's MKV reader refuses every seek in a VC-2 track.
    containers=("mov", "mp4"),
    pixel_formats=("yuv422p", "yuv420p", "yuv444p", "yuv422p10le"),
    bits_per_pixel={"yuv420p": 4.0, "yuv422p": 5.0, "yuv444p": 6.0, "yuv422p10le": 6.0},
    smallest_size=(64, 64),
    size_multiples=_SUBSAMPLED,
    caution="FFmpeg's encoder breaks pictures at low rates, so the rate follows the picture "
    "size and is high; other rates and wavelets were seen to give broken files.",
)

_mpeg2 = partial(
    _entry,
    codec="MPEG-2",
    encoder="mpeg2video",
    containers=_GENERAL_MXF,
    size_multiples=_SUBSAMPLED,
    interlaced_options=FIELDS,
)
_MPEG2: Final = (
    _mpeg2(
        name="mpeg2-intra", pixel_formats=("yuv422p", "yuv420p"), options={"qmin": "2", "qmax": "2"}
    ),
    _mpeg2(
        name="mpeg2-intra-50",
        pixel_formats=("yuv422p",),
        options={
            **{"minrate": "50M", "maxrate": "50M", "bufsize": "8M"},
            **{"intra_vlc": "1", "non_linear_quant": "1"},
            "qmax": "28",  # FFmpeg's limit for this kind of quantiser
        },
        bitrate_bps=50_000_000,
        smallest_size=(1280, 720),
        caution="50 Mb/s at every size: meant for 720 to 1080 lines.",
    ),
)

_LOSSLESS: Final = _entry(
    name="lossless-fast",
    codec="lossless",
    decoder="",
    encoder="magicyuv",
    containers=("mov", "avi"),
    pixel_formats=("yuv422p", "yuv420p", "yuv444p", "yuva444p", "gbrp", "gbrap"),
    options={"pred": "gradient"},
    is_lossless=True,
    interlaced_options={},
    caution="8 bits only: deeper footage is rounded before it is encoded.",
)

_UNCOMPRESSED: Final = tuple(
    _entry(
        name=f"uncompressed-{profile}",
        codec="uncompressed",
        encoder=encoder,
        containers=containers,
        pixel_formats=(pixel_format,),
        is_lossless=True,
        size_multiples={} if "4:4:4" in what else {pixel_format: (2, 1)},
        interlaced_options={},
    )
    for profile, encoder, containers, pixel_format, what in (
        ("8", "rawvideo", ("mov", "mkv"), "uyvy422", "4:2:2"),
        ("10", "v210", ("mov",), "yuv422p10le", "4:2:2"),
        ("444", "v410", ("mov",), "yuv444p10le", "4:4:4"),
        ("rgb", "r210", ("mov",), "gbrp10le", "4:4:4"),
    )
)

_STILLS: Final = tuple(
    _entry(
        name=name,
        codec=codec,
        profile=profile,
        encoder=encoder,
        containers=("mov",),
        pixel_formats=pixel_formats,
        is_lossless=True,
        interlaced_options={},
        caution="A still picture's format, here one after the other in a film's file.",
    )
    for name, codec, profile, encoder, pixel_formats in (
        ("png", "PNG", "8", "png", ("rgba", "rgb24")),
        ("png-16", "PNG", "16", "png", ("rgba64be", "rgb48be")),
        ("dpx", "DPX", "10", "dpx", ("gbrp10le", "gbrp12le")),
    )
)
"""EXR is left out: it holds linear light, which no footage here is."""

ENTRIES: Final = (
    *(*_VC3, *_RDD36, *_VC5, *_MOTION_JPEG, *_AVC, *_AVC_CLASSES, *_HEVC, *_AV1, _FFV1),
    *(*_JPEG2000, _VC2, *_MPEG2, _LOSSLESS, *_UNCOMPRESSED, *_STILLS),
)

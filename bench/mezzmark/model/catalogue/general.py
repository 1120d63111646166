"""Catalogue, second part: delivery codecs, archive codecs, lossless and uncompressed."""

from functools import partial
from typing import Any, Final

from mezzmark.model.encoding import CatalogueEntry, Container

_GENERAL: Final[tuple[Container, ...]] = ("mov", "mp4", "mkv")
_GENERAL_MXF: Final[tuple[Container, ...]] = ("mov", "mp4", "mkv", "mxf")

_SUBSAMPLED: Final[dict[str, tuple[int, int]]] = {
    **dict.fromkeys(("yuv420p", "yuv420p10le"), (2, 2)),
    **dict.fromkeys(("yuv422p", "yuv422p10le"), (2, 1)),
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
    CatalogueEntry, codec="AVC", decoder="h264", encoder="libx264", size_multiples=_SUBSAMPLED
)
_AVC: Final = (
    _avc(
        name="avc-intra",
        profile="intra",
        containers=_GENERAL_MXF,
        pixel_formats=("yuv422p10le", *_YUV_8, "yuv420p10le", "yuv444p10le"),
        options={"preset": "veryfast", "crf": "16"},
    ),
    _avc(
        name="avc-intra-fast",
        profile="intra-fast",
        containers=_GENERAL_MXF,
        pixel_formats=(*_YUV_8, *_YUV_10),
        options={"preset": "ultrafast", "tune": "fastdecode", "crf": "16"},
    ),
    _avc(
        name="avc-long",
        profile="long",
        containers=_GENERAL,
        pixel_formats=(*_YUV_8, *_YUV_10),
        options={"preset": "veryfast", "crf": "18"},
        **_LONG_GROUPS,
    ),
)

_hevc = partial(
    CatalogueEntry,
    codec="HEVC",
    decoder="hevc",
    encoder="libx265",
    containers=_GENERAL,
    size_multiples=_SUBSAMPLED,
    smallest_size=(32, 32),
)
_HEVC: Final = (
    _hevc(
        name="hevc-intra",
        profile="intra",
        pixel_formats=("yuv422p10le", "yuv420p", "yuv420p10le", "yuv444p10le"),
        options={"preset": "ultrafast", "crf": "18"},
    ),
    _hevc(
        name="hevc-long",
        profile="long",
        pixel_formats=("yuv420p10le", "yuv420p", "yuv422p10le", "yuv444p10le"),
        options={"preset": "superfast", "crf": "20", "x265-params": "open-gop=0"},
        **_LONG_GROUPS,
    ),
)

_av1 = partial(
    CatalogueEntry,
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
        name="av1-long",
        profile="long",
        options={"preset": "9", "crf": "30"},
        keyframe_interval=LONG_GROUP_FRAMES,
    ),
    _av1(name="av1-intra", profile="intra", options={"preset": "9", "crf": "20"}),
)

_FFV1: Final = CatalogueEntry(
    name="ffv1",
    codec="FFV1",
    profile="intra",
    decoder="ffv1",
    encoder="ffv1",
    containers=("mkv", "mp4", "mxf"),
    pixel_formats=(
        *("yuv422p10le", "yuv420p", "yuv422p", "yuv444p", "yuv420p10le", "yuv444p10le"),
        *("gbrp10le", "yuva444p", "yuva444p10le"),
    ),
    options={"level": "3", "slicecrc": "1", "slices": "24", "coder": "1", "context": "0"},
    is_lossless=True,
)

_JPEG2000: Final = tuple(
    CatalogueEntry(
        name=f"jpeg2000-{profile}",
        codec="JPEG 2000",
        profile=profile,
        decoder="jpeg2000",
        encoder="jpeg2000",
        containers=_GENERAL_MXF,
        pixel_formats=("yuv422p10le", *_YUV_8, "yuv444p10le", "yuv444p12le"),
        options=options,
        is_lossless=profile == "lossless",
        caution="Very slow to encode and to decode with FFmpeg's own codec.",
    )
    for profile, options in (
        ("fine", {"layer_rates": "10"}),
        ("good", {"layer_rates": "25"}),
        ("lossless", {"pred": "dwt53"}),
    )
)

_VC2: Final = CatalogueEntry(
    name="vc2-good",
    codec="VC-2",
    profile="good",
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
    CatalogueEntry,
    codec="MPEG-2",
    decoder="mpeg2video",
    encoder="mpeg2video",
    containers=_GENERAL_MXF,
    size_multiples=_SUBSAMPLED,
)
_MPEG2: Final = (
    _mpeg2(
        name="mpeg2-intra",
        profile="intra",
        pixel_formats=("yuv422p", "yuv420p"),
        options={"qmin": "2", "qmax": "2"},
    ),
    _mpeg2(
        name="mpeg2-intra-50",
        profile="intra-50",
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

_LOSSLESS: Final = CatalogueEntry(
    name="lossless-fast",
    codec="lossless",
    profile="fast",
    encoder="magicyuv",
    containers=("mov", "avi"),
    pixel_formats=("yuv422p", "yuv420p", "yuv444p", "yuva444p", "gbrp", "gbrap"),
    options={"pred": "gradient"},
    is_lossless=True,
    caution="8 bits only: deeper footage is rounded before it is encoded.",
)

_UNCOMPRESSED: Final = tuple(
    CatalogueEntry(
        name=f"uncompressed-{profile}",
        codec="uncompressed",
        profile=profile,
        decoder=encoder,
        encoder=encoder,
        containers=containers,
        pixel_formats=(pixel_format,),
        is_lossless=True,
        size_multiples={pixel_format: (2, 1)},
    )
    for profile, encoder, containers, pixel_format in (
        ("8", "rawvideo", ("mov", "mkv"), "uyvy422"),
        ("10", "v210", ("mov",), "yuv422p10le"),
    )
)

ENTRIES: Final = (*_AVC, *_HEVC, *_AV1, _FFV1, *_JPEG2000, _VC2, *_MPEG2, _LOSSLESS, *_UNCOMPRESSED)

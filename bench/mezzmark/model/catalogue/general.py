"""Catalogue, second part: delivery codecs, archive codecs, lossless and uncompressed."""

from typing import Final

from mezzmark.model.encoding import CatalogueEntry, Container

_GENERAL: Final[tuple[Container, ...]] = ("mov", "mp4", "mkv")
_GENERAL_MXF: Final[tuple[Container, ...]] = ("mov", "mp4", "mkv", "mxf")

LONG_GOP_FRAMES: Final = 48
"""Two seconds of film rate between key frames: usual for files made to be small."""

LONG_GOP_B_FRAMES: Final = 2

_AVC_FORMATS: Final = (
    "yuv420p",
    "yuv422p",
    "yuv444p",
    "yuv420p10le",
    "yuv422p10le",
    "yuv444p10le",
)
_HEVC_FORMATS: Final = ("yuv420p", "yuv420p10le", "yuv422p10le", "yuv444p10le")
_SUBSAMPLED: Final[dict[str, tuple[int, int]]] = {
    "yuv420p": (2, 2),
    "yuv420p10le": (2, 2),
    "yuv422p": (2, 1),
    "yuv422p10le": (2, 1),
}


def _preferring(first: str, formats: tuple[str, ...]) -> tuple[str, ...]:
    return (first, *(name for name in formats if name != first))


AVC: Final = (
    CatalogueEntry(
        name="avc-intra",
        codec="AVC",
        profile="intra",
        encoder="libx264",
        containers=_GENERAL_MXF,
        pixel_formats=_preferring("yuv422p10le", _AVC_FORMATS),
        options={"preset": "veryfast", "crf": "16"},
        size_multiples=_SUBSAMPLED,
    ),
    CatalogueEntry(
        name="avc-intra-fast",
        codec="AVC",
        profile="intra-fast",
        encoder="libx264",
        containers=_GENERAL_MXF,
        pixel_formats=_preferring("yuv420p", _AVC_FORMATS),
        options={"preset": "ultrafast", "tune": "fastdecode", "crf": "16"},
        size_multiples=_SUBSAMPLED,
    ),
    CatalogueEntry(
        name="avc-long",
        codec="AVC",
        profile="long",
        encoder="libx264",
        containers=_GENERAL,
        pixel_formats=_preferring("yuv420p", _AVC_FORMATS),
        options={"preset": "veryfast", "crf": "18"},
        keyframe_interval=LONG_GOP_FRAMES,
        b_frames=LONG_GOP_B_FRAMES,
        size_multiples=_SUBSAMPLED,
        caution="Long groups of pictures: a random jump decodes many pictures to show one.",
    ),
)

HEVC: Final = (
    CatalogueEntry(
        name="hevc-intra",
        codec="HEVC",
        profile="intra",
        encoder="libx265",
        containers=_GENERAL,
        pixel_formats=_preferring("yuv422p10le", _HEVC_FORMATS),
        options={"preset": "ultrafast", "crf": "18"},
        size_multiples=_SUBSAMPLED,
        smallest_size=(32, 32),
    ),
    CatalogueEntry(
        name="hevc-long",
        codec="HEVC",
        profile="long",
        encoder="libx265",
        containers=_GENERAL,
        pixel_formats=_preferring("yuv420p10le", _HEVC_FORMATS),
        options={"preset": "superfast", "crf": "20", "x265-params": "open-gop=0"},
        keyframe_interval=LONG_GOP_FRAMES,
        b_frames=LONG_GOP_B_FRAMES,
        size_multiples=_SUBSAMPLED,
        smallest_size=(32, 32),
        caution="Long groups of pictures: a random jump decodes many pictures to show one.",
    ),
)

_AV1_CAUTION: Final = (
    "Presets above 9 damage fine synthetic detail and are not offered. This encoder takes a "
    "level of parallelism in place of a number of threads; level 1 keeps 1.0 to 1.15 cores busy."
)
AV1: Final = (
    CatalogueEntry(
        name="av1-long",
        codec="AV1",
        profile="long",
        encoder="libsvtav1",
        containers=("mp4", "mkv"),
        pixel_formats=("yuv420p10le", "yuv420p"),
        options={"preset": "9", "crf": "30"},
        keyframe_interval=LONG_GOP_FRAMES,
        smallest_size=(64, 64),
        size_multiples=_SUBSAMPLED,
        caution=_AV1_CAUTION,
    ),
    CatalogueEntry(
        name="av1-intra",
        codec="AV1",
        profile="intra",
        encoder="libsvtav1",
        containers=("mp4", "mkv"),
        pixel_formats=("yuv420p10le", "yuv420p"),
        options={"preset": "9", "crf": "20"},
        smallest_size=(64, 64),
        size_multiples=_SUBSAMPLED,
        caution=_AV1_CAUTION,
    ),
)

FFV1: Final = (
    CatalogueEntry(
        name="ffv1",
        codec="FFV1",
        profile="intra",
        encoder="ffv1",
        containers=("mkv", "mp4", "mxf"),
        pixel_formats=(
            "yuv422p10le",
            "yuv420p",
            "yuv422p",
            "yuv444p",
            "yuv420p10le",
            "yuv444p10le",
            "gbrp10le",
            "yuva444p",
            "yuva444p10le",
        ),
        options={"level": "3", "slicecrc": "1", "slices": "24", "coder": "1", "context": "0"},
        is_lossless=True,
    ),
)

_J2K_FORMATS: Final = (
    "yuv422p10le",
    "yuv420p",
    "yuv422p",
    "yuv444p",
    "yuv444p10le",
    "yuv444p12le",
)
JPEG2000: Final = tuple(
    CatalogueEntry(
        name=f"jpeg2000-{profile}",
        codec="JPEG 2000",
        profile=profile,
        encoder="jpeg2000",
        containers=_GENERAL_MXF,
        pixel_formats=_J2K_FORMATS,
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

VC2: Final = (
    CatalogueEntry(
        name="vc2-good",
        codec="VC-2",
        profile="good",
        encoder="vc2",
        # FFmpeg's MKV reader refuses every seek in a VC-2 track.
        containers=("mov", "mp4"),
        pixel_formats=("yuv422p", "yuv420p", "yuv444p", "yuv422p10le"),
        bits_per_pixel={"yuv420p": 4.0, "yuv422p": 5.0, "yuv444p": 6.0, "yuv422p10le": 6.0},
        smallest_size=(64, 64),
        size_multiples=_SUBSAMPLED,
        caution="FFmpeg's encoder breaks pictures at low rates, so the rate follows the picture "
        "size and is high; other rates and wavelets were seen to give broken files.",
    ),
)

MPEG2: Final = (
    CatalogueEntry(
        name="mpeg2-intra",
        codec="MPEG-2",
        profile="intra",
        encoder="mpeg2video",
        containers=_GENERAL_MXF,
        pixel_formats=("yuv422p", "yuv420p"),
        options={"qmin": "2", "qmax": "2"},
        size_multiples=_SUBSAMPLED,
    ),
    CatalogueEntry(
        name="mpeg2-intra-50",
        codec="MPEG-2",
        profile="intra-50",
        encoder="mpeg2video",
        containers=_GENERAL_MXF,
        pixel_formats=("yuv422p",),
        options={
            "minrate": "50M",
            "maxrate": "50M",
            "bufsize": "8M",
            "intra_vlc": "1",
            "non_linear_quant": "1",
            "qmax": "28",  # FFmpeg's limit for this kind of quantiser
        },
        bitrate_bps=50_000_000,
        smallest_size=(1280, 720),
        size_multiples=_SUBSAMPLED,
        caution="50 Mb/s at every size: meant for 720 to 1080 lines.",
    ),
)

LOSSLESS_FAST: Final = (
    CatalogueEntry(
        name="lossless-fast",
        codec="lossless",
        profile="fast",
        encoder="magicyuv",
        containers=("mov", "avi"),
        pixel_formats=("yuv422p", "yuv420p", "yuv444p", "yuva444p", "gbrp", "gbrap"),
        options={"pred": "gradient"},
        is_lossless=True,
        caution="8 bits only: deeper footage is rounded before it is encoded.",
    ),
)

UNCOMPRESSED: Final = (
    CatalogueEntry(
        name="uncompressed-8",
        codec="uncompressed",
        profile="8",
        encoder="rawvideo",
        containers=("mov", "mkv"),
        pixel_formats=("uyvy422",),
        is_lossless=True,
        size_multiples={"uyvy422": (2, 1)},
    ),
    CatalogueEntry(
        name="uncompressed-10",
        codec="uncompressed",
        profile="10",
        encoder="v210",
        containers=("mov",),
        pixel_formats=("yuv422p10le",),
        is_lossless=True,
        size_multiples={"yuv422p10le": (2, 1)},
    ),
)

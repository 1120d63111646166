"""Catalogue, first part: codecs made to be intermediates (VC-3, RDD 36, VC-5, Motion JPEG).

Legal combinations are those that this project's tests encode and decode with FFmpeg 8; the
sizes that VC-3 allows are those of SMPTE ST 2019-1 as FFmpeg implements it.
"""

from typing import Final

from mezzmark.model.encoding import CatalogueEntry, Container

_VC3_CONTAINERS: Final[tuple[Container, ...]] = ("mov", "mxf")
_RDD36_CONTAINERS: Final[tuple[Container, ...]] = ("mov", "mkv", "mxf")
_JPEG_CONTAINERS: Final[tuple[Container, ...]] = ("mov", "mp4", "mkv")

_FULL_HD: Final = (1920, 1080)
_HD: Final = (1280, 720)


def _vc3_resolution_independent(profile: str, *pixel_formats: str) -> CatalogueEntry:
    return CatalogueEntry(
        name=f"vc3-{profile}",
        codec="VC-3",
        profile=profile,
        encoder="dnxhd",
        containers=_VC3_CONTAINERS,
        pixel_formats=pixel_formats,
        options={"profile": f"dnxhr_{profile}"},
        smallest_size=(256, 120),
    )


def _vc3_classic(
    profile: str, megabits: int, pixel_format: str, *frame_sizes: tuple[int, int]
) -> CatalogueEntry:
    """The compression ID follows from bit rate, bit depth and size; FFmpeg knows it by certain
    whole numbers of Mb/s only, whatever the frame rate."""
    return CatalogueEntry(
        name=f"vc3-{profile}",
        codec="VC-3",
        profile=profile,
        encoder="dnxhd",
        containers=_VC3_CONTAINERS,
        pixel_formats=(pixel_format,),
        bitrate_bps=megabits * 1_000_000,
        frame_sizes=frame_sizes,
        caution="Every picture has the same bytes whatever the frame rate; the rate in the name "
        "is that of 1080 lines at 30 pictures a second.",
    )


VC3: Final = (
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

_RDD36_PROFILES: Final = (
    # profile of ours, option of the careful encoder, option of the fast encoder, 4:4:4
    ("proxy", "proxy", "0", False),
    ("lt", "lt", "1", False),
    ("standard", "standard", "2", False),
    ("hq", "hq", "3", False),
    ("4444", "4444", "4", True),
    ("4444xq", "4444xq", "5", True),
)


def _rdd36(profile: str, encoder: str, option: str, is_444: bool) -> CatalogueEntry:
    is_fast = encoder == "prores_aw"
    return CatalogueEntry(
        name=f"rdd36-{profile}",
        codec="RDD 36",
        profile=profile,
        encoder=encoder,
        containers=_RDD36_CONTAINERS,
        pixel_formats=("yuv444p10le", "yuva444p10le") if is_444 else ("yuv422p10le",),
        options={"profile": option},
        size_multiples={"yuv422p10le": (2, 1)} if is_fast else {},
        caution="This encoder is several times faster than the one without “fast” in its name, "
        "but its files are larger: up to 1.5 times the profile's target rate on camera footage."
        if is_fast
        else "",
    )


RDD36: Final = tuple(
    entry
    for profile, careful, fast, is_444 in _RDD36_PROFILES
    for entry in (
        _rdd36(profile, "prores_ks", careful, is_444),
        _rdd36(f"{profile}-fast", "prores_aw", fast, is_444),
    )
)


def _vc5(profile: str, quality: str) -> CatalogueEntry:
    """Widths other than multiples of 32 (4:2:2) or 16 encode but do not decode in FFmpeg 8."""
    return CatalogueEntry(
        name=f"vc5-{profile}",
        codec="VC-5",
        profile=profile,
        encoder="cfhd",
        containers=("mov",),
        pixel_formats=("yuv422p10le", "gbrp12le", "gbrap12le"),
        options={"quality": quality},
        smallest_size=(64, 32),
        size_multiples={"yuv422p10le": (32, 2), "gbrp12le": (16, 2), "gbrap12le": (16, 2)},
    )


VC5: Final = (
    _vc5("draft", "low"),
    _vc5("good", "high"),
    _vc5("fine", "film2"),
    _vc5("finest", "film3+"),
)


def _motion_jpeg(profile: str, quantiser: int) -> CatalogueEntry:
    """`qscale` and the like are silently ignored by way of the library; qmin = qmax is not."""
    return CatalogueEntry(
        name=f"mjpeg-{profile}",
        codec="Motion JPEG",
        profile=profile,
        encoder="mjpeg",
        containers=_JPEG_CONTAINERS,
        pixel_formats=("yuvj422p", "yuvj420p", "yuvj444p"),
        options={"qmin": str(quantiser), "qmax": str(quantiser)},
        caution="Levels are full range, and JPEG itself names the BT.601 matrix: a player that "
        "ignores the container's colour tags shows BT.709 pictures in wrong colours.",
    )


MOTION_JPEG: Final = (
    _motion_jpeg("fine", 2),
    _motion_jpeg("good", 4),
    _motion_jpeg("draft", 8),
)

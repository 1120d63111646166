"""Catalogue, first part: codecs made to be intermediates (VC-3, RDD 36, VC-5, Motion JPEG).

Legal combinations are those that this project's tests encode and decode with FFmpeg 8; the
sizes that VC-3 allows are those of SMPTE ST 2019-1 as FFmpeg implements it.
"""

from functools import partial
from typing import Final

from mezzmark.model.encoding import FIELDS, CatalogueEntry

_FULL_HD: Final = (1920, 1080)
_HD: Final = (1280, 720)

_vc3 = partial(
    CatalogueEntry, codec="VC-3", decoder="dnxhd", encoder="dnxhd", containers=("mov", "mxf")
)


def _vc3_resolution_independent(profile: str, *pixel_formats: str) -> CatalogueEntry:
    return _vc3(
        name=f"vc3-{profile}",
        profile=profile,
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
        profile=profile,
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
    return CatalogueEntry(
        name=f"rdd36-{profile}-fast" if is_fast else f"rdd36-{profile}",
        codec="RDD 36",
        profile=f"{profile}-fast" if is_fast else profile,
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


def _vc5(profile: str, quality: str) -> CatalogueEntry:
    """Widths other than multiples of 32 (4:2:2) or 16 encode but do not decode in FFmpeg 8."""
    return CatalogueEntry(
        name=f"vc5-{profile}",
        codec="VC-5",
        decoder="cfhd",
        profile=profile,
        encoder="cfhd",
        containers=("mov",),
        pixel_formats=("yuv422p10le", "gbrp12le", "gbrap12le"),
        options={"quality": quality},
        smallest_size=(64, 32),
        size_multiples={"yuv422p10le": (32, 2), "gbrp12le": (16, 2), "gbrap12le": (16, 2)},
    )


_VC5: Final = (
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
        decoder="mjpeg",
        profile=profile,
        encoder="mjpeg",
        containers=("mov", "mp4", "mkv"),
        pixel_formats=("yuvj422p", "yuvj420p", "yuvj444p"),
        options={"qmin": str(quantiser), "qmax": str(quantiser)},
        caution="Levels are full range, and JPEG itself names the BT.601 matrix: a player that "
        "ignores the container's colour tags shows BT.709 pictures in wrong colours.",
    )


_MOTION_JPEG: Final = (
    _motion_jpeg("fine", 2),
    _motion_jpeg("good", 4),
    _motion_jpeg("draft", 8),
)

ENTRIES: Final = (*_VC3, *_RDD36, *_VC5, *_MOTION_JPEG)

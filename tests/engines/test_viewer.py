"""The viewer's picture: size, colour, and what unspecified tags are taken for."""

from fractions import Fraction

import av
import numpy as np
import pytest

from mezzmark.engines.media.conversion import presenter
from mezzmark.engines.media.pixels import frame_from_planes
from mezzmark.model.footage import ColourTags, MediaFacts

WEIGHTS = {1: (0.2126, 0.0722), 6: (0.299, 0.114), 9: (0.2627, 0.0593)}
"""Kr and Kb by H.273 matrix code: ITU-R BT.709-6 item 3.2, BT.601-7 2.5.1, BT.2020-2 table 4."""

TOLERANCE = 4
"""8-bit codes: swscale's quick bilinear path rounds several times (3 seen). A wrong matrix moves
one of the first two colours below by 8 or more, a wrong range black or white by 16."""


@pytest.mark.parametrize("is_full", [False, True])
@pytest.mark.parametrize("matrix", WEIGHTS)
@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv422p10le"])
def test_colours_come_back_through_the_tagged_matrix_and_range(
    matrix: int, is_full: bool, pixel_format: str
) -> None:
    """Colours encoded by the standards' equations are shown as they were."""
    for colour in [(200, 60, 40), (30, 180, 90), (120, 120, 120), (0, 0, 0), (255, 255, 255)]:
        tags = ColourTags(colour_range=2 if is_full else 1, matrix=matrix)
        shown = _show(colour, matrix, is_full, pixel_format, tags=tags, height_px=1080)
        assert shown == pytest.approx(colour, abs=TOLERANCE)


@pytest.mark.parametrize(("height_px", "matrix"), [(2160, 1), (720, 1), (576, 6)])
def test_untagged_pictures_are_taken_for_hd_or_sd_by_their_height(
    height_px: int, matrix: int
) -> None:
    """Common practice, no published source: BT.709 from 720 lines on, BT.601 below, limited."""
    colour = (200, 60, 40)
    shown = _show(colour, matrix, False, "yuv420p", tags=ColourTags(), height_px=height_px)
    assert shown == pytest.approx(colour, abs=TOLERANCE)


@pytest.mark.parametrize(
    ("size", "aspect", "view"),
    [
        ((1920, 1080), Fraction(1), (960, 540)),
        ((4096, 2160), Fraction(1), (1024, 540)),
        ((1440, 1080), Fraction(4, 3), (960, 540)),
        ((1080, 1920), Fraction(1), (304, 540)),
    ],
)
def test_view_has_the_viewers_height_and_an_even_width_by_aspect(
    size: tuple[int, int], aspect: Fraction, view: tuple[int, int]
) -> None:
    """Width is height times aspect, to the nearest even number; pixel aspect counts."""
    facts = _facts(size[0], size[1], "yuv420p", ColourTags())
    present = presenter(
        facts.model_copy(update={"sample_aspect": aspect}), height_px=540, thread_count=1
    )
    shown = present(av.VideoFrame(*size, "yuv420p"))
    assert shown is not None
    assert (shown.width, shown.height, shown.format.name) == (*view, "rgb24")
    assert present(None) is None


def _show(colour, matrix, is_full, pixel_format, *, tags, height_px) -> list[float]:
    """Encode one colour by the standard's equations, present it, and read the middle pixel."""
    red, green, blue = (value / 255 for value in colour)
    kr, kb = WEIGHTS[matrix]
    luma = kr * red + (1 - kr - kb) * green + kb * blue
    cb, cr = (blue - luma) / (2 - 2 * kb), (red - luma) / (2 - 2 * kr)
    bits = 10 if "10" in pixel_format else 8
    top, unit = 2**bits - 1, 2 ** (bits - 8)
    codes = (
        (luma * top, cb * top + 128 * unit, cr * top + 128 * unit)
        if is_full
        else ((16 + 219 * luma) * unit, (128 + 224 * cb) * unit, (128 + 224 * cr) * unit)
    )
    width_px = 64
    dtype = np.uint8 if bits == 8 else np.uint16
    chroma_height = height_px // 2 if "420" in pixel_format else height_px
    shapes = [(height_px, width_px)] + [(chroma_height, width_px // 2)] * 2
    planes = tuple(
        np.full(shape, np.clip(round(code), 0, top), dtype)
        for shape, code in zip(shapes, codes, strict=True)
    )
    frame = frame_from_planes(planes, pixel_format)
    facts = _facts(width_px, height_px, pixel_format, tags)
    view = presenter(facts, height_px=540, thread_count=1)(frame)
    assert view is not None
    return view.to_ndarray()[270, view.width // 2].tolist()


def _facts(width_px: int, height_px: int, pixel_format: str, tags: ColourTags) -> MediaFacts:
    return MediaFacts(
        path="",
        container="mov",
        codec="AVC",
        profile=None,
        width_px=width_px,
        height_px=height_px,
        pixel_format=pixel_format,
        bit_depth=8,
        chroma="4:2:0",
        frame_rate=None,
        duration_s=None,
        stated_frame_count=None,
        time_base=Fraction(1, 25),
        has_b_frames=False,
        tags=tags,
        audio_track_count=0,
        file_bytes=0,
    )

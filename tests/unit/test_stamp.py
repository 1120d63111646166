"""The number in the picture: what is drawn, and what is refused."""

import numpy as np
import pytest

from mezzmark.engines.media.stamp import StampReading, read_stamp, stamp_layout, write_stamp

SIZES = [(120, 104), (232, 56), (176, 144), (320, 180), (1280, 720), (1920, 1080), (3840, 2160)]


def _crc16_bit_by_bit(payload: bytes) -> int:
    """CRC-16 with polynomial 0x1021 and start 0xFFFF, by long division."""
    register = 0xFFFF
    for byte in payload:
        for bit in range(8):
            top = (register >> 15) & 1
            register = (register << 1) & 0xFFFF
            if top ^ ((byte >> (7 - bit)) & 1):
                register ^= 0x1021
    return register


def _luma(width_px: int, height_px: int, bit_depth: int = 8) -> np.ndarray:
    rng = np.random.default_rng(7)
    dtype = np.uint8 if bit_depth == 8 else np.uint16
    return rng.integers(0, 1 << bit_depth, (height_px, width_px)).astype(dtype)


def test_long_division_agrees_with_the_published_check_value() -> None:
    """CRC-16 of "123456789" with this polynomial and start is 0x29B1 (catalogue of CRCs; from
    memory)."""
    assert _crc16_bit_by_bit(b"123456789") == 0x29B1


def test_cells_are_reference_then_frame_then_clip_then_check() -> None:
    """The middle sample of each cell spells bright, dark, 16 + 8 bits and their CRC-16."""
    luma = _luma(1920, 1080)
    write_stamp(luma, 0x1234, 0xAB, 8)
    check = _crc16_bit_by_bit(bytes([0x12, 0x34, 0xAB]))
    expected = f"10{0x1234:016b}{0xAB:08b}{check:016b}"
    seen = "".join(
        "1" if luma[row * 24 + 12, column * 24 + 12] == 220 else "0"
        for row in range(3)
        for column in range(14)
    )
    assert seen == expected


@pytest.mark.parametrize(
    ("size", "bit_depth"),
    [*((size, 8) for size in SIZES), *(((320, 180), depth) for depth in (10, 12, 16))],
)
def test_every_size_and_depth_reads_back_what_was_written(
    size: tuple[int, int], bit_depth: int
) -> None:
    """From 120x104 to 2160p a stamp is read from the luma it was written to."""
    luma = _luma(*size, bit_depth)
    write_stamp(luma, 40_000, 200, bit_depth)
    assert read_stamp(luma, bit_depth) == StampReading(frame_index=40_000, clip_id=200)


def test_full_range_gamma_and_lost_contrast_do_not_matter() -> None:
    """The reading survives limited-to-full expansion, a gamma error and half the contrast."""
    luma = _luma(320, 180)
    write_stamp(luma, 99, 3, 8)
    code = luma.astype(float)
    for changed in (
        np.clip((code - 16) * 255 / 219, 0, 255),
        255 * (code / 255) ** 2.4,
        0.5 * code + 60,
    ):
        reading = read_stamp(np.rint(changed).astype(np.uint8), 8)
        assert reading == StampReading(frame_index=99, clip_id=3)


def test_blank_and_natural_pictures_hold_no_stamp() -> None:
    """Black, white, grey, noise and a smooth ramp give None."""
    ramp = np.tile(np.linspace(0, 255, 320).astype(np.uint8), (180, 1))
    flats = [np.full((180, 320), level, np.uint8) for level in (0, 16, 128, 235, 255)]
    for luma in (ramp, *flats, _luma(320, 180)):
        assert read_stamp(luma, 8) is None


def test_two_cells_averaged_to_grey_are_recovered_and_a_third_is_not() -> None:
    """Grey cells up to two are solved by the check; three make the stamp unreadable."""
    for greys, is_read in (((5,), True), ((5, 30), True), ((5, 30, 41), False)):
        luma = _luma(320, 180)
        write_stamp(luma, 1000, 9, 8)
        for cell in greys:
            row, column = divmod(cell, 14)
            luma[row * 16 : row * 16 + 16, column * 16 : column * 16 + 16] = 126
        assert (read_stamp(luma, 8) is not None) == is_read


def test_what_does_not_fit_is_refused() -> None:
    """A frame number beyond 16 bits, a clip beyond 8, or a tiny picture is a ValueError."""
    luma = _luma(320, 180)
    for frame_index, clip_id in ((65_536, 0), (-1, 0), (0, 256)):
        with pytest.raises(ValueError, match="does not fit"):
            write_stamp(luma, frame_index, clip_id, 8)
    with pytest.raises(ValueError, match="cannot hold"):
        write_stamp(_luma(118, 102), 0, 0, 8)
    assert stamp_layout(118, 102) is None
    assert read_stamp(_luma(118, 102), 8) is None


def test_the_stamp_takes_little_of_a_real_picture() -> None:
    """At 1080p and 2160p it covers less than 1.5 % of the picture."""
    for width_px, height_px in ((1920, 1080), (3840, 2160)):
        layout = stamp_layout(width_px, height_px)
        assert layout is not None
        assert layout.width_px * layout.height_px < 0.015 * width_px * height_px

"""Names near to a mistyped one."""

import pytest

from mezzmark.model.errors import nearest

KNOWN = ("VC-3", "vc3-sq", "rdd36-hq", "rdd36-hq-fast", "bit_depth", "ssim_all", "encode.1t")


@pytest.mark.parametrize(
    ("typed", "found"),
    [
        ("vc3", ("VC-3", "vc3-sq")),
        ("RDD36 HQ", ("rdd36-hq", "rdd36-hq-fast")),
        ("bitdepth", ("bit_depth",)),
        ("bitdept", ("bit_depth",)),
        ("ssim", ("ssim_all",)),
        ("vc3-qs", ("vc3-sq", "VC-3")),
        ("1t", ()),
        ("qqqq", ()),
    ],
)
def test_names_near_to_a_mistyped_one(typed: str, found: tuple[str, ...]) -> None:
    """Case, dashes and blanks do not count; a name that holds the typed one (three characters or
    more) comes before those that are only alike; nothing near gives nothing."""
    assert nearest(typed, KNOWN) == found


def test_no_more_than_asked_for() -> None:
    """`count` bounds the answer, the likeliest first."""
    assert nearest("rdd36", KNOWN, count=1) == ("rdd36-hq",)

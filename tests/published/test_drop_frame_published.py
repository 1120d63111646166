"""Drop-frame timecode against published labels.

30000/1001 leaves out labels 00 and 01, 60000/1001 labels 00 to 03, of every minute not divisible by
ten (SMPTE ST 12-1 and ST 12-3); these labels were also given by the package `timecode` 1.5.1.
"""

from fractions import Fraction

import pytest

from mezzmark.model.footage import later_timecode, timecode_frame, timecode_text

LABELS = {
    Fraction(30000, 1001): {
        **{0: "00:00:00;00", 1799: "00:00:59;29", 1800: "00:01:00;02", 3597: "00:01:59;29"},
        **{3598: "00:02:00;02", 16183: "00:08:59;29", 17981: "00:09:59;29", 17982: "00:10:00;00"},
        **{19781: "00:10:59;29", 19782: "00:11:00;02", 107892: "01:00:00;00"},
        **{1294704: "12:00:00;00", 2589407: "23:59:59;29"},
    },
    Fraction(60000, 1001): {
        **{0: "00:00:00;00", 3599: "00:00:59;59", 3600: "00:01:00;04", 3601: "00:01:00;05"},
        **{7194: "00:01:59;58", 7196: "00:02:00;04", 32366: "00:08:59;58", 35963: "00:09:59;59"},
        **{35964: "00:10:00;00", 39563: "00:10:59;59", 39564: "00:11:00;04"},
        **{215784: "01:00:00;00", 2589408: "12:00:00;00", 5178815: "23:59:59;59"},
    },
}


@pytest.mark.parametrize("rate", LABELS)
def test_drop_frame_labels(rate: Fraction) -> None:
    """Each frame has its label, each label its frame; after 24 hours all begins anew."""
    for frame, label in LABELS[rate].items():
        assert timecode_text(frame, rate, is_drop=True) == label
        assert timecode_frame(label, rate) == frame
    last = max(LABELS[rate])
    assert timecode_text(last + 1, rate, is_drop=True) == "00:00:00;00"


def test_labels_that_do_not_exist() -> None:
    """Labels 00 and 01 of most minutes, and drop frame at 25 a second, are no timecode; an offset
    crosses the gap."""
    ntsc = Fraction(30000, 1001)
    assert later_timecode("01:01:00;00", ntsc) is None
    assert later_timecode("10:00:00;00", Fraction(25)) is None
    assert later_timecode("01:00:59;28", ntsc, 2) == "01:01:00;02"
    assert later_timecode("23:59:59:24", Fraction(25), 1) == "00:00:00:00"
    assert later_timecode("noon", ntsc) is None

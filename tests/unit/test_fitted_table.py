"""A table on a terminal breaks no name and no interval, however narrow the terminal is."""

import io

import pytest
from rich.console import Console

from mezzmark.cli.terminal_table import print_fitted

HEADINGS = ("encoding", "best", "median time to picture", "encode speed")
ROWS = (
    ("rdd36-lt-fast", "over 99 %", "31.4 ms [30.4, 32.6]", "2.65 fps [2.48, 2.82]"),
    ("vc3-sq", "under 1 %", "132 ms [131, 1,133]", "nothing to do"),
)


def shown(width: int) -> list[str]:
    file = io.StringIO()
    print_fitted(Console(file=file, width=width, color_system=None), HEADINGS, ROWS)
    return [line.rstrip() for line in file.getvalue().splitlines()]


@pytest.mark.parametrize("width", [200, 100, 80, 66, 60, 56, 50, 40, 33])
def test_names_and_intervals_stay_whole_at_any_width(width: int) -> None:
    """Every name, number with unit and interval stands on one line, and no line is wider than the
    terminal."""
    lines = shown(width)
    assert max(len(line) for line in lines) <= width
    for whole in ("rdd36-lt-fast", "vc3-sq", "31.4 ms", "[30.4, 32.6]", "[131, 1,133]", "99 %"):
        assert any(whole in line for line in lines), whole


def test_wide_rows_are_one_line_and_narrow_ones_fold_before_they_stack() -> None:
    """Two rows take 3 lines with their headings where there is room, then intervals fold below
    their figures, and at last each row is a block that begins with its name."""
    assert len(shown(100)) == 3
    folded = shown(60)
    assert "31.4 ms" in next(line for line in folded if "rdd36-lt-fast" in line)
    assert "[30.4" not in next(line for line in folded if "rdd36-lt-fast" in line)
    stacked = shown(48)
    assert stacked[0] == "rdd36-lt-fast"
    assert stacked[2] == "    median time to         31.4 ms [30.4, 32.6]"

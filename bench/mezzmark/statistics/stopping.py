"""When a run knows enough: by the width of its intervals, never by a difference it sees.

Waiting until a difference looks significant finds differences that are not there (a false alarm
in more than a quarter of comparisons of identical things, see tests). Waiting for a width is safe
only if lucky early narrowness is not trusted: from the eighth round on the width is looked at
every `BLOCK_ROUNDS` rounds and must hold at `LOOKS_NEEDED` looks in a row. Stopping at the first
narrow look, round by round, lets coverage fall to 90 %; this rule holds 94 % at any spread
(`tests/simulation/coverage_tables.py`).
"""

import math
from collections.abc import Sequence
from typing import Final

BLOCK_ROUNDS: Final = 4
"""Rounds between looks: two rounds with their mirror images, so that orders are balanced."""

FIRST_LOOK_ROUNDS: Final = 8
"""Earlier looks see narrow intervals by luck: from four rounds on coverage falls to 93.9 %."""

LOOKS_NEEDED: Final = 2


def look_points(rounds_done: int, *, minimum_rounds: int = FIRST_LOOK_ROUNDS) -> tuple[int, ...]:
    """The round counts at which widths decide after `rounds_done` rounds; empty between looks.

    Looks fall on `minimum_rounds` rounded up to whole blocks and every block after it.
    """
    first = max(FIRST_LOOK_ROUNDS, math.ceil(minimum_rounds / BLOCK_ROUNDS) * BLOCK_ROUNDS)
    earliest = rounds_done - (LOOKS_NEEDED - 1) * BLOCK_ROUNDS
    if rounds_done % BLOCK_ROUNDS or earliest < first:
        return ()
    return tuple(range(earliest, rounds_done + 1, BLOCK_ROUNDS))


def is_precise(relative_half_widths: Sequence[float | None], *, precision_fraction: float) -> bool:
    """Whether the widest interval was narrow enough at every one of the looks that decide.

    `relative_half_widths` belong to the counts of `look_points`; None is "no interval yet".
    """
    return len(relative_half_widths) >= LOOKS_NEEDED and all(
        width is not None and width <= precision_fraction for width in relative_half_widths
    )

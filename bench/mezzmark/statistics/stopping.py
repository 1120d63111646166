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
from dataclasses import dataclass
from typing import Final

from mezzmark.statistics.power import expected_log_half_width, rounds_for_width

BLOCK_ROUNDS: Final = 4
"""Rounds between looks: two rounds with their mirror images, so that orders are balanced."""

FIRST_LOOK_ROUNDS: Final = 8
"""Earlier looks see narrow intervals by luck: from four rounds on coverage falls to 93.9 %."""

LOOKS_NEEDED: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundPlan:
    """How far a precision is away. `rounds` is None where no sensible number reaches it.

    `budget_rounds` and `budget_half_width_fraction` say what the time budget buys: None without
    a budget, or where it holds fewer than two rounds.
    """

    rounds: int | None
    duration_s: float | None
    budget_rounds: int | None
    budget_half_width_fraction: float | None


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


def plan_rounds(
    *,
    precision_fraction: float,
    round_sd: float,
    round_duration_s: float,
    confidence_level: float,
    budget_s: float | None = None,
) -> RoundPlan:
    """What a precision takes and what a budget buys, from the spread of per-round logs so far."""
    rounds = rounds_for_width(
        precision_fraction, round_sd=round_sd, confidence_level=confidence_level
    )
    if rounds is not None:
        rounds = _next_stop(rounds)
    affordable = None if budget_s is None else int(budget_s // round_duration_s)
    half = None
    if affordable is not None and affordable >= 2:
        half = math.expm1(
            expected_log_half_width(
                affordable, round_sd=round_sd, confidence_level=confidence_level
            )
        )
    return RoundPlan(
        rounds=rounds,
        duration_s=None if rounds is None else rounds * round_duration_s,
        budget_rounds=affordable if half is not None else None,
        budget_half_width_fraction=half,
    )


def _next_stop(rounds: int) -> int:
    """The rounds at which a run stops whose interval is narrow enough from `rounds` on."""
    first_narrow = max(FIRST_LOOK_ROUNDS, math.ceil(rounds / BLOCK_ROUNDS) * BLOCK_ROUNDS)
    return first_narrow + (LOOKS_NEEDED - 1) * BLOCK_ROUNDS


def plan_in_words(plan: RoundPlan, *, precision_fraction: float) -> str:
    """One or two sentences for before the start."""
    goal = f"±{100 * precision_fraction:.3g} %"
    if plan.rounds is None or plan.duration_s is None:
        text = f"{goal} cannot be reached by more rounds on this machine."
    else:
        text = f"{goal} takes about {plan.rounds} rounds ({_duration(plan.duration_s)})."
    if plan.budget_half_width_fraction is not None and plan.budget_rounds is not None:
        reached = f"±{100 * plan.budget_half_width_fraction:.2g} %"
        text += f" The time budget holds {plan.budget_rounds} rounds: expect {reached}."
    return text


def _duration(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"

"""What every figure says: its texts, its axis labels, and what a mark says of its number."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.model.estimate import Estimate
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_text,
    few_text,
    level_text,
    shown_name,
    withheld_text,
)

ALT_ROWS: Final = 5
"""Numbers read out in a figure's text alternative; the table beside it has all of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureText:
    """What is said of a figure: in it (title and subtitle), under it, and instead of it."""

    title: str
    subtitle: str
    caption: str
    alt: str


LATENCY_LABEL: Final = "scrub latency, ms (log scale)"
MEDIAN_LABEL: Final = "median scrub latency, ms (log scale)"
SPEED_LABEL: Final = "frames per second (log scale)"
REAL_TIME_LABEL: Final = "times real time (log scale)"
RATE_LABEL: Final = "bit rate, Mbit/s (log scale)"
LINK_KEYS: Final = {"wait_p50_ms": "waiting for storage", "p50_ms": "median scrub latency"}
LINK_LABEL: Final = "link, Gbit/s (log scale)"
MS_LABEL: Final = "ms (log scale)"
SHARE_LABEL: Final = "share of the waiting, %"
PSNR_LABEL: Final = "PSNR, dB"
GENERATION_LABEL: Final = "generation"
CORES_LABEL: Final = "threads of all jobs together"
FPS_LABEL: Final = "frames per second"
SECONDS_LABEL: Final = "seconds"
RUN_LABEL: Final = "run, by its first trial (UTC)"
INSTANT_LABEL: Final = "0.1 s: feels immediate"
TIMES_LABEL: Final = "times as fast as {} (log scale)"
EQUAL_LABEL: Final = "1: equally fast"
COST_LABEL: Final = "cost, later / earlier (log scale)"
UNCHANGED_LABEL: Final = "1: no change"
GOAL_LABEL: Final = "{}, {} (log scale)"
NEED_LINE: Final = "need: {} {} {}"
REAL_TIME_LINE: Final = "real time: {}"
WORKER_LABEL: Final = "worker {}"
BETTER_LABEL: Final = "better"
ALL_CELLS: Final = "mean over cells"
ORIGINAL_LABEL: Final = "original"
MEDIAN_KEY, TAIL_KEY, TRIAL_KEY = "median", "95 of 100 moves (p95)", "one trial's median"
SPAN_KEYS: Final = {
    "locate": "locate (seek)",
    "decode": "decode",
    "present": "present (scale, colour)",
}
ONE_MARK_A_CELL: Final = "one mark per cell; the table names its setting"
FRAME_LABEL, HAND_KEY = "frame of the clip", "the hand"
LATE_LABEL, AGE_LABEL = "late pictures, %", "age while dragging (p95), ms"
COUNT_LABEL: Final = "{} at once"
CHANGE_LABELS: Final = ("before", "after", "difference")


def mark_words(name: str, what: str, estimate: Estimate, *, samples: str = "") -> str:
    """`VC-3 SQ, median: 14.0 ms [13.6, 14.5]; 95 % interval; 6 rounds, 144 moves` (`samples`)."""
    return f"{shown_name(name)}, {what}: {estimate_words(estimate, samples)}"


def estimate_words(estimate: Estimate, samples: str = "") -> str:
    """An estimate, what its interval is or why it has none, and its counts."""
    text = estimate_text(estimate)
    if estimate.is_exact:
        return f"{text}; {withheld_text(estimate.withheld)}"
    interval = f"{level_text(estimate.confidence_level)} interval"
    if estimate.low is None or estimate.high is None:
        interval = withheld_text(estimate.withheld) or "no interval"
    counts = [count_text(estimate.round_count, "round")]
    if samples and estimate.sample_count:
        counts.append(count_text(estimate.sample_count, samples))
    return f"{text}; {interval}; {', '.join(counts)}"


def first_few(parts: Sequence[str]) -> str:
    """What a text alternative reads out of a long list."""
    return few_text(parts, "{} more in the table".format, most=ALT_ROWS)

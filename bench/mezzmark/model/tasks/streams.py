"""How many streams play in real time at once: as threads of one process, or a process each.

A number passes when no stream has more than one late picture in ten seconds, its first second left
out. A trial's answer is the last number before the first that failed; a run's is that of a typical
round of this length, the lower median.
"""

from collections.abc import Callable, Sequence
from typing import Final, Literal, NamedTuple

import numpy as np
from pydantic import Field

from mezzmark.model.fact import Fact, Positive, Whole
from mezzmark.model.tasks import spec
from mezzmark.model.tasks.drag import OpenLoopJob, OpenLoopSettings, open_loop_cells
from mezzmark.model.tasks.scrub import Proof

Carrier = Literal["threads", "processes"]

AROUND, START_PHASE_S, LATE_PERIOD_S = 2, 1.0, 10.0
"""So many numbers to either side of what the search found are tried as well."""


class StreamsSettings(OpenLoopSettings):
    """The streams task: how many play at once. `threads` are shared out among their decoders."""

    carriers: tuple[Carrier, ...] = Field(default=("threads",), min_length=1)
    duration_s: float = Field(default=5.0, ge=2, le=120, description="seconds of each number")
    most: int = Field(default=32, ge=1, le=256, description="no more streams are tried")


class StreamsJob(OpenLoopJob):
    """Find how many streams of this file play at once."""

    task: Literal["streams"] = "streams"
    carrier: Carrier
    duration_s: float
    most: int


class Level(NamedTuple):
    """A number of streams: pictures of all after their start phase (none where a decoder was
    refused), the late ones of them, and those of the worst stream."""

    streams: Positive
    pictures: Whole
    late: Whole
    worst_late: Whole


class StreamsMeasurement(Fact):
    """One search: the numbers that were tried, in order. `proof` is that of the pictures of each
    number's first stream."""

    task: Literal["streams"] = "streams"
    duration_s: float = Field(gt=0, le=3600)
    levels: tuple[Level, ...] = Field(min_length=1)
    proof: tuple[Proof, ...]


def has_passed(level: Level, duration_s: float) -> bool:
    """Whether so many streams played, in a trial of this length."""
    limit = max(1, int((duration_s - START_PHASE_S) / LATE_PERIOD_S))
    return level.pictures > 0 and level.worst_late <= limit


def search_streams(
    passes: Callable[[int], bool], *, most: int, rng: np.random.Generator
) -> dict[int, bool]:
    """Try numbers of streams: 1, 2, 4, … up to the first that fails, between the last two by
    halves, then the others around, in random order."""
    known: dict[int, bool] = {}

    def ask(count: int) -> bool:
        if count not in known:
            known[count] = passes(count)
        return known[count]

    low, high = 0, 1
    while ask(high) and high < most:
        low, high = high, min(2 * high, most)
    low = high if known[high] else low
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if ask(middle) else (low, middle)
    around = [n for n in range(low - AROUND, low + AROUND + 1) if 1 <= n <= most]
    for count in rng.permutation([n for n in around if n not in known] or [low or 1]):
        ask(int(count))
    return known


def streams_played(seen: spec.Seen) -> float:
    """The last number before the first that failed."""
    levels, duration_s = seen.measured.levels, seen.measured.duration_s
    failed = (one.streams for one in levels if not has_passed(one, duration_s))
    return float(min(failed, default=max(one.streams for one in levels) + 1) - 1)


def _capped_at(seen: spec.Seen) -> float | None:
    """Where no number failed, the last that was tried."""
    is_capped = all(has_passed(one, seen.measured.duration_s) for one in seen.measured.levels)
    return streams_played(seen) if is_capped else None


def _view(seen: Sequence[spec.Seen]) -> list[spec.Seen | None]:
    bad = {"wrong", "missing"}
    return [one if bad.isdisjoint(one.measured.proof) else None for one in seen]


STREAMS: Final = spec.TaskSpec(
    name="streams",
    label="streams at once",
    verb="play several streams",
    axes=("threads", "player", "carrier"),
    settings_model=StreamsSettings,
    job_model=StreamsJob,
    measurement_model=StreamsMeasurement,
    engine_entry="mezzmark.engines.play.playback:run_streams",
    plan=lambda settings, stock: open_loop_cells(
        "streams", settings, stock, carrier=settings.carriers
    ),
    job=StreamsJob.of,
    view=_view,
    work=lambda seen: spec.Work(sample_count=sum(one.pictures for one in seen.measured.levels)),
    proofs=lambda measured: measured.proof,
    figures=(
        spec.Figure(
            "count", "streams", streams_played, kind="count", better="more", meaning="streams"
        ),
        spec.Figure("capped_at", "", _capped_at, kind="count"),
        spec.Figure("peak_rss_bytes", "B", spec.peak_memory, kind="peak"),
    ),
    headline="count",
    reads_encoded_file=True,
    is_best_by_headline=True,
)

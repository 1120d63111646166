"""How many streams play in real time at once: as threads of one process, or a process each.

A round tries numbers of streams by doubling and halving, then those around what it found, and its
answer is the last number before the first that failed. A number passes when no stream has more than
one late picture in ten seconds, its first second left out. The answer of a run is that of a typical
round of this length: the lower median of the rounds.
"""

from collections.abc import Callable, Iterator, Mapping
from itertools import product
from typing import Final, Literal

import numpy as np
from pydantic import Field

from mezzmark.model.cell import Cell, PlannedTrial
from mezzmark.model.fact import Fact, Positive, Whole
from mezzmark.model.tasks.drag import OpenLoopJob, OpenLoopSettings, open_loop_cells
from mezzmark.model.tasks.scrub import Proof
from mezzmark.model.tasks.spec import (
    Figure,
    PreparedFootage,
    ProcessFacts,
    Seen,
    Stock,
    TaskSpec,
    Work,
    peak_memory,
    same_length,
)

Carrier = Literal["threads", "processes"]

AROUND: Final = 2
"""So many numbers to either side of what the search found are tried as well."""

START_PHASE_S: Final = 1.0
LATE_PERIOD_S: Final = 10.0


class StreamsSettings(OpenLoopSettings):
    """The streams task: how many play at once. `threads` are shared out among their decoders."""

    carriers: tuple[Carrier, ...] = Field(default=("threads",), min_length=1)
    duration_s: float = Field(default=5.0, ge=2, le=120, description="seconds of each number")
    most: int = Field(default=32, ge=1, le=256, description="no more streams are tried")


class StreamsJob(OpenLoopJob):
    """Find how many streams of this file play at once; `core_threads` in all."""

    task: Literal["streams"] = "streams"
    carrier: Carrier
    duration_s: float
    most: int


class StreamsMeasurement(Fact):
    """One search, with an entry for each number of streams that was tried, in order: pictures of
    all streams after their start phase, how many were late, and how many of the worst stream.
    `refused_at` is the number at which no further decoder could be opened. `proof` is that of the
    pictures of each number's first stream."""

    task: Literal["streams"] = "streams"
    duration_s: float = Field(gt=0, le=3600)
    most: Positive
    stream_count: tuple[Positive, ...] = Field(min_length=1)
    picture_count: tuple[Whole, ...]
    late_count: tuple[Whole, ...]
    worst_late_count: tuple[Whole, ...]
    refused_at: Positive | None = None
    proof: tuple[Proof, ...]

    _one_entry_per_number = same_length(
        "stream_count", "picture_count", "late_count", "worst_late_count"
    )

    @property
    def passed(self) -> dict[int, bool]:
        """Whether each number of streams played; pictures that are none were refused."""
        rows = zip(self.stream_count, self.picture_count, self.worst_late_count, strict=True)
        return {n: pictures > 0 and may_pass(late, self.duration_s) for n, pictures, late in rows}


def may_pass(worst_late_count: int, duration_s: float) -> bool:
    """Whether a number of streams passes with so many late pictures of its worst stream."""
    return worst_late_count <= max(1, int((duration_s - START_PHASE_S) / LATE_PERIOD_S))


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


def streams_played(passed: Mapping[int, bool], most: int) -> int:
    """The last number before the first that failed."""
    return min((n for n, has_passed in passed.items() if not has_passed), default=most + 1) - 1


def _plan(settings: StreamsSettings, stock: Stock) -> Iterator[Cell]:
    for cell, carrier in product(open_loop_cells("streams", settings, stock), settings.carriers):
        yield cell.but(setting=cell.setting.but(carrier=carrier))


def _job(planned: PlannedTrial, settings: StreamsSettings, footage: PreparedFootage) -> StreamsJob:
    own = {"duration_s": settings.duration_s, "most": settings.most}
    carrier = planned.cell.setting["carrier"]
    job: StreamsJob = StreamsJob.of(planned, settings, footage, carrier=carrier, **own)
    return job


def _count(seen: Seen) -> float:
    measured: StreamsMeasurement = seen.measured
    return float(streams_played(measured.passed, measured.most))


def _view(measured: StreamsMeasurement, process: ProcessFacts | None) -> Seen | None:
    is_sound = {"wrong", "missing"}.isdisjoint(measured.proof)
    return Seen(measured, process) if is_sound else None


STREAMS: Final = TaskSpec(
    name="streams",
    label="streams at once",
    verb="play several streams",
    axes=("threads", "player", "carrier"),
    settings_model=StreamsSettings,
    job_model=StreamsJob,
    measurement_model=StreamsMeasurement,
    engine_entry="mezzmark.engines.play.playback:run_streams",
    plan=_plan,
    job=_job,
    view=_view,
    work=lambda seen: Work(sample_count=sum(seen.measured.picture_count)),
    proofs=lambda measured: measured.proof,
    figures=(
        Figure(
            "count",
            "",
            _count,
            kind="count",
            better="more",
            meaning="streams that play at once",
        ),
        Figure("peak_rss_bytes", "B", peak_memory, kind="peak"),
    ),
    headline="count",
    reads_encoded_file=True,
    is_best_by_headline=True,
)

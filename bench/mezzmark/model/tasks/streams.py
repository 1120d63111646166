"""How many streams play in real time at once: as threads of one process, or a process each.

A number passes when no stream has more than one late picture in ten seconds, its first second left
out. A trial's answer is the last number before the first that failed; a run's is that of a typical
round of this length, the lower median."""

from collections.abc import Callable, Sequence
from typing import Final, Literal, NamedTuple

import numpy as np
from pydantic import Field, TypeAdapter, model_validator

from mezzmark.model.fact import Amount, Fact, Positive, Whole
from mezzmark.model.tasks import spec
from mezzmark.model.tasks.drag import OpenLoopJob, OpenLoopSettings, Service, open_loop_cells
from mezzmark.model.tasks.scrub import Proof

Carrier = Literal["threads", "processes"]

AROUND, START_PHASE_S, LATE_PERIOD_S = 2, 1.0, 10.0
"""So many numbers to either side of what the search found are tried as well."""

KEPT_FRACTION: Final = 0.9  # Of its rate an ingest must get; our own choice

SPREAD_LIMIT_NS: Final = 100_000_000
"""Machines that began further apart did not load the storage together; our own choice: a twentieth
of the shortest trial."""


class StreamsSettings(OpenLoopSettings):
    """The streams task: how many play at once. `threads` are shared out among their decoders."""

    carriers: tuple[Carrier, ...] = Field(default=("threads",), min_length=1)
    duration_s: float = Field(default=5.0, ge=2, le=120, description="seconds of each number")
    most: int = Field(default=32, ge=1, le=256, description="no more streams are tried")


class Gate(Fact):
    """Where the machines of one trial meet: below `path` at home's `source` (host:port), this one
    being number `place` of so many `hosts`. `tls` are the files of authority, own certificate and
    its key, which the machine itself puts in; empty on a closed network."""

    source: str
    path: str
    place: Whole
    hosts: Positive
    tls: tuple[str, ...] = ()


GATE_WAIT: Final = "wait"  # What who comes to a gate is told after a while, to ask again


class Gathered(Fact):
    """What the machines said, in order, and within how many ns they had begun the step before."""

    texts: tuple[str, ...]
    spread_ns: Whole = 0


class StreamsJob(OpenLoopJob):
    """Find how many streams of this file play at once; or how many editors are served, each with a
    copy of it in `scratch_dir`, a share of `scrubbing` of whom drag, beside an ingest at a rate.
    Of editors at several `hosts` every so manyth sits at this one; the ingest is at the first."""

    task: Literal["streams", "editors"] = "streams"
    carrier: Carrier = "processes"
    duration_s: float
    most: int
    scrubbing: float = 0.0
    service: Service = "latest"
    age_limit_ms: float = 0.0
    ingest_mb_per_s: int = 0
    scratch_dir: str = ""
    hosts: int = 1
    gate: Gate | None = None

    def numbers(self, count: int) -> range:
        """Those of so many who sit here."""
        return range(self.gate.place if self.gate else 0, count, self.hosts)

    @property
    def has_ingest(self) -> bool:
        """Whether it is written from here."""
        return self.ingest_mb_per_s > 0 and not (self.gate and self.gate.place)


class Level(NamedTuple):
    """So many players at once: pictures of all that play, after their start phase, the late ones,
    and those of the worst; the p95 of ages in ms of who saw the oldest, if anybody dragged; how
    long pictures took, and of that waited for storage, if looked at; what an ingest wrote; within
    how many ns machines had begun. A refused decoder has no pictures."""

    players: Positive
    pictures: Whole
    late: Whole
    worst_late: Whole
    age_p95_ms: Amount | None = None
    busy_ns: Whole = 0
    wait_ns: Whole | None = None
    written_bytes: Whole = 0
    spread_ns: Whole = 0


LEVELS: Final[TypeAdapter[tuple[Level, ...]]] = TypeAdapter(tuple[Level, ...])


class StreamsMeasurement(Fact):
    """One search: the numbers that were tried, in order, and by what they were judged. `proof` is
    that of the pictures of each number's first stream, of editors of all."""

    task: Literal["streams", "editors"] = "streams"
    duration_s: float = Field(gt=0, le=3600)
    age_limit_ms: Amount = 0
    ingest_mb_per_s: Whole = 0
    levels: tuple[Level, ...] = Field(min_length=1)
    proof: tuple[Proof, ...]

    @model_validator(mode="after")
    def _each_number_once(self) -> "StreamsMeasurement":
        if len(self.passed) < len(self.levels):
            raise ValueError("levels has a number of players twice")
        return self

    @property
    def passed(self) -> dict[int, bool]:
        """Whether all were served, by their number."""
        return {level.players: has_passed(level, self) for level in self.levels}


def has_passed(level: Level, by: StreamsJob | StreamsMeasurement) -> bool:
    """Whether so many were served, by the limits and the length of a trial."""
    late_limit = max(1, int((by.duration_s - START_PHASE_S) / LATE_PERIOD_S))
    return (
        (level.pictures > 0 or level.age_p95_ms is not None)
        and level.worst_late <= late_limit
        and (level.age_p95_ms or 0) <= by.age_limit_ms
        and level.written_bytes >= KEPT_FRACTION * by.ingest_mb_per_s * 1e6 * by.duration_s
    )


def add_up(count: int, parts: Sequence[Level], spread_ns: int = 0) -> Level:
    """What so many players came to, and an ingest beside them: sums, and the worst of them."""
    _, pictures, late, worst, *rest = zip(*parts, strict=True)
    ages, busy_ns, waits, written, _ = ([n for n in of if n is not None] for of in rest)
    times = max(ages, default=None), sum(busy_ns), sum(waits) if waits else None
    return Level(count, sum(pictures), sum(late), max(worst), *times, sum(written), spread_ns)


def is_dragging(number: int, scrubbing: float) -> bool:
    """Whether editor `number` drags: of the first n a share of `scrubbing` does, rounded up."""
    before, after = (np.ceil(round(n * scrubbing, 9)) for n in (number, number + 1))
    return bool(after > before)


def search_streams(
    passes: Callable[[int], bool], *, most: int, rng: np.random.Generator
) -> dict[int, bool]:
    """Try 1, 2, 4, … up to the first that fails, then between by halves, then around at random."""
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
    passed: dict[int, bool] = seen.measured.passed
    failed = (count for count, is_passed in passed.items() if not is_passed)
    return float(min(failed, default=max(passed) + 1) - 1)


def _capped_at(seen: spec.Seen) -> float | None:
    """Where no number failed, the last that was tried."""
    return streams_played(seen) if all(seen.measured.passed.values()) else None


def _wait_fraction(seen: spec.Seen) -> float | None:
    """In the number that ended the search, else the largest: of the time that pictures took."""
    passed = seen.measured.passed
    failed = [one for one in seen.measured.levels if not passed[one.players]]
    last = min(failed, default=max(seen.measured.levels))
    return None if last.wait_ns is None else last.wait_ns / max(1, last.busy_ns)


def _view(seen: Sequence[spec.Seen]) -> list[spec.Seen | None]:
    bad = {"wrong", "missing"}
    return [one if bad.isdisjoint(one.measured.proof) else None for one in seen]


STREAMS: Final = spec.TaskSpec(
    name="streams",
    label="streams at once",
    verb="play several streams",
    axes=("threads", "player", "carrier", "link", "cache", "root"),
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
        spec.memory_figure(),
        spec.Figure("wait_fraction", "", _wait_fraction, kind="share"),
    ),
    headline="count",
    reads_encoded_file=True,
    is_best_by_headline=True,
    busy_ns=lambda measured: sum(level.busy_ns // level.players for level in measured.levels),
)

"""What a row of the task table says: how a task is asked for, planned, run, and read as figures.

A task's module holds its settings (the scenario's table), the cells these mean on a machine, the
job of one trial, the measurement it leaves, and the figures read from that measurement."""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import KW_ONLY, dataclass, field
from itertools import product
from typing import Annotated, Any, Final, Literal, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from mezzmark.model.cell import Cell, PlannedTrial, Setting
from mezzmark.model.encoding import ORIGINAL, Encoding
from mezzmark.model.fact import NS_PER_S, Fact, Whole

NS_PER_MS: Final = 1e6

CountChoice = Annotated[int, Field(ge=1, le=512)] | Literal["half", "all"]
"""1, 2, … or a share of the machine's cores."""

LOCAL: Final = "local"  # In place of a root's name: where the cache lies
Better = Literal["less", "more"]

FigureKind = Literal["location", "tail", "rate", "peak", "count", "share"]
"""How trials become an estimate: `location`, the geometric mean of per-trial values (the mean where
one is 0); `tail`, a quantile of all moves of all trials; `rate`, the median of trials; `peak` as
`location`, but over clips that of the clip with most (`decide.estimate.over_clips`); `count`, the
lower median of trials, over clips of the clip with fewest; `share`, the mean of shares, whose
interval stays within 0 and 1."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a task. `of` reads it from a trial's view (see `TaskSpec.view`), None where
    the trial has none; `probability` is that of a quantile of moves. `meaning` is what a need or
    wish calls it, empty where it can be neither."""

    name: str
    unit: str
    of: Callable[[Any], float | None]
    _: KW_ONLY
    kind: FigureKind = "location"
    better: Better = "less"
    probability: float | None = None
    meaning: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """What a trial did, for figures that pool over trials: frames and the time they took, moves
    with their latency in ms, and their locate, decode and present time in all."""

    sample_count: int
    frame_count: int = 0
    wall_ns: int = 0
    latencies_ms: NDArray[np.float64] | None = field(default=None, compare=False, repr=False)
    span_ns: tuple[int, int, int] = (0, 0, 0)


class ProcessFacts(Fact):
    """What the trial's own process used."""

    cpu_ns: Whole
    peak_rss_bytes: Whole | None = None
    voluntary_switches: Whole | None = None
    involuntary_switches: Whole | None = None


class Seen(NamedTuple):
    """A measurement beside what its process used."""

    measured: Any
    process: ProcessFacts | None


def timed_work(
    frames: Callable[[Any], int], wall_ns: Callable[[Any], int]
) -> Callable[[Seen], Work]:
    """What a trial did: the frames of its measurement, and the time that these took."""
    return lambda seen: Work(
        sample_count=1, frame_count=frames(seen.measured), wall_ns=wall_ns(seen.measured)
    )


def speed_figure(work: Callable[[Seen], Work], meaning: str) -> Figure:
    """`throughput_fps`: frames of the trial's work a second."""

    def speed(seen: Seen) -> float:
        done = work(seen)
        return done.frame_count / (done.wall_ns / NS_PER_S)

    return Figure("throughput_fps", "fps", speed, kind="rate", better="more", meaning=meaning)


def _peak_memory(seen: Any) -> float | None:
    """Of the trial's process; None where the OS told none."""
    peak_bytes = seen.process and seen.process.peak_rss_bytes
    return None if peak_bytes is None else float(peak_bytes)


def memory_figure(meaning: str = "", of: Callable[[Any], float | None] = _peak_memory) -> Figure:
    """`peak_rss_bytes`: the most resident memory, of the trial's process unless `of` says more."""
    return Figure("peak_rss_bytes", "B", of, kind="peak", meaning=meaning)


class MediaReference(Fact):
    """A media file and the index made of it (`FrameIndex` as JSON)."""

    media_path: str
    index_path: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedFootage:
    """What jobs are made of. `media` is by (clip, encoding); clips stand in the folder's order.
    `key_frames` are those of the originals. `scratch_dir` is an existing folder of the run's own,
    which whoever made it removes. `pictures` are files of decoded pictures by (clip, pixel format),
    where there are any; `own` are the clips that are the user's files."""

    clips: Sequence[str]
    frame_counts: Mapping[str, int]
    media: Mapping[tuple[str, str], MediaReference]
    encodings: Sequence[Encoding]
    key_frames: Mapping[str, Sequence[int]] = field(default_factory=dict)
    scratch_dir: str = ""
    pictures: Mapping[tuple[str, str], str] = field(default_factory=dict)
    own: Collection[str] = ()

    def encoding(self, name: str) -> Encoding:
        """The encoding of this name; StopIteration where there is none."""
        return next(encoding for encoding in self.encodings if encoding.name == name)


class EncoderJob(Fact):
    """What every job that encodes is told; files are written to `scratch_dir`."""

    source: MediaReference
    encoding: Encoding
    thread_count: int
    scratch_dir: str

    @classmethod
    def of(cls, cell: Cell, footage: PreparedFootage, **own: Any) -> Self:
        """The job of encoding the cell's clip from its original; `own` is what this kind adds."""
        return cls(
            source=footage.media[cell.clip, ORIGINAL],
            encoding=footage.encoding(cell.encoding),
            thread_count=cell.setting["threads"],
            scratch_dir=footage.scratch_dir,
            **own,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """What cells are planned from: the clips and encodings of the scenario, the (clip, encoding)
    pairs there is a file for (`own` ones on no root), which are `proxies`, and the cores."""

    clips: Sequence[str]
    encodings: Sequence[str]
    media: Collection[tuple[str, str]]
    core_count: int
    roots: Sequence[str] = ()
    own: Collection[tuple[str, str]] = ()
    proxies: Collection[str] = ()

    def present(self, root: str | None = None) -> list[tuple[str, str]]:
        """The pairs there is a file for, clip by clip: where the cache lies, or on a root."""
        pairs = [pair for pair in product(self.clips, self.encodings) if pair in self.media]
        return [pair for pair in pairs if pair not in self.own] if root else pairs

    def on_roots(self, asked: Sequence[str]) -> list[str | None]:
        """The values of the axis `root`, None for `LOCAL`: those asked for by name, or all."""
        every = (LOCAL, *self.roots)
        return [None if one == LOCAL else one for one in asked or every if one in every]

    def encoded(self) -> list[tuple[str, str]]:
        """As `present`, without the originals, which no encoder of ours makes."""
        return [pair for pair in self.present() if pair[1] != ORIGINAL]

    def counts(self, choices: Iterable[int | str]) -> tuple[int, ...]:
        """The counts that these choices mean on this machine, each once."""
        counts = (resolve_count(choice, core_count=self.core_count) for choice in choices)
        return tuple(dict.fromkeys(counts))

    def splits(self, settings: Any) -> list[tuple[int, int]]:
        """All jobs × threads that, unless the settings `oversubscribe`, have a core each."""
        every_split = product(self.counts(settings.jobs), self.counts(settings.threads))
        return [
            (jobs, threads)
            for jobs, threads in every_split
            if settings.oversubscribe or jobs * threads <= self.core_count
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class TaskSpec:
    """One task. Fields that are empty belong to tasks that no scenario asks for.

    - `name` is the scenario's table, `verb` what a trial does ("scrubs"), `label` its plain name;
    - `axes` are those its cells have;
    - `plan` gives the cells of the settings, `job` what a worker must do for one trial, and
      `engine_entry` ("module:function") the function that does it: (job, clock) → Measured;
    - `view` prepares measurements of many trials, and what their processes used, for the figures
      and for `work`; None where one brought nothing to be shown;
    - `headline` is the figure that ends rounds and that comparisons judge;
    - `proofs` gives what is known of each picture that a measurement showed;
    - `reads_encoded_file`: it needs the encoding as a file; `makes_whole_files`: those it makes of
      the user's own clips hold their sound, timecode and tags; `is_judged`: it is deterministic,
      and one trial says all; `is_free_for_original`: the original does without it;
      `is_best_setting`: encodings are compared each at its own best setting;
      `is_best_by_headline`: which setting is an encoding's best, the headline alone says;
    - `busy_ns` is how long the measurement's work took, start to end: no longer than its trial.
    """

    name: str
    label: str
    verb: str
    axes: tuple[str, ...]
    measurement_model: type[Fact]
    job_model: type[Fact]
    engine_entry: str
    job: Callable[[PlannedTrial, Any, PreparedFootage], Fact]
    settings_model: type[Fact] | None = None
    plan: Callable[[Any, Stock], Iterator[Cell]] | None = None
    figures: tuple[Figure, ...] = ()
    headline: str = ""
    view: Callable[[Sequence[Seen]], list[Any]] = list
    work: Callable[[Any], Work] = lambda _: Work(sample_count=1)
    proofs: Callable[[Any], Sequence[str]] = lambda _: ()
    reads_encoded_file: bool = False
    makes_whole_files: bool = False
    is_judged: bool = False
    is_free_for_original: bool = False
    is_best_setting: bool = False
    is_best_by_headline: bool = False
    busy_ns: Callable[[Any], int] = lambda _: 0

    @property
    def is_compared(self) -> bool:
        """Whether runs are compared by this task: it is asked for, and has a figure to judge."""
        return bool(self.headline) and self.settings_model is not None

    def figure(self, name: str) -> Figure:
        """The figure of this name; KeyError where the task has none."""
        return {figure.name: figure for figure in self.figures}[name]


def cells_of(
    task: str, pairs: Iterable[tuple[str, str]], settings: Iterable[Setting]
) -> Iterator[Cell]:
    """Each pair of a clip and an encoding in each setting."""
    for (clip, name), setting in product(pairs, settings):
        yield Cell(task=task, clip=clip, encoding=name, setting=setting)


def resolve_count(choice: int | str, *, core_count: int) -> int:
    """What a choice of 1…n, "half" or "all" means on a machine with `core_count` cores."""
    if choice == "all":
        return core_count
    if choice == "half":
        return max(1, core_count // 2)
    return int(choice)

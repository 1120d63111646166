"""Which differences between two hosts matter for which task, each with its reason.

The reasons follow from what each clock times (DEVELOPERS.md, "Where each clock starts and stops");
where the runs themselves can tell (cores asked for, memory taken) they are asked.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.decide.compare.host_comparison import Bearing, Difference, Weight
from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.decide.machine.identity import host_texts
from mezzmark.model.cell import Cell
from mezzmark.report.prose.numbers import number_text

ROOMY_FRACTION: Final = 0.5
"""A trial that takes less than this share of the memory leaves the rest to the file cache."""

Said = tuple[Weight, str]

_CODEC_LIBRARIES: Final = ("av", "libavcodec", "libavformat", "libavutil", "libswscale", "ffmpeg")

_CLOCK: Final[Said] = ("matters", "work on one core is done in proportion to its clock")
_SYSTEM: Final[Said] = (
    "may matter",
    "it schedules threads and reads files; its part cannot be told apart here",
)
_CODECS: Final[Said] = (
    "matters",
    "it does the decoding, scaling and encoding: part of the ratio may be the library's, not the "
    "machine's",
)

_FOR_EVERY_TASK: Final[dict[str, Said]] = {
    "processor": ("matters", "all decoding, scaling and encoding runs on it"),
    "highest clock": _CLOCK,
    "clock during trials": _CLOCK,
    "virtual machine": (
        "may matter",
        "a virtual machine shares its cores with others it cannot see",
    ),
    "on battery": ("matters", "machines slow down on battery"),
    "operating system": _SYSTEM,
    "kernel of the system": _SYSTEM,
    "load before trials": ("matters", "other work takes cores and cache away from the trial"),
    "stolen by the host": (
        "matters",
        "time taken by the host of a virtual machine is inside every figure",
    ),
    "mezzmark": (
        "may matter",
        "another version may time or prepare otherwise; measure with the same one",
    ),
    **dict.fromkeys(_CODEC_LIBRARIES, _CODECS),
    "libavdevice": ("does not matter", "it opens cameras and screens, which no task does"),
    "libavfilter": ("does not matter", "no timed task filters pictures"),
    "libswresample": ("does not matter", "it converts sound, which no task does"),
    "numpy": ("does not matter", "the figures are computed after the clocks have stopped"),
    "scipy": ("does not matter", "the figures are computed after the clocks have stopped"),
    "pandas": ("does not matter", "the report is made after the clocks have stopped"),
}
"""Facts that bear on all tasks alike; `_BY_TASK` has those that do not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Work:
    """What the compared cells of one task asked of both machines; `best_threads` is what they use
    at most where each is at its best setting."""

    task: str
    most_threads: int
    best_threads: int
    fewest_cores: int
    uses_cuda: bool
    peak_fraction: float | None


def weigh_differences(
    reference: MeasuredRun,
    other: MeasuredRun,
    cells: Sequence[tuple[Cell, Cell]],
    best: Sequence[Cell] = (),
) -> tuple[tuple[Difference, ...], tuple[str, ...]]:
    """Facts that differ, with what they do to each compared task, and the names of those that
    neither system told. A fact that one side lacks is a difference of unknown weight. `best` are
    the best settings of both hosts, where they are compared too."""
    first, second = host_texts(reference), host_texts(other)
    works = _works(reference, other, cells, best)
    differences, unknown = [], []
    for name in dict.fromkeys((*first, *second)):
        texts = (first.get(name), second.get(name))
        if texts == (None, None):
            unknown.append(name)
        elif texts[0] != texts[1]:
            differences.append(
                Difference(
                    name=name,
                    reference=texts[0] or "not known",
                    other=texts[1] or "not known",
                    bearings=tuple(_bearing(name, work, texts) for work in works),
                )
            )
    return tuple(differences), tuple(unknown)


def _bearing(name: str, work: _Work, texts: tuple[str | None, str | None]) -> Bearing:
    weight, reason = weigh(name, work)
    if None in texts and weight != "does not matter":
        weight, reason = "not known", "one system does not tell it"
    return Bearing(task=work.task, weight=weight, reason=reason)


def _works(
    reference: MeasuredRun,
    other: MeasuredRun,
    cells: Sequence[tuple[Cell, Cell]],
    best: Sequence[Cell],
) -> list[_Work]:
    works = []
    for task in dict.fromkeys(first.task for first, _ in cells):
        both = [cell for pair in cells for cell in pair if cell.task == task]
        works.append(
            _Work(
                task=task,
                most_threads=max(cell.setting["threads"] * cell.setting["jobs"] for cell in both),
                best_threads=max(
                    (c.setting["threads"] * c.setting["jobs"] for c in best if c.task == task),
                    default=0,
                ),
                fewest_cores=min(run.manifest.host.usable_core_count for run in (reference, other)),
                uses_cuda=any(
                    cell.setting["player"] in ("cuda", "cuda-frame", "cuda-auto") for cell in both
                ),
                peak_fraction=_peak_fraction((reference, other), task),
            )
        )
    return works


def _peak_fraction(runs: Sequence[MeasuredRun], task: str) -> float | None:
    """The largest share of a machine's memory that the jobs of one trial took together."""
    shares = [
        trial.process.peak_rss_bytes * trial.cell.setting["jobs"] / run.manifest.host.memory_bytes
        for run in runs
        for trial in run.trials
        if trial.cell.task == task and trial.process and trial.process.peak_rss_bytes
    ]
    return max(shares) if shares else None


def weigh(name: str, work: _Work) -> Said:
    """What a difference in the fact `name` does to a task."""
    if name in _FOR_EVERY_TASK:
        return _FOR_EVERY_TASK[name]
    rule = _BY_TASK.get(name)
    return rule(work) if rule else ("may matter", "nothing is known of how it acts")


def _cores(work: _Work) -> Said:
    enough = (
        f"no compared cell works with more than {work.most_threads} threads at once, and both "
        "machines have the cores"
    )
    if work.most_threads > work.fewest_cores:
        return "matters", (
            f"compared cells work with up to {work.most_threads} threads, and one machine has "
            f"{work.fewest_cores} cores"
        )
    if work.best_threads > work.fewest_cores:
        return "matters", (
            f"not with equal settings, where {enough}; but with each host at its best, where up "
            f"to {work.best_threads} threads work at once and one machine has {work.fewest_cores} "
            "cores"
        )
    return "does not matter", enough


def _core_sharing(work: _Work) -> Said:
    if max(work.most_threads, work.best_threads) == 1:
        return "does not matter", "the compared cells work with one thread"
    return "matters", "two threads on one core share its arithmetic units"


def _numa(work: _Work) -> Said:
    if max(work.most_threads, work.best_threads) == 1:
        return "does not matter", "one thread stays near its memory"
    return "may matter", "pictures that cross from one memory bank to another arrive later"


def _memory(work: _Work) -> Said:
    if work.peak_fraction is None:
        return "not known", "no trial told how much memory it took"
    percent = f"{number_text(100 * work.peak_fraction)} %"
    if work.peak_fraction < ROOMY_FRACTION:
        return "does not matter", (
            f"a trial took at most {percent} of either memory; its size alone speeds nothing up"
        )
    return "matters", f"a trial took up to {percent} of a machine's memory"


def _bandwidth(work: _Work) -> Said:
    if work.task in ("grid", "ingest"):
        return "matters", "it caps how far jobs side by side add up"
    return "may matter", "large pictures are read and written many times on their way"


def _governor(work: _Work) -> Said:
    if work.task == "scrub":
        return "matters", (
            "it decides how soon the clock rises, and a move of the playhead is short work after "
            "rest"
        )
    return "may matter", "it decides how high the clock stays under load"


def _storage(work: _Work) -> Said:
    if work.task == "scrub":
        return "does not matter", "the file cache is warm: no move waits for the storage"
    if work.task == "ingest":
        return "matters", "the clips are read, written and read again to verify them in the time"
    return "may matter", (
        "frames come from memory or a warm cache; only the writing of the file is in the time"
    )


def _graphics(work: _Work) -> Said:
    if work.uses_cuda:
        return "matters", 'the decoder "cuda" runs on the graphics processor'
    return "does not matter", "decoder, scaler and encoders of the compared cells are software"


def _python(work: _Work) -> Said:
    if work.task == "scrub":
        return "may matter", "it steers the player; its own time is noted beside every move"
    return "does not matter", "the work lies in the libraries, frames at a time"


_BY_TASK: Final[dict[str, Callable[[_Work], Said]]] = {
    "usable cores": _cores,
    "physical cores": _cores,
    "threads a core": _core_sharing,
    "NUMA nodes": _numa,
    "memory": _memory,
    "memory bandwidth": _bandwidth,
    "clock governor": _governor,
    "turbo": _governor,
    "file system": _storage,
    "graphics driver": _graphics,
    "Python": _python,
}

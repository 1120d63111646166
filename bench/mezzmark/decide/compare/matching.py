"""Why cells of one run have no partner in another, in words that many cells share."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.decide.compare.host_comparison import Refusal
from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.model.cell import ALL_CLIPS, AXES, Cell
from mezzmark.model.run import Manifest
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.spec import resolve_count
from mezzmark.report.prose.numbers import (
    PATTERN_PHRASES,
    count_text,
    joined_text,
    list_text,
    shown_name,
)
from mezzmark.report.prose.terms import TASK_NAMES

_COUNTED: Final = {"threads": "thread", "jobs": "job"}
"""Settings told as a number of things."""

_HEIGHTS: Final = {
    "delivery_height": ("at", "lines"),
    "viewer_height": ("in a viewer", "lines high"),
}
"""Settings that are a number of lines: the words before and after it."""

_VALUE_PHRASES: Final[dict[tuple[str, object], str]] = {
    ("player", "slice"): "with threads on parts of one picture",
    ("player", "frame"): "with threads on several pictures at once",
    ("player", "auto"): "with threads as the decoder likes",
    ("player", "cuda"): "decoded by the graphics card",
    ("clip_order", "fifo"): "in the folder's order",
    ("clip_order", "longest-first"): "with the longest clips first",
    ("delivery_height", None): "at the clips' own size",
    ("passes", 1): "in one pass",
    ("passes", 2): "in two passes",
    ("pinned", True): "pinned to cores",
    ("pinned", False): "not pinned to cores",
}
"""What the values of the other settings mean, in words that follow a task's name."""

_SETTING_NAMES: Final = {
    "pattern": "way of moving the playhead",
    "policy": "policy of the player",
    "player": "player",
    "viewer_height": "height of the viewer",
    "clip_order": "order of clips",
    "passes": "number of passes",
}
"""Settings that a cell may lack: without a value there is nothing to name but the setting."""

MOST_CLIPS_NAMED: Final = 3


@dataclass(frozen=True, slots=True)
class _Setting:
    """What the nearest cell of the other run has otherwise: the same for many cells."""

    task: str
    names: tuple[str, ...]


def find_absences(
    baseline: Sequence[MeasuredRun],
    candidate: Sequence[MeasuredRun],
    cells: Sequence[Cell],
    names: Sequence[str],
) -> dict[Cell, str]:
    """Which of `cells` some run of two sides lacks, with why; `names` are those of all runs."""
    found: dict[Cell, str] = {}
    for index, (run, name) in enumerate(zip((*baseline, *candidate), names, strict=True)):
        own = {trial.cell for trial in run.trials}
        clips = [
            describe_clips(run.manifest, other.manifest)
            if index < len(baseline)
            else describe_clips(other.manifest, run.manifest)
            for other in (candidate if index < len(baseline) else baseline)
        ]
        found |= absence_reasons(
            [cell for cell in cells if cell not in own and cell not in found],
            [cell for cell in cells if cell in own],
            f"in {name}",
            different_clips=clips[0] if all(clips) else "",
        )
    return found


def absence_reasons(
    cells: Sequence[Cell], others: Sequence[Cell], where: str, *, different_clips: str = ""
) -> dict[Cell, str]:
    """For each of `cells` why none of `others`, those of the other run, is the same.

    `where` is that run as "in results/a" or "on the desk". `different_clips` is the reason that
    goes before all others (`describe_clips`); empty where the runs have a clip in common.
    """
    if different_clips:
        return dict.fromkeys(cells, different_clips)
    reasons: dict[Cell, str] = {}
    by_setting: dict[_Setting, list[Cell]] = {}
    for cell in cells:
        found = _reason_or_setting(cell, others, where)
        if isinstance(found, str):
            reasons[cell] = found
        else:
            by_setting.setdefault(found, []).append(cell)
    for setting, alike in by_setting.items():
        reasons |= dict.fromkeys(alike, _setting_text(setting, alike, where))
    return {cell: reasons[cell] for cell in cells}


def describe_clips(first: Manifest, second: Manifest) -> str:
    """Which clips two runs measured, where they have no name of a clip in common; else empty."""
    names = [[clip.clip for clip in manifest.clips] for manifest in (first, second)]
    if set(names[0]) & set(names[1]) or not all(names):
        return ""
    footage = [{clip.fingerprint for clip in manifest.clips} for manifest in (first, second)]
    shown = [_file_names(manifest) for manifest in (first, second)]
    if shown[0] == shown[1]:
        shown = names
    texts = [list_text(list(dict.fromkeys(side)), limit=MOST_CLIPS_NAMED) for side in shown]
    if footage[0] & footage[1]:
        return f"the runs gave the same footage different clip names ({'; '.join(texts)})"
    return f"the runs measured different clips ({'; '.join(texts)})"


def _file_names(manifest: Manifest) -> list[str]:
    """The clips as a person knows them: own footage by its files."""
    return [
        clip.original.path.replace("\\", "/").rpartition("/")[2]
        if clip.source == "own"
        else clip.clip
        for clip in manifest.clips
    ]


def _reason_or_setting(cell: Cell, others: Sequence[Cell], where: str) -> str | _Setting:
    task = TASK_NAMES[cell.task]
    of_task = [c for c in others if c.task == cell.task]
    if not of_task:
        return f"{task} was not measured {where}"
    of_clip = [c for c in of_task if c.clip == cell.clip]
    if not of_clip:
        if cell.clip == ALL_CLIPS:
            return f"{task} over all clips was not measured {where}"
        return f'clip "{shown_name(cell.clip)}" was not measured for {task} {where}'
    same = [c for c in of_clip if c.encoding == cell.encoding]
    if not same:
        return f'"{shown_name(cell.encoding)}" was not measured for {task} {where}'
    return _Setting(cell.task, min((_changed(cell, c) for c in same), key=len))


def _changed(cell: Cell, other: Cell) -> tuple[str, ...]:
    return tuple(name for name in AXES if cell.setting[name] != other.setting[name])


def _setting_text(setting: _Setting, cells: Sequence[Cell], where: str) -> str:
    """`encoding in several jobs with 4, 6 or 8 jobs was not measured in results/desk`."""
    names = sorted(setting.names, key=lambda name: name not in _COUNTED)
    phrases = [_phrase(name, [cell.setting[name] for cell in cells]) for name in names]
    told = joined_text(phrases or ["with these settings"])
    return f"{TASK_NAMES[cells[0].task]} {told} was not measured {where}"


def _phrase(name: str, values: Sequence[object]) -> str:
    """One setting with all its values as words that follow a task's name."""
    distinct = list(dict.fromkeys(values))
    if name in _COUNTED:
        counts = sorted(value for value in distinct if isinstance(value, int))
        if len(counts) == 1:
            return f"with {count_text(counts[0], _COUNTED[name])}"
        return f"with {joined_text([str(count) for count in counts], word='or')} {_COUNTED[name]}s"
    heights = sorted(value for value in distinct if isinstance(value, int))
    if name in _HEIGHTS and len(heights) == len(distinct):
        before, after = _HEIGHTS[name]
        return f"{before} {joined_text([str(height) for height in heights], word='or')} {after}"
    return joined_text([_value_phrase(name, value) for value in distinct], word="or")


def _value_phrase(name: str, value: object) -> str:
    if name == "pattern" and value in PATTERN_PHRASES:
        return PATTERN_PHRASES[str(value)]
    if name == "policy" and value is not None:
        return f"with the player's policy {shown_name(str(value))}"
    if name in _HEIGHTS and value is not None:
        return f"{_HEIGHTS[name][0]} {value} {_HEIGHTS[name][1]}"
    if (name, value) in _VALUE_PHRASES:
        return _VALUE_PHRASES[name, value]
    return f"with another {_SETTING_NAMES.get(name, 'setting')}"


_COUNTS: Final = ("threads", "jobs")
"""Axes that count cores, and the scenario's keys that ask for them."""


@dataclass(frozen=True, slots=True)
class Pair:
    """A cell of the reference and the cell of the other run that it is compared with."""

    reference: Cell
    other: Cell


@dataclass(frozen=True, slots=True, kw_only=True)
class Matching:
    """Pairs of equal cells, pairs that play the same part with other counts, and the rest."""

    equal: tuple[Pair, ...]
    by_part: tuple[Pair, ...]
    refusals: tuple[Refusal, ...]


def judged_cells(cells: Iterable[Cell]) -> list[Cell]:
    """Cells with a headline figure, reference kernels and null arms aside, in table order."""
    found = {cell for cell in cells if TASKS[cell.task].is_compared}
    return sorted(found, key=lambda cell: cell.sort_key)


def match_cells(
    reference: Sequence[Cell],
    other: Sequence[Cell],
    manifests: tuple[Manifest, Manifest],
    hosts: tuple[str, str],
) -> Matching:
    """Pairs of cells of two runs; `manifests` and `hosts`, their names, are the reference's and
    the other's."""
    there = set(other)
    equal = [Pair(cell, cell) for cell in reference if cell in there]
    by_part = []
    for cell in reference:
        partners = [
            c for c in other if _plays_same_part(cell, c, manifests) and not _same_counts(cell, c)
        ]
        if partners:
            by_part.append(Pair(cell, partners[-1]))
    used = {pair.reference for pair in (*equal, *by_part)}
    used_there = {pair.other for pair in (*equal, *by_part)}
    clips = describe_clips(*manifests)
    lacking = {
        **absence_reasons(
            [cell for cell in reference if cell not in used],
            other,
            f"on {shown_name(hosts[1])}",
            different_clips=clips,
        ),
        **absence_reasons(
            [cell for cell in other if cell not in used_there],
            reference,
            f"on {shown_name(hosts[0])}",
            different_clips=clips,
        ),
    }
    reasons: dict[str, list[str]] = {}
    for cell, reason in lacking.items():
        reasons.setdefault(reason, []).append(cell.cell_id)
    return Matching(
        equal=tuple(equal),
        by_part=tuple(by_part),
        refusals=tuple(
            Refusal(reason=reason, cell_ids=tuple(ids)) for reason, ids in reasons.items()
        ),
    )


def _same_counts(first: Cell, second: Cell) -> bool:
    return all(first.setting[name] == second.setting[name] for name in _COUNTS)


def _plays_same_part(first: Cell, second: Cell, manifests: tuple[Manifest, Manifest]) -> bool:
    alike = [cell.but(setting=cell.setting.but(threads=1, jobs=1)) for cell in (first, second)]
    if alike[0] != alike[1]:
        return False
    return all(
        first.setting[name] == second.setting[name]
        or part_words(first, name, manifests[0]) & part_words(second, name, manifests[1])
        for name in _COUNTS
    )


def part_words(cell: Cell, count_name: str, manifest: Manifest) -> set[str]:
    """Under which of "all" and "half" a run's scenario asked for a cell's count."""
    choices = getattr(manifest.scenario.tasks.get(cell.task), count_name, ())
    cores = manifest.host.usable_core_count
    return {
        str(choice)
        for choice in choices
        if isinstance(choice, str)
        and resolve_count(choice, core_count=cores) == cell.setting[count_name]
    }

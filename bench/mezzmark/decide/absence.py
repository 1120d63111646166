"""Why cells of one run have no partner in another, in words that many cells share."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.decide.evidence import MeasuredRun
from mezzmark.decide.task_names import TASK_NAMES
from mezzmark.decide.wording import count_text, list_text, shown_name
from mezzmark.facts.cells import ALL_CLIPS, Cell
from mezzmark.facts.run import Manifest

_COUNTED: Final = {"thread_count": "thread", "job_count": "job"}
"""Settings told as a number of things; the others by their name."""

MOST_CLIPS_NAMED: Final = 3


@dataclass(frozen=True, slots=True)
class _Setting:
    """What the nearest cell of the other run has otherwise: the same for many cells."""

    task: str
    names: tuple[str, ...]


def find_absences(
    baseline: Sequence[MeasuredRun],
    contender: Sequence[MeasuredRun],
    cells: Sequence[Cell],
    names: Sequence[str],
) -> dict[Cell, str]:
    """Which of `cells` some run of two sides lacks, with why; `names` are those of all runs."""
    found: dict[Cell, str] = {}
    for index, (run, name) in enumerate(zip((*baseline, *contender), names, strict=True)):
        own = {trial.cell for trial in run.trials}
        clips = [
            describe_clips(run.manifest, other.manifest)
            if index < len(baseline)
            else describe_clips(other.manifest, run.manifest)
            for other in (contender if index < len(baseline) else baseline)
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
    mine: Mapping[str, object] = cell.model_dump()
    return tuple(name for name, value in other.model_dump().items() if value != mine[name])


def _setting_text(setting: _Setting, cells: Sequence[Cell], where: str) -> str:
    """`encoding in several jobs with 4, 6 or 8 jobs was not measured in results/desk`."""
    parts = [_values_text(name, [getattr(cell, name) for cell in cells]) for name in setting.names]
    with_text = f" with {' and '.join(parts)}" if parts else " with these settings"
    return f"{TASK_NAMES[cells[0].task]}{with_text} was not measured {where}"


def _values_text(name: str, values: Sequence[object]) -> str:
    distinct = list(dict.fromkeys(values))
    if name in _COUNTED:
        counts = sorted(value for value in distinct if isinstance(value, int))
        if len(counts) == 1:
            return count_text(counts[0], _COUNTED[name])
        return f"{_or_text([str(count) for count in counts])} {_COUNTED[name]}s"
    return f"{name.replace('_', ' ')} {_or_text([_text(value) for value in distinct])}"


def _or_text(texts: Sequence[str]) -> str:
    *most, last = texts
    return f"{', '.join(most)} or {last}" if most else last


def _text(value: object) -> str:
    return "none" if value is None else shown_name(str(value))

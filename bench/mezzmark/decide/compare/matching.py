"""Which cells of two runs measured the same thing, and why the others have no partner.

What decides the work (clip, encoded file, encoding, settings of the task) must be the same, or the
cell is not compared. What the machine is (driver, library, kernel, governor) may differ, since that
is what a comparison is often for."""

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from mezzmark.decide.compare.verdicts import Reason, Refusal
from mezzmark.decide.estimate.observed_run import Runs
from mezzmark.model.cell import ALL_CLIPS, AXES, Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.fact import grouped
from mezzmark.model.run import Manifest
from mezzmark.model.survival import carried_things
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.spec import resolve_count

_ASKED_BY_AXES: Final = {key for axis in AXES.values() for key in axis.asked_by}
"""Settings that every cell carries itself, or that only choose which cells there are."""


def compared_cells(cells: Iterable[Cell]) -> list[Cell]:
    """Cells of the tasks that are compared, each once, in table order."""
    found = {cell for cell in cells if TASKS[cell.task].is_compared}
    return sorted(found, key=lambda cell: cell.sort_key)


def group_refusals(reasons: Mapping[Cell, tuple[Reason, ...]]) -> tuple[Refusal, ...]:
    """Cells that share their reasons together."""
    groups = grouped((why, cell) for cell, why in reasons.items())
    return tuple(Refusal(reasons=why, cells=tuple(cells)) for why, cells in groups.items())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Work:
    """What a cell is of in one run: what its task was told besides the cell's own axes, each as
    text; clips by their fingerprints; and of an encoding its definitions, what its files hold
    beside pictures, and the files that the task reads, by clip."""

    settings: dict[str, tuple[str, ...]]
    footage: dict[str, str]
    encoding: list[dict[str, Any]]
    carried: dict[str, tuple[tuple[str, str], ...]]
    file: dict[str, str]

    @classmethod
    def of(cls, cell: Cell, manifest: Manifest) -> "_Work":
        """Of the original nothing more is known than its clips."""
        spec, told = TASKS[cell.task], manifest.scenario.tasks.get(cell.task)
        values = {} if told is None else told.model_dump(mode="json")
        media = [one for one in manifest.media if one.encoding == cell.encoding != ORIGINAL]
        is_carried = spec.makes_whole_files or spec.reads_encoded_file
        carried = {one.clip: carried_things(one.survives) for one in media if is_carried}
        defined = () if cell.encoding == ORIGINAL else manifest.find_encodings(cell.encoding)
        return cls(
            settings={k: (str(v),) for k, v in values.items() if k not in _ASKED_BY_AXES},
            footage={
                one.clip: one.fingerprint
                for one in manifest.clips
                if cell.clip in (ALL_CLIPS, one.clip)
            },
            encoding=[one.instructions for one in defined],
            carried={clip: things for clip, things in carried.items() if things},
            file={
                one.clip: one.fingerprint
                for one in media
                if spec.reads_encoded_file and cell.clip in (ALL_CLIPS, one.clip)
            },
        )


def find_unlikeness(cell: Cell, first: Manifest, second: Manifest) -> tuple[Reason, ...]:
    """What keeps a cell of both manifests from being compared; empty: nothing."""
    before, after = (_Work.of(cell, manifest) for manifest in (first, second))
    reasons = [
        Reason(
            kind="other_setting",
            task=cell.task,
            name=key,
            before=before.settings.get(key, ()),
            after=after.settings.get(key, ()),
        )
        for key in sorted(before.settings.keys() | after.settings.keys())
        if before.settings.get(key) != after.settings.get(key)
    ]
    reasons += [
        Reason(kind="other_footage", name=clip)
        for clip in sorted(before.footage.keys() | after.footage.keys())
        if before.footage.get(clip) != after.footage.get(clip)
    ]
    if before.encoding != after.encoding:
        reasons.append(Reason(kind="other_encoding", name=cell.encoding))
    elif before.carried != after.carried:
        reasons.append(Reason(kind="other_carried", name=cell.encoding))
    elif before.file != after.file:
        reasons.append(Reason(kind="other_file", name=cell.encoding))
    return tuple(reasons)


def work_of(cell: Cell, manifest: Manifest) -> str:
    """16 hex digits of what `find_unlikeness` looks at: the same where it finds nothing."""
    work = _Work.of(cell, manifest)
    parts: list[object] = [cell.cell_id, work.settings, work.footage, *work.encoding]
    if cell.encoding != ORIGINAL and TASKS[cell.task].reads_encoded_file:
        parts.append(work.file)
    parts += filter(None, [work.carried])
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()[:16]


def find_absences(
    baseline: Runs, candidate: Runs, cells: Sequence[Cell], names: Sequence[str]
) -> dict[Cell, Reason]:
    """Which of `cells` some run of two sides lacks, with why; `names` are those of all runs."""
    found: dict[Cell, Reason] = {}
    pairs = [[no_common_clip(a.manifest, b.manifest) for b in candidate] for a in baseline]
    clips_of_runs = [*pairs, *zip(*pairs, strict=True)]
    for run, name, clips in zip((*baseline, *candidate), names, clips_of_runs, strict=True):
        own = {trial.cell for trial in run.trials}
        found |= why_absent(
            [cell for cell in cells if cell not in own and cell not in found],
            [cell for cell in cells if cell in own],
            name,
            clips=clips[0] if all(clips) else None,
        )
    return found


def why_absent(
    cells: Sequence[Cell], others: Sequence[Cell], place: str, *, clips: Reason | None = None
) -> dict[Cell, Reason]:
    """For each of `cells` why none of `others`, those of the run or host `place`, is the same;
    `clips` is the reason that goes before all others, where the runs have no clip in common."""
    return {cell: clips or _what_lacks(cell, others, place) for cell in cells}


def _what_lacks(cell: Cell, others: Sequence[Cell], place: str) -> Reason:
    """The first of task, clip, encoding and setting that no other cell has."""
    of_task = [c for c in others if c.task == cell.task]
    if not of_task:
        return Reason(kind="task_missing", task=cell.task, place=place)
    of_clip = [c for c in of_task if c.clip == cell.clip]
    if not of_clip:
        return Reason(kind="clip_missing", task=cell.task, name=cell.clip, place=place)
    same = [c for c in of_clip if c.encoding == cell.encoding]
    if not same:
        return Reason(kind="encoding_missing", task=cell.task, name=cell.encoding, place=place)
    differing = [tuple(a for a in AXES if cell.setting[a] != c.setting[a]) for c in same]
    axes = min(differing, key=len)
    return Reason(kind="setting_missing", task=cell.task, axes=axes, place=place)


def no_common_clip(first: Manifest, second: Manifest) -> Reason | None:
    """Which clips two runs measured, where they have no name of a clip in common."""
    names = [tuple(clip.clip for clip in manifest.clips) for manifest in (first, second)]
    if set(names[0]) & set(names[1]) or not all(names):
        return None
    footage = [{clip.fingerprint for clip in manifest.clips} for manifest in (first, second)]
    files = [_file_names(manifest) for manifest in (first, second)]
    shown = names if files[0] == files[1] else files
    before, after = (tuple(dict.fromkeys(side)) for side in shown)
    is_same = footage[0] & footage[1]
    return Reason(kind="renamed_clips" if is_same else "no_common_clip", before=before, after=after)


def _file_names(manifest: Manifest) -> tuple[str, ...]:
    """The clips as a person knows them: own footage by its files."""
    return tuple(
        clip.original.path.replace("\\", "/").rpartition("/")[2]
        if clip.source == "own"
        else clip.clip
        for clip in manifest.clips
    )


_COUNTS: Final = ("threads", "jobs")
"""Axes that count cores, and the scenario's keys that ask for them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Matching:
    """Cells of the reference with those of the other run that they are compared with: equal ones,
    those that use the same share of their machine's cores with other counts, and the rest."""

    equal: dict[Cell, Cell]
    same_share: dict[Cell, Cell]
    refusals: tuple[Refusal, ...]


def match_cells(
    reference: Sequence[Cell],
    other: Sequence[Cell],
    manifests: tuple[Manifest, Manifest],
    hosts: tuple[str, str],
) -> Matching:
    """Pairs of cells of two runs; `manifests` and `hosts` (names): the reference's, the other's."""
    there = set(other)
    equal = {cell: cell for cell in reference if cell in there}
    same_share = {
        cell: partner
        for cell in reference
        for partner in other
        if _uses_same_share(cell, partner, manifests) and cell != partner
    }
    used, used_there = equal.keys() | same_share.keys(), {*equal.values(), *same_share.values()}
    clips = no_common_clip(*manifests)
    lacking = {
        **why_absent([c for c in reference if c not in used], other, hosts[1], clips=clips),
        **why_absent([c for c in other if c not in used_there], reference, hosts[0], clips=clips),
    }
    refusals = group_refusals({cell: (reason,) for cell, reason in lacking.items()})
    return Matching(equal=equal, same_share=same_share, refusals=refusals)


def _uses_same_share(first: Cell, second: Cell, manifests: tuple[Manifest, Manifest]) -> bool:
    alike = [cell.but(setting=cell.setting.but(threads=1, jobs=1)) for cell in (first, second)]
    if alike[0] != alike[1]:
        return False
    return all(
        first.setting[name] == second.setting[name]
        or _core_share(first, name, manifests[0]) & _core_share(second, name, manifests[1])
        for name in _COUNTS
    )


def _core_share(cell: Cell, count_name: str, manifest: Manifest) -> set[str]:
    """Under which of "all" and "half" a run's scenario asked for a cell's count."""
    choices = getattr(manifest.scenario.tasks.get(cell.task), count_name, ())
    cores = manifest.host.usable_core_count
    return {
        str(choice)
        for choice in choices
        if isinstance(choice, str)
        and resolve_count(choice, core_count=cores) == cell.setting[count_name]
    }

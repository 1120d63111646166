"""Whether a run may be resumed: what decides a measurement must be what it was."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from mezzmark.model.errors import RunError, count_text
from mezzmark.model.run import RESUME_FACTS, ClipManifest, Manifest
from mezzmark.model.scenario import Scenario

CHANGEABLE_LIMITS = {
    "title",
    "description",
    "rounds",
    "minimum_rounds",
    "precision_fraction",
    "time_budget_s",
    "trial_timeout_s",
    "choose",
}
"""Scenario keys that say how long to measure, or nothing at all of what; a resumed run may have
other ones, for the order of its rounds does not depend on them."""

SHOWN_DIFFERENCES = 3
"""More than so many are counted, not listed: the first ones say which run it is."""


def check_same_measurement(before: Manifest, now: Manifest, *, where: str) -> None:
    """RunError naming what differs, when `now` would not measure what `before` did."""
    _refuse(describe_differences(before, now), where=where)


def check_same_scenario(before: Scenario, now: Scenario, *, where: str) -> None:
    """The same of what the scenarios alone tell, before anything is prepared."""
    other = f'it is of the scenario "{before.name}", and "{now.name}" was asked for'
    is_same = before.name == now.name
    _refuse(_changed_scenario(before, now, without=()) if is_same else [other], where=where)


def check_same_footage(before: Manifest, file_names: Sequence[str], *, where: str) -> None:
    """RunError when a file that was measured is not among those passed now; what is new among
    them is only known once it is read."""
    measured = [_clip_name(clip) for clip in before.clips if clip.source == "own"]
    if set(measured) - set(file_names):
        what = f"this run measured {_list(measured)}, you passed {_list(file_names)}"
        _refuse([what], where=where)


def _refuse(differences: Sequence[str], *, where: str) -> None:
    if not differences:
        return
    shown, left = differences[:SHOWN_DIFFERENCES], len(differences) - SHOWN_DIFFERENCES
    more = [f"and {count_text(left, 'more difference')}"] if left > 0 else []
    raise RunError(
        where=where,
        what=f"the run in this folder is of something else: {'; '.join([*shown, *more])}",
        remedy="Measure into another folder with --out, or restore what has changed.",
    )


def describe_differences(before: Manifest, now: Manifest) -> list[str]:
    """What differs between two manifests that decides a measurement, in words: the footage first,
    and nothing that only follows from what is named already."""
    footage = _changed_footage(before.clips, now.clips)
    both = (before, now)
    instructions = ({one.name: one.instructions for one in run.encodings} for run in both)
    encodings = _changed_entries("encoding", *instructions)
    files = ({f"{m.clip} as {m.encoding}": m.fingerprint for m in run.media} for run in both)
    told = {"clips"} if footage else set()
    told |= {"encodings", "custom_encodings"} if encodings else set()
    was, now_is = _surroundings(before), _surroundings(now)
    return [
        *footage,
        *_changed_scenario(before.scenario, now.scenario, without=told),
        *encodings,
        *(
            f"{name} was {was.get(name)}, is {now_is.get(name)}"
            for name in was | now_is
            if was.get(name) != now_is.get(name)
        ),
        *([] if told else _changed_entries("medium", *files)),
    ]


def _surroundings(manifest: Manifest) -> dict[str, object]:
    """The versions and the facts of the host that decide a measurement, by name."""
    host = manifest.host
    return {
        "mezzmark": manifest.mezzmark_version,
        **{key: getattr(host, key) for key in RESUME_FACTS},
        **dict(sorted(host.library_versions.items())),
        **{f'file system of the root "{root.name}"': root.file_system for root in manifest.roots},
    }


def _changed_footage(before: Sequence[ClipManifest], now: Sequence[ClipManifest]) -> list[str]:
    """Which clips were measured and which would be; or which of the same names hold other bytes."""
    names, names_now = [_clip_name(clip) for clip in before], [_clip_name(clip) for clip in now]
    if sorted(names) != sorted(names_now):
        is_own = any(clip.source == "own" for clip in now)
        verb = "you passed" if is_own else "the scenario now has"
        return [f"this run measured {_list(names)}, {verb} {_list(names_now)}"]
    prints = {clip.clip: clip.fingerprint for clip in before}
    return [
        f"{_clip_name(clip)} is not the same footage as before"
        for clip in now
        if prints.get(clip.clip) != clip.fingerprint
    ]


def _clip_name(clip: ClipManifest) -> str:
    """Own files by their file's name, which is what was passed."""
    return clip.original.path if clip.source == "own" else clip.clip


def _list(names: Sequence[str]) -> str:
    if not names:
        return "none"
    if len(names) <= SHOWN_DIFFERENCES:
        return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
    return f"{', '.join(names[:2])} and {len(names) - 2} more"


def _changed_scenario(before: Scenario, now: Scenario, *, without: Collection[str]) -> list[str]:
    was, is_now = _deciding_keys(before), _deciding_keys(now)
    return [
        f"the scenario's {key} differs"
        for key in {**was, **is_now}  # a task's table may stand in one of them alone
        if key not in CHANGEABLE_LIMITS and key not in without and was.get(key) != is_now.get(key)
    ]


def _deciding_keys(scenario: Scenario) -> dict[str, Any]:
    """The scenario as data, without the places of own files: what lies there decides."""
    data = scenario.model_dump(mode="json")
    for clip in data["clips"]:
        clip["files"] = bool(clip["files"])
    data["roots"] = [root["name"] for root in data["roots"]]
    return data


def _changed_entries(
    kind: str, before: Mapping[str, object], now: Mapping[str, object]
) -> list[str]:
    how = dict.fromkeys(now.keys() - before.keys(), "is new")
    how |= dict.fromkeys(before.keys() - now.keys(), "is gone")
    common = before.keys() & now.keys()
    how |= {name: "is not the same" for name in common if now[name] != before[name]}
    return sorted(f'{kind} "{name}" {what}' for name, what in how.items())

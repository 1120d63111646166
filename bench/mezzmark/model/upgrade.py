"""Format 1 to format 2 of what a run leaves: pure functions on the parsed JSON.

Format 2 writes a cell as task, clip, encoding and a setting of axes, takes the arm out of the
cell, and says outright what every trial of format 1 did: requests drawn one by one in one block,
players that spread work within a picture (or as stated), no storage but the cache folder. What was
measured, stored and read by nothing is let go."""

from collections.abc import Collection, Container, Iterable, Mapping
from typing import Any, Final

from mezzmark.model.cell import ARMS, AXES
from mezzmark.model.players import find_player
from mezzmark.model.records import FLAGS
from mezzmark.model.run import HostFacts, host_id
from mezzmark.model.tasks import TASKS

Json = dict[str, Any]

_RENAMED_AXES: Final = {
    "pattern": "pattern",
    "policy": "policy",
    "thread_count": "threads",
    "viewer_height_px": "viewer_height",
    "job_count": "jobs",
    "order": "clip_order",
    "height_px": "delivery_height",
    "passes": "passes",
    "is_pinned": "pinned",
}

_NEVER_READ: Final = frozenset(
    {
        *("fits", "black_rgb", "white_rgb", "super_white_fraction", "chroma_detail_fraction"),
        *("viewer_chroma_shift_x_px", "viewer_chroma_shift_y_px", "alpha_is_kept"),
    }
)
"""What the fidelity task measured, stored, and nothing read."""

_OLD_DEFAULT: Final = ("indifference_fraction", 0.05)
"""Of `choose`: stored where nobody said otherwise; today's default judges."""


def upgrade_trial(trial: Json) -> Json:
    """A line of `trials.jsonl` in format 2; one that is in it already comes back as it is."""
    if trial.get("schema_version") != 1:
        return trial
    cell = trial["cell"]
    upgraded = {**trial, "schema_version": 2, "cell": upgrade_cell(cell)}
    if cell.get("arm"):
        upgraded["arm"] = cell["arm"]
    measured = trial.get("measurement")
    if measured and measured.get("task") == "fidelity":
        chart = measured["chart"] and _without(measured["chart"], _NEVER_READ)
        upgraded["measurement"] = {**_without(measured, _NEVER_READ), "chart": chart}
    return upgraded


def upgrade_cell(cell: Mapping[str, Any]) -> Json:
    """A cell of format 1 as task, clip, encoding and setting."""
    axes = TASKS[cell["task"]].axes if cell["task"] in TASKS else ()
    setting = {
        axis: cell[name]
        for name, axis in _RENAMED_AXES.items()
        if axis in axes and cell.get(name) is not None
    }
    if cell.get("threading") is not None:
        setting["player"] = find_player(cell["threading"], cell.get("decoder", "software")).name
    return {key: cell[key] for key in ("task", "clip", "encoding")} | {"setting": setting}


def unknown_parts(trial: Json) -> str:
    """What of a trial in format 2 is unknown here: task, axis, arm or flag; empty: nothing."""
    parts: tuple[tuple[str, Iterable[str], Container[str]], ...] = (
        ("task", [trial["cell"]["task"]], TASKS),
        ("axis", trial["cell"]["setting"], AXES),
        ("arm", [trial.get("arm", "")], ARMS),
        ("flag", trial.get("flags", []), FLAGS),
    )
    unknown = (
        f"{kind} {name}" for kind, names, known in parts for name in names if name not in known
    )
    return next(unknown, "")


def upgrade_manifest(manifest: Json) -> Json:
    """`manifest.json` in format 2; one that is in it already comes back as it is."""
    if manifest.get("schema_version") != 1:
        return manifest
    scenario = manifest["scenario"]
    scrub, choose = scenario.get("scrub"), scenario.get("choose")
    players = []
    if scrub is not None:
        player = find_player(scrub.get("threading", "slice"), scrub.get("decoder", "software"))
        players.append(player.model_dump())
    if choose and _OLD_DEFAULT in choose.items():
        scenario = {**scenario, "choose": _without(choose, _OLD_DEFAULT[:1])}
    return {
        **manifest,
        "schema_version": 2,
        "scenario": scenario,
        "players": players,
        "host_id": host_id(HostFacts.model_validate(manifest["host"])),
    }


def _without(facts: Json, names: Collection[str]) -> Json:
    return {key: value for key, value in facts.items() if key not in names}

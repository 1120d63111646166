"""How a run begins, may be resumed (what decides a measurement must be what it was), and is told to
stop: folder, manifest, signals.

Signals are turned into a flag that is looked at between steps, so that no write is cut off. A
second Ctrl-C means "at once" and raises KeyboardInterrupt as usual.
"""

import signal
import threading
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from itertools import chain
from pathlib import Path
from types import FrameType
from typing import Any, Final
from uuid import uuid4

import mezzmark
from mezzmark.host.common import Clock, read_host_facts
from mezzmark.model.errors import RunError, count_text
from mezzmark.model.link import ReadSettings
from mezzmark.model.players import PLAYERS
from mezzmark.model.preparations import BandwidthJob, BandwidthMeasured
from mezzmark.model.records import Trial
from mezzmark.model.run import RESUME_FACTS, ClipManifest, Manifest, host_id
from mezzmark.model.scenario import Scenario
from mezzmark.runner.footage_files import find_files
from mezzmark.runner.plan import PlannedCell, plan_cells
from mezzmark.runner.prepare import Footage
from mezzmark.runner.workers import Dispatch, last_answer
from mezzmark.store import run_store

BANDWIDTH_TIMEOUT_S: Final = 300.0
"""A copy of 64 MiB takes a few hundredths of a second; so long is a machine without memory left."""

_SIGNALS: Final = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class StopFlag:
    """Whether a signal asked the run to stop, and which; told to the `outer` one around it."""

    def __init__(self) -> None:
        self.signal_name = ""
        self.outer: StopFlag | None = None

    def is_set(self) -> bool:
        """Whether to stop as soon as that is possible."""
        return bool(self.signal_name)

    def note(self, number: int, _frame: FrameType | None) -> None:
        """The signal handler."""
        if self.outer:
            self.outer.note(number, _frame)
        if self.is_set() and number == signal.SIGINT:
            raise KeyboardInterrupt
        self.signal_name = signal.Signals(number).name


@contextmanager
def trap_signals() -> Iterator[StopFlag]:
    """Note Ctrl-C, `kill` and a closed terminal while the block runs; put handlers back after it.
    Signals that are ignored (as under nohup) stay ignored. Python hands signals to the main thread
    only; anywhere else the flag is never set, and whoever runs the thread must end it."""
    flag = StopFlag()
    with ExitStack() as handlers:
        if threading.current_thread() is threading.main_thread():
            for number in signal.Signals:
                before = signal.getsignal(number)
                if number.name in _SIGNALS and before is not signal.SIG_IGN:
                    outer = getattr(before, "__self__", None)
                    flag.outer = outer if isinstance(outer, StopFlag) else None
                    signal.signal(number, flag.note)
                    handlers.callback(signal.signal, number, before or signal.SIG_DFL)
        yield flag


def describe_run(
    scenario: Scenario, footage: Footage, *, cache_dir: Path, clock: Clock
) -> Manifest:
    """The manifest of a run that begins now."""
    from mezzmark.engines.media.cache import all_library_versions

    host = read_host_facts(cache_dir, library_versions=all_library_versions())
    named = (getattr(s, "every_player", getattr(s, "players", ())) for s in scenario.tasks.values())
    # The last part only: a published run need not tell its reader about folders.
    roots = (r.model_copy(update={"path": Path(r.path).name or r.path}) for r in scenario.roots)
    tables = [table for table in scenario.tasks.values() if isinstance(table, ReadSettings)]
    manifest = Manifest(
        mezzmark_version=mezzmark.__version__,
        run_id=uuid4().hex,
        created_utc=clock.utc(),
        scenario=scenario.model_copy(update={"roots": tuple(roots)}),
        encodings=footage.encodings,
        clips=tuple(footage.clips),
        media=tuple(footage.media_manifests),
        refused=tuple(footage.refused),
        left_out=tuple(footage.left_out),
        players=tuple(PLAYERS[name] for name in dict.fromkeys(chain.from_iterable(named))),
        links=tuple({k: v for one in tables for k, v in one.modelled_links.items()}.values()),
        host_id=host_id(host),
        host=host,
    )
    return footage.noted(manifest)


def add_bandwidth(manifest: Manifest, dispatch: Dispatch) -> Manifest:
    """The manifest with the memory bandwidth at 1, 2, 4, … and all cores, where a grid needs it.
    Where it cannot be measured it stays unknown: it only explains a limit."""
    if "grid" not in manifest.scenario.tasks:
        return manifest
    core_count = manifest.host.usable_core_count
    powers = {2**k for k in range(core_count.bit_length())}
    job = BandwidthJob(process_counts=tuple(sorted({*powers, core_count})))
    answer = last_answer(dispatch(job, BANDWIDTH_TIMEOUT_S))
    if not isinstance(answer, BandwidthMeasured):
        return manifest
    host = manifest.host.model_copy(update={"memory_bandwidth": answer.bandwidth})
    return manifest.model_copy(update={"host": host})


def manifest_cells(manifest: Manifest) -> tuple[PlannedCell, ...]:
    """The cells of a run; with the seed they give back the planned order of every round."""
    media = dict.fromkeys((medium.clip, medium.encoding) for medium in manifest.media)
    return plan_cells(manifest.scenario, media=media, core_count=manifest.host.usable_core_count)


@contextmanager
def clean_start(run_dir: Path, *, is_new: bool) -> Iterator[None]:
    """A run that ends before its manifest is written leaves no file behind; its folder neither,
    where it made it (`is_new`). Folders made above that one stay: others may use them meanwhile."""
    try:
        yield
    except BaseException:
        run_store.discard_run_dir(run_dir, with_folder=is_new)
        raise


def check_same_run(run_dir: Path, scenario: Scenario) -> None:
    """What can be told before anything is prepared: RunError for another scenario, or where a file
    that was measured is not passed now; what is new among them is known once it is read."""
    before, where = run_store.read_manifest(run_dir), str(run_dir)
    was = before.scenario
    other = f'it is of the scenario "{was.name}", and "{scenario.name}" was asked for'
    is_same = was.name == scenario.name
    _refuse(_changed_scenario(was, scenario, without=()) if is_same else [other], where=where)
    files = [Path(file.path).name for clip in scenario.clips for file in find_files(clip.files)]
    measured = [_clip_name(clip) for clip in before.clips if clip.source == "own"]
    if set(measured) - set(files):
        _refuse([f"this run measured {_list(measured)}, you passed {_list(files)}"], where=where)


def open_run(
    run_dir: Path, described: Manifest, dispatch: Dispatch, *, is_resumed: bool
) -> tuple[Manifest, tuple[Trial, ...]]:
    """The manifest, now on disk, and the trials so far. That of a resumed run takes the scenario as
    asked for now: it may ask for more rounds or more time."""
    if not is_resumed:
        manifest = add_bandwidth(described, dispatch)
        run_store.create_run(run_dir, manifest)
        return manifest, ()
    run = run_store.read_run(run_dir)
    check_same_measurement(run.manifest, described, where=str(run_dir))
    manifest = run.manifest.model_copy(update={"scenario": described.scenario, "stop_reason": ""})
    run_store.write_manifest(run_dir, manifest)
    return manifest, run.trials


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
"""Scenario keys of how long to measure, or of nothing measured; a resumed run may change them, for
the order of its rounds does not depend on them."""

SHOWN_DIFFERENCES = 3
"""More than so many are counted, not listed: the first ones say which run it is."""


def check_same_measurement(before: Manifest, now: Manifest, *, where: str) -> None:
    """RunError naming what differs, when `now` would not measure what `before` did."""
    _refuse(describe_differences(before, now), where=where)


def _refuse(differences: Sequence[str], *, where: str) -> None:
    if not differences:
        return
    shown, left = differences[:SHOWN_DIFFERENCES], len(differences) - SHOWN_DIFFERENCES
    more = [f"and {count_text(left, 'more difference')}"] if left > 0 else []
    what = f"the run in this folder is of something else: {'; '.join([*shown, *more])}"
    remedy = "Measure into another folder with --out, or restore what has changed."
    raise RunError(where=where, what=what, remedy=remedy)


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

"""How a run begins or is resumed, and is told to stop: folder, manifest, signals.

Signals are turned into a flag that is looked at between steps, so that no write is cut off. A
second Ctrl-C means "at once" and raises KeyboardInterrupt as usual.
"""

import signal
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from itertools import chain
from pathlib import Path
from types import FrameType
from typing import Final
from uuid import uuid4

import mezzmark
from mezzmark.host.common import Clock, read_host_facts
from mezzmark.model.link import ReadSettings
from mezzmark.model.players import PLAYERS
from mezzmark.model.preparations import BandwidthJob, BandwidthMeasured
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest, host_id
from mezzmark.model.scenario import Scenario
from mezzmark.runner.footage_files import find_files
from mezzmark.runner.plan import PlannedCell, plan_cells
from mezzmark.runner.prepare import Footage
from mezzmark.runner.workers import Dispatch, last_answer
from mezzmark.store import run_store
from mezzmark.store.run_identity import (
    check_same_footage,
    check_same_measurement,
    check_same_scenario,
)

BANDWIDTH_TIMEOUT_S: Final = 300.0
"""A copy of 64 MiB takes a few hundredths of a second; so long is a machine without memory left."""

_SIGNALS: Final = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class StopFlag:
    """Whether a signal asked the run to stop, and which; it tells the `outer` one of a run around
    it."""

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
    return plan_cells(
        manifest.scenario,
        media=dict.fromkeys((medium.clip, medium.encoding) for medium in manifest.media),
        core_count=manifest.host.usable_core_count,
    )


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
    """What can be told before anything is prepared: RunError for another scenario or footage."""
    before = run_store.read_manifest(run_dir)
    check_same_scenario(before.scenario, scenario, where=str(run_dir))
    files = [Path(file.path).name for clip in scenario.clips for file in find_files(clip.files)]
    check_same_footage(before, files, where=str(run_dir))


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

"""Runs with roots: each has cells of its own, and storage that fails or hangs costs no other."""

import os
import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from itertools import count
from pathlib import Path

import pytest

from mezzmark.host.common import Clock
from mezzmark.model.errors import RunError
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.jobs import JobFailed
from mezzmark.model.preparations import PlacedFiles
from mezzmark.model.run import Root
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.runner import roots, workers
from mezzmark.runner.events import CellGivenUp, Event, Noted
from mezzmark.runner.run import run_scenario
from mezzmark.store.run_store import read_run
from simulation.synthetic_engine import SyntheticEngine
from simulation.synthetic_footage import synthetic_footage

SFTP_SERVER = Path("/usr/lib/openssh/sftp-server")


def scenario(path: str, **changes: object) -> Scenario:
    settings: dict[str, object] = {
        "name": "roots",
        "seed": 3,
        "rounds": 4,
        "minimum_rounds": 4,
        "clips": (ClipSpec(name="a", recipe=Recipe()),),
        "encodings": ("original", "vc3-sq"),
        "roots": [{"name": "share", "path": path}],
        "scrub": ScrubSettings(patterns=("jump",), requests=20, threads=(1,)),
    }
    return Scenario.model_validate(settings | changes)


class Storage:
    """A synthetic engine that places files in name only, and fails on them from a trial on."""

    def __init__(self, fails_from: int) -> None:
        self._engine = SyntheticEngine(seed=1)
        self._left = fails_from
        self.cleared = 0

    def dispatch(self, job, timeout_s):
        """As of workers."""
        if job.task == "place-files":
            names = ("original", "vc3-sq")
            pairs = zip(job.files, names, strict=True)
            copies = (f.model_copy(update={"path": f"/films/own/{name}"}) for f, name in pairs)
            root = Root(name=job.root.name, path="films")
            yield PlacedFiles(folder="/films/own", files=tuple(copies), root=root)
        elif job.task == "scrub" and job.media[0].media_path.startswith("/films/own/"):
            self._left -= 1
            failure = JobFailed(where="copy", what="gone", remedy="Mount it.", exit_code=24)
            yield self._engine(job, timeout_s) if self._left >= 0 else failure
        else:
            yield self._engine(job, timeout_s)

    def clear(self, job, _timeout_s):
        """In place of the worker that removes what was placed."""
        assert job.is_over
        self.cleared += 1
        yield PlacedFiles()


def run(plan: Scenario, folder: Path, storage: Storage, **options: bool) -> list[Event]:
    given = {"run_dir": folder / "run", "cache_dir": Path("cache"), **options}
    given |= {"footage": synthetic_footage(plan), "stop_when": lambda trials: ""}
    given["clock"] = Clock(monotonic_ns=partial(next, count(step=10**10)))  # no trial is too short
    return list(run_scenario(plan, dispatch=storage.dispatch, **given))


def test_a_root_that_goes_is_named_and_costs_no_other_cell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After three failures in a row, of room too, its cells are left out and all others have every
    round. A resumed run tries it again, from another mount of it, and never tells the path."""
    plan = scenario("/mnt/of/somebody/films")
    storage = Storage(fails_from=3)
    monkeypatch.setattr(roots, "run_worker", storage.clear)
    events = run(plan, tmp_path, storage)
    trials = read_run(tmp_path / "run").trials
    outcomes = {
        root: [
            t.outcome for t in trials if t.cell.setting["root"] == root and t.cell.task != "kernel"
        ]
        for root in (None, "share")
    }
    assert outcomes == {None: ["finished"] * 8, "share": ["finished"] * 3 + ["failed"] * 3}
    given_up = [event for event in events if isinstance(event, CellGivenUp)]
    assert [(e.root, e.reason) for e in given_up] == [("share", "copy: gone")]
    assert storage.cleared == 2  # before and after
    assert b"somebody" not in (tmp_path / "run" / "manifest.json").read_bytes()
    monkeypatch.setattr(roots, "run_worker", Storage(0).clear)
    longer = scenario("/other/mount", rounds=6)
    run(longer, tmp_path, Storage(fails_from=99), resume=True)
    after = [t for t in read_run(tmp_path / "run").trials if t.cell.setting["root"] == "share"]
    assert [t.outcome for t in after].count("finished") == 3 + 6
    with pytest.raises(RunError, match="roots"):
        run(longer.but(roots=[{"name": "disk", "path": "/x"}]), tmp_path, storage, resume=True)


@contextmanager
def user_space_share(folder: Path, place: Path) -> Iterator[subprocess.Popen[bytes]]:
    """The folder mounted at `place` through an SFTP server on pipes, which can be made to hang."""
    if not (shutil.which("sshfs") and SFTP_SERVER.exists() and os.access("/dev/fuse", os.W_OK)):
        pytest.skip("there is no file system in user space to be made to hang here")
    place.mkdir()
    server = subprocess.Popen((SFTP_SERVER,), stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    command = ("sshfs", "-f", "-o", "passive", f"x:{folder}", str(place))
    share = subprocess.Popen(command, stdin=server.stdout, stdout=server.stdin)
    try:
        for _ in range(100):
            if os.path.ismount(place):
                break
            try:
                share.wait(0.1)
            except subprocess.TimeoutExpired:
                continue
            pytest.skip("this user may not mount a file system in user space")
        yield server
    finally:
        server.send_signal(signal.SIGCONT)
        subprocess.run(("fusermount", "-u", "-z", str(place)), check=False)
        server.kill()
        share.kill()
        server.wait()
        share.wait()


@pytest.mark.slow
def test_a_share_that_hangs_ends_its_trials_by_timeout_and_the_run_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From where the server stands still, trials there time out, three in a row, though their
    workers cannot be killed; local ones go on, and what was copied is told to be left."""
    monkeypatch.setattr(workers, "TEARDOWN_S", 0.5)
    monkeypatch.setattr(roots, "CLEARING_S", 2.0)
    (tmp_path / "served").mkdir()
    with user_space_share(tmp_path / "served", tmp_path / "share") as server:
        small = Recipe(width_px=320, height_px=180, duration_s=1)
        scrub = ScrubSettings(patterns=("jump",), requests=4, threads=(1,))
        changes = {"clips": (ClipSpec(name="a", recipe=small),), "scrub": scrub, "rounds": 6}
        plan = scenario(str(tmp_path / "share"), **changes, trial_timeout_s=6)
        events = []
        for event in run_scenario(
            plan, run_dir=tmp_path / "run", cache_dir=tmp_path / "cache", stop_when=lambda _: ""
        ):
            events.append(event)
            if type(event).__name__ == "RoundFinished" and event.round_index == 1:
                server.send_signal(signal.SIGSTOP)
    trials = read_run(tmp_path / "run").trials
    there = [t for t in trials if t.cell.setting["root"] == "share"]
    assert [t.outcome for t in there] == ["finished"] * 4 + ["timed_out"] * 3
    assert {t.reason for t in there[4:]} <= {
        "no answer within 6 s; killed",
        "no answer within 6 s; it cannot be killed, as storage holds it",
    }
    here = [t for t in trials if not t.cell.setting["root"] and t.cell.task == "scrub"]
    assert [t.outcome for t in here] == ["finished"] * 12
    assert [event.root for event in events if isinstance(event, CellGivenUp)] == ["share"]
    assert any("share" in event.message for event in events if isinstance(event, Noted))

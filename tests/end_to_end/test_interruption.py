"""Kills and interruptions of real processes lose no finished trial and leave nothing behind."""

import os
import random
import signal
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

from fixtures.interruptible_run import SCENARIO
from mezzmark.host.common import read_usable_core_count
from mezzmark.model.errors import InterruptedRunError
from mezzmark.runner.plan import plan_round
from mezzmark.runner.start import manifest_cells
from mezzmark.store.run_store import read_run

DRIVER = Path(__file__).parents[1] / "fixtures" / "interruptible_run.py"
PROMPT_S = 30
"""A bound against a hanging test; nothing is measured by it."""

posix_only = pytest.mark.skipif(os.name == "nt", reason="POSIX signals")


def start(run_dir: Path, kind: str, mode: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, str(DRIVER), str(run_dir), kind, mode],
        stdout=subprocess.PIPE,
        text=True,
    )


def read_until(process: subprocess.Popen[str], word: str, count: int = 1) -> list[str]:
    """The lines up to the count-th that begins with `word`, or to the end."""
    lines = []
    for line in process.stdout or ():
        lines.append(line.rstrip("\n"))
        count -= line.startswith(word)
        if count == 0:
            break
    return lines


def finished_places(lines: list[str]) -> set[tuple[int, int]]:
    return {
        (int(words[1]), int(words[2]))
        for words in (line.split() for line in lines)
        if words and words[0] == "finished"
    }


def interrupt_often(run_dir: Path, signals: list[int], rng: random.Random) -> list[int]:
    """Start, interrupt and resume a run once per signal; check after each that every trial that
    was told of is on disk, then let the run end. Returns the exit statuses."""
    told: set[tuple[int, int]] = set()
    statuses = []
    mode = "fresh"
    for number in signals:
        process = start(run_dir, "synthetic", mode)
        lines = read_until(process, "finished", rng.randint(1, 8))
        process.send_signal(number)
        lines += read_until(process, "no such word")
        statuses.append(process.wait(PROMPT_S))
        told |= finished_places(lines)
        on_disk = {(t.round_index, t.position) for t in read_run(run_dir).trials}
        assert told <= on_disk
        mode = "resume"
    process = start(run_dir, "synthetic", "resume")
    lines = read_until(process, "no such word")
    assert process.wait(PROMPT_S) == 0
    assert lines[-1].startswith("stopped all 8 rounds")
    return statuses


def assert_complete(run_dir: Path) -> None:
    """The run holds every planned trial once, each the one that was planned for its place."""
    run = read_run(run_dir)
    cells = manifest_cells(run.manifest)
    planned = {
        (trial.round_index, trial.position): (trial.cell, trial.seed)
        for index in range(SCENARIO.rounds)
        for trial in plan_round(cells, index, SCENARIO.seed)
    }
    assert len(run.trials) == len(planned)
    assert {(t.round_index, t.position): (t.cell, t.seed) for t in run.trials} == planned


@posix_only
@pytest.mark.parametrize("count", [3, pytest.param(12, marks=pytest.mark.slow)])
def test_kill_minus_nine_loses_no_finished_trial(tmp_path: Path, count: int) -> None:
    """After SIGKILL at random moments, each trial told of is on disk, and resuming fills the plan
    exactly once."""
    statuses = interrupt_often(tmp_path / "run", [signal.SIGKILL] * count, random.Random(20))
    assert statuses == [-signal.SIGKILL] * count
    assert_complete(tmp_path / "run")


@posix_only
def test_ctrl_c_and_terminate_end_cleanly_and_say_how_to_go_on(tmp_path: Path) -> None:
    """SIGINT, SIGTERM and SIGHUP end the run with the documented exit code, between trials."""
    signals = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]
    statuses = interrupt_often(tmp_path / "run", signals, random.Random(21))
    assert statuses == [InterruptedRunError.exit_code] * len(signals)
    assert read_run(tmp_path / "run").torn_line_count == 0
    assert_complete(tmp_path / "run")


@posix_only
@pytest.mark.parametrize("number", [9, 2], ids=["SIGKILL", "SIGINT"])
def test_a_dead_runner_leaves_no_worker_behind(tmp_path: Path, number: int) -> None:
    """The worker processes of a runner that is killed or interrupted end too, those that wait for
    their trials included."""
    process = start(tmp_path / "run", "workers", "fresh")
    read_until(process, "started")
    runner = psutil.Process(process.pid)
    workers: list[psutil.Process] = []
    while len(workers) < min(2, read_usable_core_count()):
        assert process.poll() is None, "the runner ended by itself"
        workers = runner.children(recursive=True)
    process.send_signal(number)
    process.communicate(timeout=PROMPT_S)
    _, alive = psutil.wait_procs(workers, timeout=PROMPT_S)
    assert alive == []


def test_two_processes_cannot_write_one_run(tmp_path: Path) -> None:
    """A second runner is refused while the first holds the run, whatever it asks for."""
    first = start(tmp_path / "run", "workers", "fresh")
    read_until(first, "started")
    second = start(tmp_path / "run", "synthetic", "resume")
    said = read_until(second, "no such word")
    first.kill()
    first.communicate(timeout=PROMPT_S)
    assert second.wait(PROMPT_S) == 22
    assert "another process is writing this run" in said[-1]

"""Small versions of programs that attack the whole command: random lines, kills, full disks, and
a run watched for what it keeps."""

import os
import random
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from simulation import growth, random_commands
from simulation.growth import grown, watched_run
from simulation.interrupted_placing import may_mount
from simulation.struck_runs import fill_disk, kill_at_random

pytestmark = pytest.mark.skipif(os.name == "nt", reason="POSIX signals and forked processes")


@pytest.mark.parametrize("count", [10, pytest.param(100, marks=pytest.mark.slow)])
def test_random_command_lines_are_answered(count: int) -> None:
    """Exit codes of the list, one line for an error, no traceback, no clip or neighbour touched."""
    program = (sys.executable, random_commands.__file__, "--seed", "1", "--count", str(count))
    done = subprocess.run(program, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.slow
def test_kills_cost_the_trials_under_way_alone(tmp_path: Path) -> None:
    """Whoever prepares, encoders at once, a worker and the runner, killed in one run: each planned
    trial is there once, no more crashed than workers were struck, and the user's folder is as it
    was."""
    kinds = ["preparation", "encoders", "worker", "main"]
    struck, faults = kill_at_random(tmp_path / "run", kinds, random.Random(1))
    assert faults == []
    assert struck.total() >= 3


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_a_full_disk_ends_the_run_which_then_goes_on(seed: int, tmp_path: Path) -> None:
    """Exit code 24 in one line; with more room the run is resumed, and no trial has failed."""
    if not may_mount(tmp_path):
        pytest.skip("this user may not mount a file system")
    outcome, faults = fill_disk(tmp_path / "run", random.Random(seed))
    assert faults == [], outcome


def test_a_run_keeps_nothing_but_its_trials(tmp_path: Path) -> None:
    """Descriptors, threads, children, files of the run and temporary ones are no more after 36
    trials than after 12."""
    first, _, last = watched_run(tmp_path, rounds=6, every=12, is_real=False)
    assert (first.trials, last.trials) == (12, 36)
    assert grown(first, replace(last, rss_bytes=first.rss_bytes)) == []
    worse = replace(last, descriptors=first.descriptors + growth.SLACK["descriptors"] + 1)
    assert grown(first, worse) != []

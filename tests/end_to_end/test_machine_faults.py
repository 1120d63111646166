"""What the machine refuses is told in one line with an exit code of its own, never as a traceback
and never as a fault of the footage; and an exit code does not depend on who reads the output."""

import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import psutil
import pytest

from fixtures.fabricated_run import EIGHT, Fabrication, fabricate_run
from mezzmark.store.run_store import append_trial, create_run

pytestmark = pytest.mark.skipif(os.name == "nt", reason="POSIX means to make a machine fail")

SCENARIO = """
name = "tiny"
title = "tiny"
seed = 1
rounds = 1
minimum_rounds = 1
encodings = ["original"]
[[clips]]
name = "c"
recipe = {width_px = 320, height_px = 180, frame_rate = "24", duration_s = 0.5}
original = {codec = "AVC", bitrate_bps = 2_000_000, keyframe_interval = 12}
[scrub]
patterns = ["jump"]
requests = 3
"""
PROGRAM = (sys.executable, "-m", "mezzmark")


def typed(*words: object, shell: str = "RUN", before: tuple[str, ...] = ()) -> tuple[int, str]:
    """Exit code and standard error of a command; `shell` says how it is run."""
    with tempfile.TemporaryDirectory() as folder:
        code = Path(folder, "code")
        script = shell.replace("RUN", f'{{ "$@"; echo $? > {code}; }}')
        command = (*before, "sh", "-c", script, "sh", *PROGRAM, *map(str, words))
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        return int(code.read_text()), done.stderr


def read_only(folder: Path) -> tuple[str, ...]:
    """What to put before a command that is to find the folder on a read-only mount."""
    mount = f"mount --bind {folder} {folder} && mount -o remount,ro,bind {folder}"
    before = ("unshare", "-rm", "sh", "-c", f'{mount} && "$@"', "sh")
    try:
        subprocess.run((*before, "true"), check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("this system gives no mount of one's own")
    return before


@pytest.fixture(name="run_dir", scope="module")
def _run_dir(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return lay(tmp_path_factory.mktemp("runs") / "run", seed=1)


def lay(folder: Path, *, seed: int) -> Path:
    made = Fabrication(encodings=EIGHT[:2], patterns=("jump",), rounds=3, requests=8, seed=seed)
    manifest, trials = fabricate_run(made)
    create_run(folder, manifest)
    for trial in trials:
        append_trial(folder, trial)
    return folder


@pytest.fixture(name="scenario")
def _scenario(tmp_path: Path) -> Path:
    path = tmp_path / "tiny.toml"
    path.write_text(SCENARIO, encoding="utf-8")
    return path


def one_line(told: str) -> str:
    """The error, which is one line after the progress and no traceback."""
    assert "Traceback" not in told
    lines = [line for line in told.splitlines() if line.startswith("mezzmark: ")]
    assert len(lines) == 1
    return lines[0]


def test_a_run_on_a_read_only_mount_is_not_resumed(run_dir: Path, scenario: Path) -> None:
    """Its lock cannot be made there: exit 27 that names the folder."""
    words = ("measure", scenario, "--out", run_dir, "--resume")
    code, told = typed(*words, before=read_only(run_dir))
    assert code == 27
    assert f"{run_dir}: it cannot be written" in one_line(told)


def test_a_read_only_cache_is_no_fault_of_a_clip(scenario: Path, tmp_path: Path) -> None:
    """What must be made there cannot be: exit 27 that names the cache; no run is begun."""
    cache = tmp_path / "cache"
    cache.mkdir()
    words = ("measure", scenario, "--out", tmp_path / "run", "--cache", cache)
    code, told = typed(*words, before=read_only(cache))
    assert code == 27
    assert f"{cache}: it cannot be written" in one_line(told)
    assert not (tmp_path / "run").exists()


def test_a_file_too_large_for_the_storage_is_no_fault_of_an_encoding(
    scenario: Path, tmp_path: Path
) -> None:
    """The encoder's file reaches the user's limit: exit 27 that names the cache, which is empty."""
    cache = tmp_path / "cache"
    words = ("measure", scenario, "--out", tmp_path / "run", "--cache", cache)
    code, told = typed(*words, shell="ulimit -f 80; RUN")
    assert code == 27
    assert f"{cache}: it cannot be written" in one_line(told)
    assert list(cache.iterdir()) == []


def test_a_worker_killed_while_preparing_is_told_as_that(scenario: Path, tmp_path: Path) -> None:
    """Exit 29 that names the signal; the clip is not said to be at fault."""
    words = (*PROGRAM, "measure", scenario, "--out", tmp_path / "run", "--cache", tmp_path / "c")
    with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as process:
        told = ""
        for line in process.stderr or ():
            told += line
            if "making c" in line:
                for worker in psutil.Process(process.pid).children():
                    worker.kill()
    assert process.returncode == 29
    assert "SIGKILL" in one_line(told)
    assert "left out" not in told


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize(
    "command", [pytest.param("report", marks=pytest.mark.slow), "export", "choose"]
)
def test_full_standard_output_is_exit_24(command: str, run_dir: Path, tmp_path: Path) -> None:
    """Where the answer goes has no room: one line."""
    words = (command, run_dir, *(("--out", tmp_path) if command == "report" else ()))
    code, told = typed(*words, shell="RUN >/dev/full")
    assert code == 24
    assert "standard output" in one_line(told)


READERS = ["RUN | true", "RUN >&-", "RUN 2>&-", "RUN <&- >&- 2>&-", "RUN 2>/dev/full"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("shell", READERS)
def test_the_exit_code_holds_whoever_reads(shell: str) -> None:
    """A pipe's reader that left, closed or full streams: a result and an error keep their codes,
    and nothing is complained of."""
    assert typed("scenario", "show", "first-look", shell=shell) == (0, "")
    assert typed("scenario", "show", "nothing", shell=shell)[0] == 20


def test_a_verdict_keeps_its_code_when_nobody_reads_it(run_dir: Path, tmp_path: Path) -> None:
    """A regression cut off by `head` still ends with 10, 11 or 12 as it does when read."""
    other = lay(tmp_path / "other", seed=9)
    words = ("regress", "--baseline", run_dir, "--candidate", other)
    codes = {typed(*words, shell=shell)[0] for shell in ("RUN", "RUN | head -1")}
    assert len(codes) == 1
    assert codes <= {10, 11, 12}


@pytest.mark.parametrize(
    ("number", "module"),
    [
        (signal.SIGINT, "typer"),
        (signal.SIGINT, "matplotlib"),
        (signal.SIGTERM, "matplotlib"),
        (signal.SIGHUP, "typer"),
    ],
)
def test_a_stop_while_loading_is_exit_25(
    number: int, module: str, run_dir: Path, tmp_path: Path
) -> None:
    """Ctrl-C, `kill` and a closed terminal while the libraries load, before or within a report:
    one line and 25, and no report is begun."""
    stop = f"import os, signal; os.kill(os.getpid(), {int(number)}); import time; time.sleep(9)"
    (tmp_path / f"{module}.py").write_text(stop, encoding="utf-8")
    done = in_front(tmp_path, "report", run_dir, "--out", tmp_path / "out")
    assert done.returncode == 25
    one_line(done.stderr)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("module", ["pydantic", "numpy", "typer", "matplotlib"])
def test_a_library_that_cannot_be_loaded_is_exit_23(
    module: str, run_dir: Path, tmp_path: Path
) -> None:
    """One line that names it."""
    (tmp_path / f"{module}.py").write_text("raise ImportError('broken', name=__name__)")
    done = in_front(tmp_path, "report", run_dir, "--out", tmp_path / "out")
    assert done.returncode == 23
    assert module in one_line(done.stderr)


def in_front(folder: Path, *words: object) -> subprocess.CompletedProcess[str]:
    """A command that finds modules in this folder before all others."""
    path = os.pathsep.join((str(folder), os.environ.get("PYTHONPATH", "")))
    return subprocess.run(
        (*PROGRAM, *map(str, words)),
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=_heed,
    )


def _heed() -> None:
    """Whoever starts the tests may ignore signals, and children inherit that."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)

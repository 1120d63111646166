"""Files placed on a root and removed: nothing else there is touched, whatever happens meanwhile."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from mezzmark.engines.media import placed_files
from mezzmark.engines.media.placed_files import place_files
from mezzmark.model.errors import DestinationError, DiskFullError
from simulation import interrupted_placing
from simulation.interrupted_placing import build, look, own_folders


def tell_nobody(message: str, done_fraction: float) -> None:
    """Progress that nobody waits for."""


@pytest.mark.parametrize("count", [28, pytest.param(1000, marks=pytest.mark.slow)])
@pytest.mark.skipif(sys.platform == "win32", reason="forks and kills")
def test_interruptions_touch_nothing_outside_the_marked_folder(count: int) -> None:
    """However placing and removing are interrupted, the neighbours keep bytes and times, links are
    not followed, and the next start removes every marked folder of the run."""
    program = (sys.executable, interrupted_placing.__file__, str(count))
    paths = os.pathsep.join(path for path in sys.path if path)
    environment = {**os.environ, "PYTHONPATH": paths}
    done = subprocess.run(program, capture_output=True, text=True, check=False, env=environment)
    assert done.returncode == 0, done.stdout + done.stderr
    kinds = dict(re.findall(r"^([a-z-]+): ([0-9]+), ", done.stdout, re.MULTILINE))
    assert sum(map(int, kinds.values())) == count
    assert {"kill", "error", "gone"} <= kinds.keys()


def test_copies_are_proved_and_removed_with_their_folder_alone(tmp_path: Path) -> None:
    """Each copy has the bytes of its file and no name of it; what the system tells of the root has
    no other folder; afterwards all is as before."""
    job = build(tmp_path)
    before = look(tmp_path)
    placed = place_files(job, tell_nobody)
    assert [Path(one.path).name for one in placed.files] == ["000.mov", "001.mov", "002.mov"]
    for one, file in zip(placed.files, job.files, strict=True):
        assert Path(one.path).read_bytes() == Path(file.path).read_bytes()
        assert Path(one.path).parent == Path(placed.folder) in own_folders(tmp_path / "root")
    assert placed.root.path == "root"
    assert placed.root.free_bytes > 0
    again = place_files(job, tell_nobody)  # what a killed run left goes first
    assert own_folders(tmp_path / "root") == [Path(again.folder)]
    place_files(job.model_copy(update={"is_over": True}), tell_nobody)
    assert own_folders(tmp_path / "root") == []
    assert look(tmp_path) == before


def test_a_root_that_cannot_take_the_files_says_why_and_keeps_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Missing room is named before a file is copied, a copy that reads back otherwise is refused,
    and a root that is not there is not made."""
    job = build(tmp_path)
    before = look(tmp_path)
    large = job.files[0].model_copy(update={"file_bytes": 10**18})
    with pytest.raises(DiskFullError, match="are missing"):
        place_files(job.model_copy(update={"files": (large,)}), tell_nobody)
    with monkeypatch.context() as damaging:
        damaging.setattr(placed_files, "file_fingerprint", lambda path: "another")
        with pytest.raises(DestinationError, match="give back"):
            place_files(job, tell_nobody)
    nowhere = job.root.model_copy(update={"path": str(tmp_path / "nowhere")})
    with pytest.raises(DestinationError, match="share"):
        place_files(job.model_copy(update={"root": nowhere}), tell_nobody)
    assert look(tmp_path) == before
    assert own_folders(tmp_path / "root") == []


@pytest.mark.parametrize(
    ("device", "options", "told"),
    [
        (
            "/dev/nvme0n1p2",
            "rw,noatime,data=ordered",
            ("/dev/nvme0n1p2", "rw,noatime,data=ordered"),
        ),
        (
            "server:/export/films",
            "rw,vers=4.2,rsize=1048576,proto=tcp,clientaddr=10.0.0.5,hard",
            (None, "rw,vers=4.2,rsize=1048576,proto=tcp,hard"),
        ),
        ("//server/films", "username=someone,cache=strict,soft", (None, "cache=strict,soft")),
    ],
)
def test_what_is_told_of_a_root_names_no_server_user_or_folder(
    device: str, options: str, told: tuple[str | None, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Device and mount options are kept as far as they say how files are read."""
    mount = type("Mount", (), {"device": device, "opts": options, "fstype": "any"})
    monkeypatch.setattr(placed_files, "read_mount", lambda root: mount)
    found = placed_files._describe("share", Path("/mnt/films"))
    assert (found.device, found.options) == told
    assert (found.path, found.file_system) == ("films", "any")

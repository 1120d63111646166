"""What is said of a file's pages in the file cache."""

import sys
from pathlib import Path

import psutil
import pytest

from mezzmark.host import file_pages
from mezzmark.host.file_pages import drop_pages, resident_fraction

PAGES = 100


@pytest.fixture
def path(tmp_path: Path) -> Path:
    found = tmp_path / "file.bin"
    found.write_bytes(bytes(PAGES * file_pages.mmap.PAGESIZE - 1))
    if sys.platform != "linux" or resident_fraction(found) is None:
        pytest.skip("no page can be asked for here")
    drop_pages(found)
    if resident_fraction(found) != 0:
        pytest.skip("this file system keeps its pages")
    return found


def test_a_cold_file_stays_cold_however_often_it_is_asked(path: Path) -> None:
    """Asked twice and again, none of its pages is resident; of a file read whole, all are."""
    assert [resident_fraction(path) for _ in range(4)] == [0.0] * 4
    path.read_bytes()
    assert resident_fraction(path) == 1.0
    drop_pages(path)
    assert resident_fraction(path) == 0.0


def test_what_cannot_be_trusted_is_not_known(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another's file that one may not write, a file system in user space, an empty file and another
    system: None, and never 0."""
    mine = file_pages.os.geteuid()
    with monkeypatch.context() as other:
        other.setattr(file_pages.os, "geteuid", lambda: mine + 1)
        other.setattr(file_pages.os, "access", lambda *_: False)
        assert resident_fraction(path) is None
    with monkeypatch.context() as mounted:
        mounts = [type("Mount", (), {"mountpoint": str(path.parent), "fstype": "fuse.sshfs"})]
        mounted.setattr(psutil, "disk_partitions", lambda all: mounts)
        assert resident_fraction(path) is None
    with monkeypatch.context() as elsewhere:
        elsewhere.setattr(file_pages.sys, "platform", "darwin")
        assert resident_fraction(path) is None
    path.write_bytes(b"")
    assert resident_fraction(path) is None

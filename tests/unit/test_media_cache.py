"""The cache of derived media: found only when whole, made anew otherwise, never half-made."""

import errno
import json
import os
import threading
from fractions import Fraction
from pathlib import Path

import pytest

from mezzmark.engines.media import cache
from mezzmark.engines.media.cache import cache_key, default_cache_dir, fetch_entry, find_entry
from mezzmark.model.errors import DestinationError, DiskFullError
from mezzmark.model.footage import FrameIndex, Recipe
from mezzmark.model.jobs import PreparedMedia
from mezzmark.own_files import make_marked_folder

INDEX = FrameIndex(
    path="elsewhere",
    file_bytes=5,
    time_base=Fraction(1, 24),
    pts=(0,),
    is_keyframe=(True,),
    packet_bytes=(5,),
    digests=("00",),
    stamps=(0,),
    is_stamped=True,
    width_px=64,
    height_px=64,
    pixel_format="yuv420p",
    frame_rate=Fraction(24),
)


class Maker:
    """Writes the same media file each time and counts how often it was asked to."""

    def __init__(self, content: bytes = b"media") -> None:
        self.content = content
        self.calls = 0

    def __call__(self, folder: Path) -> FrameIndex:
        self.calls += 1
        (folder / "clip.mp4").write_bytes(self.content)
        return INDEX.model_copy(update={"path": str(folder / "clip.mp4")})


def _fetch(folder: Path, make: Maker, key: str = "k") -> PreparedMedia:
    return fetch_entry(folder, key, make, needed_bytes=10)


def _media(entry: PreparedMedia) -> Path:
    return Path(entry.media.media_path)


def _index(entry: PreparedMedia) -> Path:
    return Path(entry.media.index_path)


def _note(entry: PreparedMedia) -> Path:
    return _media(entry).with_name("entry.json")


def test_an_entry_is_made_once_and_then_found(tmp_path: Path) -> None:
    """The second fetch makes nothing and returns the same file, index and fingerprint."""
    make = Maker()
    first, second = _fetch(tmp_path, make), _fetch(tmp_path, make)
    assert (first.was_cached, second.was_cached, make.calls) == (False, True, 1)
    assert first.model_copy(update={"was_cached": True}) == second
    assert _media(second).read_bytes() == b"media"
    assert json.loads(_index(second).read_text())["path"] == second.media.media_path
    # printf media | sha256sum
    assert second.fingerprint.startswith("721c9525ade2ea89")


def _truncate_keeping_the_time(entry: PreparedMedia) -> None:
    before = _media(entry).stat().st_mtime_ns
    _media(entry).write_bytes(b"med")
    os.utime(_media(entry), ns=(before, before))


def _alter(entry: PreparedMedia) -> None:
    _media(entry).write_bytes(b"MEDIA")
    os.utime(_media(entry), ns=(1, 1))


def _alter_index(entry: PreparedMedia) -> None:
    _index(entry).write_text(_index(entry).read_text().replace("yuv420p", "yuv422p"))


DAMAGE = {
    "media deleted": lambda entry: _media(entry).unlink(),
    "media truncated": lambda entry: _media(entry).write_bytes(b"med"),
    "media truncated, time kept": _truncate_keeping_the_time,
    "media altered": _alter,
    "index deleted": lambda entry: _index(entry).unlink(),
    "index altered": _alter_index,
    "index cut": lambda entry: _index(entry).write_text("{"),
    "note deleted": lambda entry: _note(entry).unlink(),
    "note cut": lambda entry: _note(entry).write_text('{"key":'),
}


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE.keys())
def test_a_broken_entry_is_not_found_and_is_made_anew(damage, tmp_path: Path) -> None:
    """Deleting, truncating or altering any file of an entry costs one making, and only that."""
    make = Maker()
    _fetch(tmp_path, make, key="other")
    other = find_entry(tmp_path, "other")
    damage(_fetch(tmp_path, make))
    assert find_entry(tmp_path, "k") is None
    again = _fetch(tmp_path, make)
    assert not again.was_cached
    assert _media(again).read_bytes() == b"media"
    assert other is not None
    assert find_entry(tmp_path, "other") == other
    assert sorted(path.name for path in tmp_path.iterdir()) == ["k", "other"]


def test_a_touched_file_is_hashed_again_and_then_trusted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A changed time of an unchanged file costs one hash, and the next fetch none."""
    make = Maker()
    os.utime(_media(_fetch(tmp_path, make)), ns=(10**18, 10**18))
    hashed = []
    real = cache.file_fingerprint
    monkeypatch.setattr(cache, "file_fingerprint", lambda path: hashed.append(path) or real(path))
    assert find_entry(tmp_path, "k") is not None
    assert find_entry(tmp_path, "k") is not None
    assert len(hashed) == 1


def test_makers_at_the_same_time_leave_one_whole_entry(tmp_path: Path) -> None:
    """Eight makers that all finish together agree on one entry, and no half-made one is left."""
    barrier = threading.Barrier(8)
    entries = []

    class Together(Maker):
        def __call__(self, folder: Path) -> FrameIndex:
            barrier.wait(timeout=20)
            return super().__call__(folder)

    def fetch() -> None:
        entries.append(_fetch(tmp_path, Together()))

    threads = [threading.Thread(target=fetch) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=30)
    assert len(entries) == 8
    assert len({entry.fingerprint for entry in entries}) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["k"]
    assert find_entry(tmp_path, "k") is not None


def test_a_failed_making_leaves_nothing(tmp_path: Path) -> None:
    """An error inside the maker passes on, and neither entry nor half-made folder remains."""

    def make(folder: Path) -> FrameIndex:
        (folder / "clip.mp4").write_bytes(b"half")
        raise RuntimeError("stopped")

    with pytest.raises(RuntimeError, match="stopped"):
        fetch_entry(tmp_path, "k", make, needed_bytes=10)
    assert list(tmp_path.iterdir()) == []


def test_too_little_room_is_said_before_anything_is_made(tmp_path: Path) -> None:
    """Needing more than the disk has free is a DiskFullError that says how much is missing."""
    make = Maker()
    with pytest.raises(DiskFullError, match=r"MB are missing \(1,000,000,000,000 MB needed"):
        fetch_entry(tmp_path, "k", make, needed_bytes=10**18)
    assert make.calls == 0


def test_running_out_of_room_while_making_is_said_the_same_way(tmp_path: Path) -> None:
    """ "No space left" becomes a DiskFullError, a cache that can no longer be written a
    DestinationError, neither of a clip; other errors stay themselves."""

    def make_full(folder: Path) -> FrameIndex:
        raise OSError(errno.ENOSPC, "No space left on device")

    def make_read_only(folder: Path) -> FrameIndex:
        raise OSError(errno.EROFS, "Read-only file system")

    def make_forbidden(folder: Path) -> FrameIndex:
        raise PermissionError(errno.EACCES, "Permission denied")

    with pytest.raises(DiskFullError, match="no room"):
        fetch_entry(tmp_path, "k", make_full, needed_bytes=10)
    with pytest.raises(DestinationError, match="Read-only"):
        fetch_entry(tmp_path, "k", make_read_only, needed_bytes=10)
    with pytest.raises(PermissionError):
        fetch_entry(tmp_path, "k", make_forbidden, needed_bytes=10)


def test_only_old_leftovers_of_killed_makers_are_removed(tmp_path: Path) -> None:
    """A day-old half-made folder goes; a fresh one and everything that we did not mark stays,
    whatever it is called."""
    old, fresh = (make_marked_folder(tmp_path, ".k.partial.") for _ in range(2))
    somebodys = tmp_path / ".a.partial.1"
    for folder in (somebodys, tmp_path / "notes"):
        folder.mkdir()
        (folder / "film.mov").write_text("x")
    for folder in (old, somebodys):
        os.utime(folder, (0, 0))
    _fetch(tmp_path, Maker())
    left = sorted(path.name for path in tmp_path.iterdir())
    assert left == sorted([fresh.name, somebodys.name, "k", "notes"])


def test_a_key_depends_on_every_fact_and_not_on_their_order() -> None:
    """Changing one field of a recipe or the seed changes the key; swapping arguments does not."""
    recipe = Recipe()
    key = cache_key(seed=1, recipe=recipe)
    assert key == cache_key(recipe=Recipe(), seed=1)
    others = {
        cache_key(seed=2, recipe=recipe),
        cache_key(seed=1, recipe=recipe.model_copy(update={"grain": 1.5})),
        cache_key(seed=1, recipe=recipe, rate=Fraction(25)),
        key,
    }
    assert len(others) == 4
    assert len(key) == 32
    assert int(key, 16) > 0


def test_a_fact_that_cannot_be_written_down_is_refused() -> None:
    """An object without a stable text form is a TypeError, not a random key."""
    with pytest.raises(TypeError, match="cache key"):
        cache_key(thing=object())


def test_the_variable_names_the_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """MEZZMARK_CACHE wins over the system's own cache folder."""
    monkeypatch.setenv("MEZZMARK_CACHE", str(tmp_path / "here"))
    assert default_cache_dir() == tmp_path / "here"
    monkeypatch.delenv("MEZZMARK_CACHE")
    assert default_cache_dir().name == "mezzmark"


def test_entry_notes_say_what_made_it(tmp_path: Path) -> None:
    """entry.json names the versions of mezzmark, PyAV and FFmpeg's libraries."""
    note = json.loads(_note(_fetch(tmp_path, Maker())).read_text())
    assert note["file_bytes"] == 5
    assert set(note["library_versions"]) >= {"libavcodec", "libavformat"}
    assert note["mezzmark_version"]
    assert note["av_version"]

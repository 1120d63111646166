"""The cache of derived media: found only when whole, made anew otherwise, never half-made."""

import errno
import json
import os
import threading
from fractions import Fraction
from pathlib import Path

import pytest

from mezzmark.engines.media import cache
from mezzmark.engines.media.cache import (
    CacheEntry,
    MadeMedia,
    cache_key,
    default_cache_dir,
    fetch_entry,
    find_entry,
)
from mezzmark.model.errors import DiskFullError
from mezzmark.model.footage import FrameIndex, Recipe
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

    def __call__(self, folder: Path) -> MadeMedia:
        self.calls += 1
        (folder / "clip.mp4").write_bytes(self.content)
        return MadeMedia(media_name="clip.mp4", index=INDEX)


def _fetch(folder: Path, make: Maker, key: str = "k") -> tuple[CacheEntry, bool]:
    return fetch_entry(folder, key, make, needed_bytes=10)


def test_an_entry_is_made_once_and_then_found(tmp_path: Path) -> None:
    """The second fetch makes nothing and returns the same file, index and fingerprint."""
    make = Maker()
    first, was_there = _fetch(tmp_path, make)
    second, is_there = _fetch(tmp_path, make)
    assert (was_there, is_there, make.calls) == (False, True, 1)
    assert first == second
    assert second.media_path.read_bytes() == b"media"
    assert second.index.path == str(second.media_path)
    # printf media | sha256sum
    assert second.fingerprint.startswith("721c9525ade2ea89")


def _truncate(entry: CacheEntry) -> None:
    entry.media_path.write_bytes(b"med")


def _truncate_keeping_the_time(entry: CacheEntry) -> None:
    before = entry.media_path.stat().st_mtime_ns
    entry.media_path.write_bytes(b"med")
    os.utime(entry.media_path, ns=(before, before))


def _alter(entry: CacheEntry) -> None:
    entry.media_path.write_bytes(b"MEDIA")
    os.utime(entry.media_path, ns=(1, 1))


def _damage_index(entry: CacheEntry) -> None:
    entry.index_path.write_text(entry.index_path.read_text().replace("yuv420p", "yuv422p"))


DAMAGE = {
    "media deleted": lambda entry: entry.media_path.unlink(),
    "media truncated": _truncate,
    "media truncated, time kept": _truncate_keeping_the_time,
    "media altered": _alter,
    "index deleted": lambda entry: entry.index_path.unlink(),
    "index altered": _damage_index,
    "index cut": lambda entry: entry.index_path.write_text("{"),
    "note deleted": lambda entry: (entry.folder / "entry.json").unlink(),
    "note cut": lambda entry: (entry.folder / "entry.json").write_text('{"key":'),
}


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE.keys())
def test_a_broken_entry_is_not_found_and_is_made_anew(damage, tmp_path: Path) -> None:
    """Deleting, truncating or altering any file of an entry costs one making, and only that."""
    make = Maker()
    other, _ = _fetch(tmp_path, make, key="other")
    entry, _ = _fetch(tmp_path, make)
    damage(entry)
    assert find_entry(tmp_path, "k") is None
    again, was_there = _fetch(tmp_path, make)
    assert not was_there
    assert again.media_path.read_bytes() == b"media"
    assert find_entry(tmp_path, "other") == other
    assert sorted(path.name for path in tmp_path.iterdir()) == ["k", "other"]


def test_a_touched_file_is_hashed_again_and_then_trusted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A changed time of an unchanged file costs one hash, and the next fetch none."""
    make = Maker()
    entry, _ = _fetch(tmp_path, make)
    os.utime(entry.media_path, ns=(10**18, 10**18))
    hashed = []
    real = cache.file_fingerprint
    monkeypatch.setattr(cache, "file_fingerprint", lambda path: hashed.append(path) or real(path))
    assert find_entry(tmp_path, "k") == entry
    assert find_entry(tmp_path, "k") == entry
    assert len(hashed) == 1


def test_makers_at_the_same_time_leave_one_whole_entry(tmp_path: Path) -> None:
    """Eight makers that all finish together agree on one entry, and no half-made one is left."""
    barrier = threading.Barrier(8)
    entries = []

    def make(folder: Path) -> MadeMedia:
        (folder / "clip.mp4").write_bytes(b"media")
        barrier.wait(timeout=20)
        return MadeMedia(media_name="clip.mp4", index=INDEX)

    def fetch() -> None:
        entries.append(fetch_entry(tmp_path, "k", make, needed_bytes=10)[0])

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

    def make(folder: Path) -> MadeMedia:
        (folder / "clip.mp4").write_bytes(b"half")
        raise RuntimeError("stopped")

    with pytest.raises(RuntimeError, match="stopped"):
        fetch_entry(tmp_path, "k", make, needed_bytes=10)
    assert list(tmp_path.iterdir()) == []


def test_too_little_room_is_said_before_anything_is_made(tmp_path: Path) -> None:
    """Needing more than the disk has free is a DiskFullError that names both amounts."""
    make = Maker()
    with pytest.raises(DiskFullError, match=r"1000000000000 MB are needed and \d+ MB are free"):
        fetch_entry(tmp_path, "k", make, needed_bytes=10**18)
    assert make.calls == 0


def test_running_out_of_room_while_making_is_said_the_same_way(tmp_path: Path) -> None:
    """ "No space left" from the system becomes a DiskFullError; other errors stay themselves."""

    def make_full(folder: Path) -> MadeMedia:
        raise OSError(errno.ENOSPC, "No space left on device")

    def make_forbidden(folder: Path) -> MadeMedia:
        raise PermissionError(errno.EACCES, "Permission denied")

    with pytest.raises(DiskFullError, match="are needed"):
        fetch_entry(tmp_path, "k", make_full, needed_bytes=10)
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
    entry, _ = _fetch(tmp_path, Maker())
    note = json.loads((entry.folder / "entry.json").read_text())
    assert note["file_bytes"] == 5
    assert set(note["library_versions"]) >= {"libavcodec", "libavformat"}
    assert note["mezzmark_version"]
    assert note["av_version"]

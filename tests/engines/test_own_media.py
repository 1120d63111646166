"""The user's own files: indexed once, found again, never touched."""

import hashlib
from pathlib import Path

import pytest

from fixtures.clip_zoo import FRAME_COUNT, ZOO, make_zoo_clip
from mezzmark.engines.footage import originals
from mezzmark.engines.footage.originals import fingerprint_own, index_duration_s, prepare_own
from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.model.errors import FootageError
from mezzmark.model.jobs import PreparedMedia
from mezzmark.model.preparations import PrepareOwnJob


def test_second_time_the_index_is_found(tmp_path: Path) -> None:
    """The same file and excerpt come from the cache; another excerpt is another index."""
    path = make_zoo_clip(ZOO["avc-mp4"], tmp_path)
    first = _prepare(path, tmp_path / "cache")
    assert (first.was_cached, first.frame_count) == (False, 24)
    again = _prepare(path, tmp_path / "cache")
    assert again == first.model_copy(update={"was_cached": True})
    assert _prepare(path, tmp_path / "cache", excerpt_s=0.5).frame_count == 12


def test_file_is_neither_copied_nor_changed(tmp_path: Path) -> None:
    """The measured file is the user's own, its bytes and times are as before, and the cache holds
    nothing but the index."""
    path = make_zoo_clip(ZOO["avc-mp4"], tmp_path)
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    prepared = _prepare(path, tmp_path / "cache")
    assert prepared.media.media_path == str(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert [str(e) for e in (tmp_path / "cache").iterdir()] == [prepared.media.index_path]


def test_moved_file_keeps_its_index(tmp_path: Path) -> None:
    """The index is found by content, and names the place where the file lies now."""
    path = make_zoo_clip(ZOO["avc-mp4"], tmp_path)
    _prepare(path, tmp_path / "cache")
    moved = path.rename(tmp_path / "moved.mp4")
    prepared = _prepare(moved, tmp_path / "cache")
    assert prepared.was_cached
    assert read_frame_index(prepared.media.index_path).path == str(moved)


def test_broken_index_is_made_anew(tmp_path: Path) -> None:
    """A truncated or deleted index loses nothing: it is derived."""
    path = make_zoo_clip(ZOO["avc-mp4"], tmp_path)
    first = _prepare(path, tmp_path / "cache")
    index_path = Path(first.media.index_path)
    whole = index_path.read_bytes()
    index_path.write_bytes(whole[:100])
    assert _prepare(path, tmp_path / "cache") == first
    index_path.unlink()
    assert _prepare(path, tmp_path / "cache") == first
    assert index_path.read_bytes() == whole


def test_fingerprint_is_the_digest_of_the_bytes(tmp_path: Path) -> None:
    """Equal to SHA-256 of the file as hashlib gives it; a changed byte changes it."""
    path = tmp_path / "file.bin"
    path.write_bytes(b"abc" * 1000)
    assert fingerprint_own(path) == hashlib.sha256(b"abc" * 1000).hexdigest()
    with pytest.raises(FootageError, match="cannot be read"):
        fingerprint_own(tmp_path / "gone.bin")


def test_large_file_is_sampled_and_marked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Above the limit the fingerprint says that it is sampled, and sees the start, the end and
    the size."""
    monkeypatch.setattr(originals, "FULLY_READ_BYTES", 1000)
    monkeypatch.setattr(originals, "SAMPLE_BYTES", 16)
    path = tmp_path / "large.bin"
    data = bytearray(range(256)) * 100
    seen = set()
    for place in (None, 0, len(data) - 1):
        changed = bytearray(data)
        if place is not None:
            changed[place] ^= 1
        path.write_bytes(changed)
        seen.add(fingerprint_own(path))
    path.write_bytes(data + b"\0")
    seen.add(fingerprint_own(path))
    assert len(seen) == 4
    assert all(fingerprint.startswith("sampled:") for fingerprint in seen)


def test_duration_counts_the_last_frame_too(tmp_path: Path) -> None:
    """48 frames of 1001/24000 s each last 2.002 s."""
    path = make_zoo_clip(ZOO["rdd36-mov"], tmp_path)
    prepared = _prepare(path, tmp_path / "cache", excerpt_s=60)
    assert prepared.duration_s == pytest.approx(48 * 1001 / 24000)
    index = read_frame_index(prepared.media.index_path)
    assert index_duration_s(index) == prepared.duration_s


def test_a_whole_file_is_another_original_than_its_excerpt(tmp_path: Path) -> None:
    """Without a length every picture of the file is in the index, and the excerpt's stays its own,
    whichever was asked for first."""
    path = make_zoo_clip(ZOO["avc-mp4"], tmp_path)
    for excerpt_s, frame_count in ((0.5, 12), (None, FRAME_COUNT), (0.5, 12)):
        prepared = _prepare(path, tmp_path / "cache", excerpt_s=excerpt_s)
        assert prepared.frame_count == frame_count


def _prepare(path: Path, cache_dir: Path, excerpt_s: float | None = 1.0) -> PreparedMedia:
    job = PrepareOwnJob(media_path=str(path), excerpt_s=excerpt_s, cache_dir=str(cache_dir))
    return prepare_own(job, lambda _message, _share: None)

"""A content-addressed cache of derived media: made once, found again, checked before use.

An entry is a folder named by its key:

    <cache>/<key>/<media name>      the file
    <cache>/<key>/index.json        its FrameIndex
    <cache>/<key>/entry.json        EntryFacts: sizes, SHA-256 digests, versions that made it

An entry is made in a hidden, marked folder beside and renamed, so that a half-made one is never
found. Nothing outside the cache folder is ever written or replaced, and nothing is removed but
folders that carry our marker.
"""

import errno
import hashlib
import json
import os
import secrets
import shutil
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, suppress
from fractions import Fraction
from importlib.metadata import version
from pathlib import Path

import av
from platformdirs import user_cache_path
from pydantic import BaseModel, ValidationError

import mezzmark
from mezzmark import own_files
from mezzmark.model.fact import Fact
from mezzmark.model.footage import FrameIndex, constant_rate
from mezzmark.model.jobs import PreparedMedia
from mezzmark.model.tasks.spec import MediaReference

CACHE_VARIABLE = "MEZZMARK_CACHE"
CACHE_SCHEMA_VERSION = 5
"""2: the frame index has its own number; 3: SHA-1 digests; 4: of every plane apart; 5: XXH3."""
KEY_HEX_DIGITS = 32
"""128 bits of SHA-256: accidental equality is out of the question."""
INDEX_NAME = "index.json"
ENTRY_NAME = "entry.json"
PARTIAL = "partial"
STALE_AFTER_S = 24 * 3600
"""A maker that was killed leaves its folder; a day later nobody can still be writing it."""


class EntryFacts(Fact):
    """What entry.json holds."""

    schema_version: int = CACHE_SCHEMA_VERSION
    key: str
    media_name: str
    file_bytes: int
    sha256: str
    index_sha256: str
    checked_mtime_ns: int
    """Modification time of the media file when its SHA-256 was last found right."""
    mezzmark_version: str
    av_version: str
    library_versions: dict[str, str]
    made_by: str = ""
    """The host of a fleet that made the media file, empty where this machine did."""


def default_cache_dir() -> Path:
    """The folder from MEZZMARK_CACHE, or the user's cache folder as this system has it."""
    named = os.environ.get(CACHE_VARIABLE)
    return (
        Path(os.path.expanduser(named)) if named else user_cache_path("mezzmark", appauthor=False)
    )


def cache_key(**facts: object) -> str:
    """A key of 32 hex digits that changes when any of the facts does, and not with their order."""
    said = {"cache_schema_version": CACHE_SCHEMA_VERSION, **facts}
    text = json.dumps(said, sort_keys=True, separators=(",", ":"), default=_plain)
    return hashlib.sha256(text.encode()).hexdigest()[:KEY_HEX_DIGITS]


def library_versions() -> dict[str, str]:
    """The FFmpeg libraries behind PyAV, as name → version."""
    return {name: ".".join(map(str, version)) for name, version in av.library_versions.items()}


def all_library_versions() -> dict[str, str]:
    """Library → version of all that do the work: PyAV, FFmpeg with its libraries, and numpy."""
    ffmpeg = str(getattr(av, "ffmpeg_version_info", ""))
    known = {"FFmpeg": ffmpeg} if ffmpeg else {}
    return {"PyAV": av.__version__, **known, **library_versions(), "numpy": version("numpy")}


def find_entry(cache_dir: Path, key: str) -> PreparedMedia | None:
    """The entry if it is there and whole, else None. Size and index are checked each time, the
    media's SHA-256 where its modification time is not that of the last good check."""
    folder = cache_dir / key
    try:
        facts = EntryFacts.model_validate_json((folder / ENTRY_NAME).read_bytes())
        index_text = (folder / INDEX_NAME).read_bytes()
        media_path = folder / facts.media_name
        status = media_path.stat()
        if facts.key != key or status.st_size != facts.file_bytes:
            return None
        if hashlib.sha256(index_text).hexdigest() != facts.index_sha256:
            return None
        index = FrameIndex.model_validate_json(index_text)
        if status.st_mtime_ns != facts.checked_mtime_ns:
            if file_fingerprint(media_path) != facts.sha256:
                return None
            noted = facts.model_copy(update={"checked_mtime_ns": status.st_mtime_ns})
            with suppress(OSError):  # a cache that cannot be written stays usable, only slower
                own_files.replace_whole(folder / ENTRY_NAME, noted.model_dump_json().encode())
    except (FileNotFoundError, NotADirectoryError, ValidationError):
        return None
    return _prepared(folder, facts, index, was_cached=True)


def fetch_entry(
    cache_dir: Path,
    key: str,
    make: Callable[[Path], FrameIndex],
    *,
    needed_bytes: int,
    made_by: str = "",
) -> PreparedMedia:
    """The entry, found or made by `make`, which writes the file into a new folder and gives its
    index. A broken entry is replaced; a whole one of another maker is kept and returned.
    `needed_bytes` is what making it may take. Raises DiskFullError with what is missing of that,
    DestinationError where the cache cannot be written."""
    if found := find_entry(cache_dir, key):
        return found
    with cache_errors(cache_dir, needed_bytes):
        cache_dir.mkdir(parents=True, exist_ok=True)
        if shutil.disk_usage(cache_dir).free < needed_bytes:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        _remove_stale(cache_dir)
        partial = own_files.make_marked_folder(cache_dir, f".{key}.{PARTIAL}.")
    try:
        made = _seal(partial, make(partial), final=cache_dir / key, made_by=made_by)
        return _settle(cache_dir, key, partial) or made
    except OSError as error:  # FFmpeg's own errors of this kind are OSErrors in PyAV too
        if error.errno not in own_files.STORAGE_ERRORS:
            raise
        own_files.remove_marked(partial)  # so that what is free is told rightly
        with cache_errors(cache_dir, needed_bytes):
            raise
    finally:
        own_files.remove_marked(partial)


def cache_errors(cache_dir: Path, needed_bytes: int = 0) -> AbstractContextManager[None]:
    """Turn an OSError of writing the cache into DiskFullError or DestinationError."""
    another = f"name another folder with --cache or in {CACHE_VARIABLE}."
    remedy = f"What is to be measured is made there: {another}"
    return own_files.translate_os_errors(
        cache_dir, full=f"Make room, or {another}", remedy=remedy, needed_bytes=needed_bytes
    )


def file_fingerprint(path: Path) -> str:
    """SHA-256 of a file's bytes, in hex; the file is opened read-only."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _plain(value: object) -> object:
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json")
    if isinstance(value, Fraction | Path):
        return str(value)
    raise TypeError(f"{type(value).__name__} cannot be part of a cache key")


def _prepared(
    folder: Path, facts: EntryFacts, index: FrameIndex, *, was_cached: bool
) -> PreparedMedia:
    return PreparedMedia(
        media=MediaReference(
            media_path=str(folder / facts.media_name), index_path=str(folder / INDEX_NAME)
        ),
        fingerprint=facts.sha256,
        file_bytes=facts.file_bytes,
        frame_count=index.frame_count,
        duration_s=float(index.frame_count / constant_rate(index)),
        was_cached=was_cached,
        made_by=facts.made_by,
    )


def _seal(partial: Path, index: FrameIndex, *, final: Path, made_by: str) -> PreparedMedia:
    """Write index.json and entry.json; the index names the file at the place it will have."""
    media_path = Path(index.path)
    index = index.model_copy(update={"path": str(final / media_path.name)})
    index_text = index.model_dump_json().encode()
    status = media_path.stat()
    facts = EntryFacts(
        key=final.name,
        media_name=media_path.name,
        file_bytes=status.st_size,
        sha256=file_fingerprint(media_path),
        index_sha256=hashlib.sha256(index_text).hexdigest(),
        checked_mtime_ns=status.st_mtime_ns,
        mezzmark_version=mezzmark.__version__,
        av_version=av.__version__,
        library_versions=library_versions(),
        made_by=made_by,
    )
    (partial / INDEX_NAME).write_bytes(index_text)
    (partial / ENTRY_NAME).write_bytes(facts.model_dump_json().encode())
    return _prepared(final, facts, index, was_cached=False)


def _settle(cache_dir: Path, key: str, partial: Path) -> PreparedMedia | None:
    """Rename into place; the entry of another maker who was first, or None if ours stands."""
    final = cache_dir / key
    while True:
        try:
            partial.rename(final)
        except OSError as error:
            if not final.exists() or error.errno in own_files.FULL_ERRORS:
                raise
        else:
            return None
        if other := find_entry(cache_dir, key):
            return other
        # A broken entry is moved out of the way in one step, then removed.
        aside = cache_dir / f".{key}.{PARTIAL}.{secrets.token_hex(8)}"
        with suppress(FileNotFoundError):  # another maker moved it first
            final.rename(aside)
            own_files.remove_marked(aside)


def _remove_stale(cache_dir: Path) -> None:
    oldest_s = time.time() - STALE_AFTER_S
    for path in cache_dir.glob(f".*.{PARTIAL}.*"):
        with suppress(FileNotFoundError):  # its own maker removed it
            if path.stat().st_mtime < oldest_s:
                own_files.remove_marked(path)

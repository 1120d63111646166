"""Prepared files on their way between home and a host: over HTTP, in pieces to disk. A host pulls
what home offers, and sends what it made into a folder in which home awaits it.

Not through Dask, which would hold them in memory three times over. A file goes by its SHA-256, and
what is not of that is not kept; with certificates both ends show theirs here too. A file that is
offered or sent is only read.
"""

import hashlib
import os
import secrets
import shutil
import ssl
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from functools import partial
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, BinaryIO, Final

from mezzmark import own_files
from mezzmark.engines.media.cache import file_fingerprint
from mezzmark.model.errors import MezzmarkError, reason_of
from mezzmark.model.fleet import WantedFile

PIECE_BYTES: Final = 2**20
SILENCE_S: Final = 30.0  # an end that says nothing for so long is gone
PARTIAL: Final = "fetching-"  # of marked folders that hold what is not whole yet

AWAITED: Final = ".sent.partial."
"""Of marked folders in home's cache for what hosts send; the cache removes old ones."""


@dataclass(slots=True)
class Depot:
    """Where files change hands: what home offers, and the folders in which it awaits others, by
    the addresses below `path`, which cannot be guessed."""

    path: str = field(default_factory=lambda: f"/{secrets.token_urlsafe(24)}/")
    port: int = 0
    offered: dict[str, Path] = field(default_factory=dict)
    awaited: dict[str, Path] = field(default_factory=dict)
    _known: dict[Path, WantedFile] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def offer(self, path: Path) -> WantedFile:
        """Let hosts have this file; it is read once."""
        with self._lock:
            if path not in self._known:
                digest = file_fingerprint(path)
                is_plain = path.suffix[1:].isalnum() and path.suffix.isascii()
                suffix = path.suffix if is_plain and len(path.suffix) < 12 else ""
                size = path.stat().st_size
                self._known[path] = WantedFile(sha256=digest, file_bytes=size, suffix=suffix)
                self.offered[f"{self.path}{digest}"] = path
            return self._known[path]

    @contextmanager
    def awaiting(self, cache_dir: Path) -> Iterator[tuple[str, Path]]:
        """A path to which files may be sent meanwhile, and the folder that has them by SHA-256."""
        with own_files.translate_os_errors(cache_dir, remedy="Name another folder with --cache."):
            cache_dir.mkdir(parents=True, exist_ok=True)
            folder = own_files.make_marked_folder(cache_dir, AWAITED)
        path = f"{self.path}{secrets.token_urlsafe(24)}"
        self.awaited[path] = folder
        try:
            yield path, folder
        finally:
            del self.awaited[path]
            own_files.remove_marked(folder)


class _Clerk(BaseHTTPRequestHandler):
    timeout = SILENCE_S

    def __init__(self, depot: Depot, *given: Any) -> None:
        self._depot = depot
        super().__init__(*given)

    def do_GET(self) -> None:
        """Send the file that this address stands for; any other one is not found."""
        path = self._depot.offered.get(self.path)
        if path is None:
            self.send_error(404)
            return
        with path.open("rb") as file:
            self.send_response(200)
            self.send_header("Content-Length", str(os.fstat(file.fileno()).st_size))
            self.end_headers()
            shutil.copyfileobj(file, self.wfile, PIECE_BYTES)

    def do_PUT(self) -> None:
        """Take a file that is awaited, if there is room and it is what its address says."""
        place, _, digest = self.path.rpartition("/")
        folder, size = self._depot.awaited.get(place), self.headers.get("Content-Length", "")
        if folder is None or not size.isdecimal() or int(size) > shutil.disk_usage(folder).free:
            self.send_error(404)
            return
        try:
            _land(folder, WantedFile(sha256=digest, file_bytes=int(size), suffix=""), self._body)
        except (ValueError, MezzmarkError):
            self.send_error(400)
            return
        self.send_response(201)
        self.end_headers()

    def _body(self, one: WantedFile) -> Iterator[bytes]:
        left = one.file_bytes
        while left and (piece := self.rfile.read(min(left, PIECE_BYTES))):
            left -= len(piece)
            yield piece

    def log_message(self, *_: Any) -> None:
        """Nothing: an end that went away is told by the host."""


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, *_: Any) -> None:
        """As `log_message`."""


@contextmanager
def kept_depot(*, context: ssl.SSLContext | None, interface: str = "") -> Iterator[Depot]:
    """A depot that is open while the block runs, on all interfaces unless one is named."""
    depot = Depot()
    with serving(partial(_Clerk, depot), context=context, interface=interface) as depot.port:
        yield depot


@contextmanager
def serving(
    handler: Callable[..., BaseHTTPRequestHandler],
    *,
    context: ssl.SSLContext | None,
    interface: str,
) -> Iterator[int]:
    """Answer requests while the block runs: the port."""
    server = _Server((interface, 0), handler)
    if context is not None:  # whoever connects and says nothing holds up a thread of its own only
        server.socket = context.wrap_socket(
            server.socket, server_side=True, do_handshake_on_connect=False
        )
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield server.server_port
    finally:
        server.shutdown()
        server.server_close()


def pull(
    wanted: Sequence[WantedFile],
    folder: Path,
    *,
    source: str,
    path: str,
    context: ssl.SSLContext | None,
    is_wanted: Callable[[], bool],
) -> dict[str, str]:
    """SHA-256 → the file in the folder, read whole and found right each time; what is not there is
    pulled from `source` (host:port). OSError as of writing, MezzmarkError for what did not come."""
    folder.mkdir(parents=True, exist_ok=True)
    own_files.clear_marked(folder, PARTIAL)  # of a killed worker
    found = {}
    for one in wanted:
        target = folder / f"{one.sha256}{one.suffix}"
        if not _is_right(target, one):
            ask = partial(_pieces, path=path, source=source, context=context, is_wanted=is_wanted)
            _land(folder, one, ask)
        found[one.sha256] = str(target)
    return found


def push(
    path: Path, to: str, *, context: ssl.SSLContext | None, is_wanted: Callable[[], bool]
) -> None:
    """Send a file to a path (host:port/…) that awaits it. MezzmarkError if it does not arrive."""
    source, _, place = to.partition("/")

    def pieces(file: BinaryIO) -> Iterator[bytes]:
        while piece := file.read(PIECE_BYTES):
            if not is_wanted():
                raise _not_moved("home", "it is no longer wanted")
            yield piece

    digest = file_fingerprint(path)
    with path.open("rb") as file, _connected(source, context) as connection:
        length = {"Content-Length": str(os.fstat(file.fileno()).st_size)}
        connection.request("PUT", f"/{place}/{digest}", pieces(file), length)
        if (status := connection.getresponse().status) != 201:
            raise _not_moved(source, f"refused with {status}")


def _is_right(target: Path, one: WantedFile) -> bool:
    if not target.is_file() or target.stat().st_size != one.file_bytes:
        return False
    return file_fingerprint(target) == one.sha256


def _land(folder: Path, one: WantedFile, pieces: Callable[[WantedFile], Iterator[bytes]]) -> None:
    """Write what comes beside its place, where it is put once it is found right."""
    unfinished = own_files.make_marked_folder(folder, PARTIAL)
    try:
        part = unfinished / f"{one.sha256}{one.suffix}"
        digest, count = hashlib.sha256(), 0
        with part.open("xb") as file:
            for piece in pieces(one):
                file.write(piece)
                digest.update(piece)
                count += len(piece)
                if count > one.file_bytes:
                    break
        if digest.hexdigest() != one.sha256:
            raise _not_moved("the other end", "what came is not the file that was asked for")
        os.replace(part, folder / part.name)
    finally:
        own_files.remove_marked(unfinished)


def _pieces(
    one: WantedFile,
    *,
    path: str,
    source: str,
    context: ssl.SSLContext | None,
    is_wanted: Callable[[], bool],
) -> Iterator[bytes]:
    with _connected(source, context) as connection:
        connection.request("GET", f"{path}{one.sha256}")
        answer = connection.getresponse()
        while answer.status == 200 and is_wanted() and (piece := answer.read(PIECE_BYTES)):
            yield piece


@contextmanager
def _connected(source: str, context: ssl.SSLContext | None) -> Iterator[HTTPConnection]:
    """A connection to host:port; MezzmarkError where it ends early."""
    kind = HTTPConnection if context is None else partial(HTTPSConnection, context=context)
    try:
        with closing(kind(source, timeout=SILENCE_S)) as connection:
            yield connection
    except MezzmarkError:
        raise
    except (OSError, HTTPException) as error:
        raise _not_moved(source, reason_of(error)) from None


def _not_moved(source: str, what: str) -> MezzmarkError:
    return MezzmarkError(
        where=source,
        what=f"a prepared file did not get through ({what})",
        remedy="Let the machine reach that address; a firewall may stand before it.",
    )

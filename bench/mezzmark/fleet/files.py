"""Prepared files on their way from home to a host: offered over HTTP, pulled to disk in pieces.

Not through Dask, which would hold them in memory three times over. A file goes by its SHA-256,
which travels in the request; with certificates both ends show theirs here too. A file that is
offered is only read.
"""

import hashlib
import os
import secrets
import shutil
import ssl
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Final

from mezzmark import own_files
from mezzmark.model.errors import MezzmarkError, reason_of
from mezzmark.model.fleet import WantedFile

PIECE_BYTES: Final = 2**20
SILENCE_S: Final = 30.0
"""An end that says nothing for so long is gone."""

PARTIAL: Final = "fetching-"
"""Of marked folders that hold what is not whole yet."""


class _Offer(BaseHTTPRequestHandler):
    timeout = SILENCE_S

    def __init__(self, files: Mapping[str, Path], *given: Any) -> None:
        self._files = files
        super().__init__(*given)

    def do_GET(self) -> None:
        """Send the file that this address stands for; any other one is not found."""
        path = self._files.get(self.path)
        if path is None:
            self.send_error(404)
            return
        with path.open("rb") as file:
            self.send_response(200)
            self.send_header("Content-Length", str(os.fstat(file.fileno()).st_size))
            self.end_headers()
            shutil.copyfileobj(file, self.wfile, PIECE_BYTES)

    def log_message(self, *_: Any) -> None:
        """Nothing: an end that went away is told by the host."""


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, *_: Any) -> None:
        """As `log_message`."""


@contextmanager
def offered(
    files: Mapping[str, Path], *, context: ssl.SSLContext | None, interface: str = ""
) -> Iterator[tuple[int, str]]:
    """Offer files by SHA-256 while the block runs, on all interfaces unless one is named: the port,
    and a path that cannot be guessed, below which they are."""
    path = f"/{secrets.token_urlsafe(24)}/"
    known = {f"{path}{digest}": file for digest, file in files.items()}
    with serving(partial(_Offer, known), context=context, interface=interface) as port:
        yield port, path


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
            unfinished = own_files.make_marked_folder(folder, PARTIAL)
            try:
                part = unfinished / target.name
                _write_checked(
                    part, one, _pieces(f"{path}{one.sha256}", source, context, is_wanted)
                )
                os.replace(part, target)
            finally:
                own_files.remove_marked(unfinished)
        found[one.sha256] = str(target)
    return found


def _is_right(target: Path, one: WantedFile) -> bool:
    if not target.is_file() or target.stat().st_size != one.file_bytes:
        return False
    with target.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest() == one.sha256


def _write_checked(part: Path, one: WantedFile, pieces: Iterator[bytes]) -> None:
    digest, count = hashlib.sha256(), 0
    with part.open("xb") as file:
        for piece in pieces:
            file.write(piece)
            digest.update(piece)
            count += len(piece)
            if count > one.file_bytes:
                break
    if digest.hexdigest() != one.sha256:
        raise _not_fetched("home", "what came is not the file that was asked for")


def _pieces(
    url: str, source: str, context: ssl.SSLContext | None, is_wanted: Callable[[], bool]
) -> Iterator[bytes]:
    kind = HTTPConnection if context is None else partial(HTTPSConnection, context=context)
    connection = kind(source, timeout=SILENCE_S)
    try:
        connection.request("GET", url)
        answer = connection.getresponse()
        while answer.status == 200 and is_wanted() and (piece := answer.read(PIECE_BYTES)):
            yield piece
    except (OSError, HTTPException) as error:
        raise _not_fetched(source, reason_of(error)) from None
    finally:
        connection.close()


def _not_fetched(source: str, what: str) -> MezzmarkError:
    return MezzmarkError(
        where=source,
        what=f"a prepared file could not be fetched ({what})",
        remedy="Let the machine reach that address; a firewall may stand before it.",
    )

"""The modelled link beside a real share: the same player's moves by path from a network file
system, and by the file object that stands for it.

    python tests/simulation/link_against_share.py [ROUNDS] [MOVES] [READERS] [FOLDER]

The share is sshfs without a cipher to an sftp server on this machine, behind a relay that lets
bytes pass at a stated rate and holds each back for half the round trip, both ways. The link is told
nothing but what raw reads of that mount took (`fit_link`: single ones of several sizes, and in a
row) and how far Linux says that it reads ahead there. Its player reads a copy that lies in the file
cache. Before each move the mount's pages are dropped (the system cannot be asked whether they are,
so the relay counts: no fewer bytes passed than the move read). Moves of both go in turn, with the
line quiet between them. Several readers move at once, each in a file of its own, over one mount, or
one line; the move of each counts, and round trips are 2 ms.
"""

import ctypes
import os
import queue
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import product
from math import exp, log
from multiprocessing import get_context
from pathlib import Path
from shutil import which
from statistics import fmean, median
from typing import Any

import numpy as np
from scipy.optimize import minimize

from mezzmark.engines.media.frame_index import read_frame_index
from mezzmark.engines.media.storage_file import Line, StorageFile
from mezzmark.engines.play.player import Move, Player
from mezzmark.host.common import read_clock_ns
from mezzmark.host.file_pages import drop_pages
from mezzmark.model.catalogue.core import ENTRIES
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.link import KIB, Link
from mezzmark.model.players import PLAYERS
from mezzmark.model.preparations import PrepareEncodingJob, PrepareOriginalJob
from mezzmark.model.tasks.scrub import ScrubJob
from mezzmark.model.tasks.spec import MediaReference
from mezzmark.runner.workers import last_answer, run_worker
from mezzmark.statistics.intervals import t_interval

SERVER = "/usr/lib/openssh/sftp-server"
ENCODINGS = ("vc3-sq", "rdd36-lt", "mjpeg-good")
RATES_GBPS, ROUND_TRIPS_MS = (0.1, 0.5, 1.0), (0.2, 2.0, 10.0)
QUIET_S = 0.03
READ_KIB = (4, 32, 112, 220, 448, 960)
IN_A_ROW = 8
"""So many of the largest are read one after the other."""


def lacking() -> str:
    """What a share needs and this machine has not."""
    needed = {"/dev/fuse": Path("/dev/fuse").exists(), "sftp-server": Path(SERVER).exists()}
    needed |= {name: bool(which(name)) for name in ("sshfs", "fusermount3")}
    return ", ".join(name for name, is_there in needed.items() if not is_there)


def _carry(
    source: socket.socket, target: socket.socket, ns_per_byte: float, delay_ns: float, passed: Any
) -> None:
    """A line: bytes follow one another at its rate, each arrives after the delay."""
    under_way: queue.SimpleQueue[tuple[float, bytes]] = queue.SimpleQueue()

    def deliver() -> None:
        with suppress(OSError):
            while (piece := under_way.get())[1]:
                time.sleep(max(0.0, piece[0] - time.perf_counter_ns()) / 1e9)
                target.sendall(piece[1])

    threading.Thread(target=deliver, daemon=True).start()
    free_ns = 0.0
    with suppress(OSError):
        while data := source.recv(64 * KIB):
            free_ns = max(free_ns, time.perf_counter_ns()) + len(data) * ns_per_byte
            passed.value += len(data)
            under_way.put((free_ns + delay_ns, data))
    under_way.put((0, b""))


def relay(port: Any, rate_bps: float, round_trip_ms: float, passed: Any) -> None:
    """Serve connections, an sftp server each; `passed` counts the bytes of its answers."""
    ctypes.CDLL(None).prctl(29, 1)  # PR_SET_TIMERSLACK: sleeps end when they should
    listener = socket.create_server(("127.0.0.1", 0))
    port.value = listener.getsockname()[1]
    while True:
        client, _ = listener.accept()
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        ours, theirs = socket.socketpair()
        subprocess.Popen([SERVER], stdin=theirs, stdout=theirs)
        theirs.close()
        half_ns = round_trip_ms * 1e6 / 2
        asked = get_context("spawn").Value("q", 0)
        for line in (
            (client, ours, 0.0, half_ns, asked),
            (ours, client, 8e9 / rate_bps if rate_bps else 0.0, half_ns, passed),
        ):
            threading.Thread(target=_carry, args=line, daemon=True).start()


@contextmanager
def share(folder: Path, rate_bps: float, round_trip_ms: float) -> Iterator[tuple[Path, Any]]:
    """The folder as mounted over the relay, and the count of bytes that passed."""
    context = get_context("spawn")
    port, passed = context.Value("i", 0), context.Value("q", 0)
    serving = context.Process(target=relay, args=(port, rate_bps, round_trip_ms, passed))
    serving.start()
    mount = Path(tempfile.mkdtemp(prefix="mezzmark-share-"))
    try:
        for _ in range(3000):
            time.sleep(0 if port.value else 0.01)
        options = f"directport={port.value},ro"
        subprocess.run(["sshfs", "-o", options, f"127.0.0.1:{folder}", mount], check=True)
        try:
            yield mount, passed
        finally:
            subprocess.run(["fusermount3", "-u", "-z", mount], check=True)
    finally:
        serving.kill()
        serving.join()
        mount.rmdir()


def _reading(file: Any, sizes: Sequence[int], clock_ns: Callable[[], int]) -> float:
    """Reads of these sizes one after the other, in ms."""
    start_ns = clock_ns()
    for size in sizes:
        file.read(size)
    return (clock_ns() - start_ns) / 1e6


PATTERNS = tuple(
    (sizes, [kib * KIB for kib in sizes])
    for sizes in (*((kib,) for kib in READ_KIB), (READ_KIB[-1],) * IN_A_ROW)
)


def raw_figures(path: Path, repeats: int = 7) -> dict[tuple[int, ...], float]:
    """Of each pattern of reads, at places of their own: the median time in ms."""
    rng, end = np.random.default_rng(1), path.stat().st_size
    found: dict[tuple[int, ...], list[float]] = {name: [] for name, _ in PATTERNS}
    for _, (name, sizes) in product(range(repeats), PATTERNS):
        drop_pages(path)
        with path.open("rb", buffering=0) as file:
            file.seek(int(rng.integers((end - sum(sizes)) // 4096)) * 4096)
            found[name].append(_reading(file, sizes, read_clock_ns))
        time.sleep(QUIET_S)
    return {name: median(times) for name, times in found.items()}


class Clock:
    """A clock that goes on only while somebody sleeps."""

    now_ns = 0

    def __call__(self) -> int:
        return self.now_ns

    def sleep_ns(self, time_ns: int) -> None:
        self.now_ns += time_ns


def modelled_figures(link: Link, path: Path) -> dict[tuple[int, ...], float]:
    """The same over a link, by arithmetic: nobody sleeps."""
    found = {}
    for name, sizes in PATTERNS:
        clock = Clock()
        file = StorageFile(path, Line(link), clock_ns=clock, sleep_ns=clock.sleep_ns)
        file.seek(4096)
        found[name] = _reading(file, sizes, clock)
        file.close()
    return found


def read_ahead_kib(mount: Path) -> int:
    """How much Linux reads ahead of a reader of this mount, and asks for at a time."""
    device = mount.stat().st_dev
    place = f"/sys/class/bdi/{os.major(device)}:{os.minor(device)}/read_ahead_kb"
    return int(Path(place).read_text())


def fit_link(raw: dict[tuple[int, ...], float], path: Path, ahead_kib: int) -> tuple[Link, float]:
    """The rate and the round trip with which a link takes as long for those reads (least squares
    of log ratios), and its worst ratio."""

    def made(values: Sequence[float]) -> Link:
        rate_bps, round_trip_ms = np.exp(values)
        return Link(
            name="fitted",
            rate_bps=rate_bps,
            round_trip_ns=round(round_trip_ms * 1e6),
            request_bytes=ahead_kib * KIB,
            window_bytes=ahead_kib * KIB,
        )

    def ratios(values: Sequence[float]) -> list[float]:
        found = modelled_figures(made(values), path)
        return [log(found[name] / time_ms) for name, time_ms in raw.items()]

    large = READ_KIB[-1]
    start = [log(8 * large * KIB / (raw[large,] / 1e3)), log(raw[READ_KIB[0],])]
    options = {"maxfev": 150}
    fitted = minimize(
        lambda v: sum(r**2 for r in ratios(v)), start, method="Nelder-Mead", options=options
    )
    return made(fitted.x), max(map(abs, ratios(fitted.x)))


@dataclass(frozen=True)
class Cell:
    """Latencies in ms by path and over the link (geometric means of the rounds' medians), and their
    ratio with its 95 % interval over rounds."""

    path_ms: float
    link_ms: float
    ratio: float
    low: float
    high: float


def compare(
    media: MediaReference,
    mounted: Sequence[Path],
    passed: Any,
    link: Link,
    *,
    rounds: int,
    moves: int,
) -> Cell:
    """Jumps of all readers, in turn by path from the share and over the link, the order changing
    each round; `mounted` has a file of each reader's own."""
    index = read_frame_index(media.index_path)
    job = ScrubJob(
        media=(),
        requests=(),
        policy="roll",
        thread_count=1,
        player=PLAYERS["slice"],
        viewer_height_px=540,
    )
    times: dict[str, list[list[float]]] = {"path": [], "link": []}
    for number in range(rounds):
        rng = np.random.default_rng(number)
        over = job.model_copy(update={"link": link})
        players = {
            "path": [Player(path, index, job) for path in mounted],
            "link": [Player(media.media_path, index, over) for _ in mounted],
        }
        for found in times.values():
            found.append([])
        frames = [rng.permutation(len(index.pts))[:moves].tolist() for _ in mounted]
        for targets, name in product(
            zip(*frames, strict=True), sorted(players, reverse=bool(number % 2))
        ):
            for path in mounted:
                drop_pages(path)
            before = passed.value
            done = _at_once(players[name], targets)
            times[name][-1] += map(_latency_ms, done)
            time.sleep(QUIET_S)
            if name == "path":
                brought = sum(move.packet_bytes for move in done)
                assert passed.value - before >= brought, "the files were not cold"
        for player in (*players["path"], *players["link"]):
            player.close()
    logs = [log(median(a) / median(b)) for a, b in zip(times["link"], times["path"], strict=True)]
    interval = t_interval(logs, confidence_level=0.95)
    medians = {name: exp(fmean(log(median(one)) for one in of)) for name, of in times.items()}
    ends = (exp(value) for value in (fmean(logs), interval.low, interval.high))
    return Cell(medians["path"], medians["link"], *ends)


def _at_once(players: Sequence[Player], frames: Sequence[int]) -> list[Move]:
    """A move of each, in threads that begin together."""
    barrier = threading.Barrier(len(players))

    def move(player: Player, frame: int) -> Move:
        barrier.wait()
        return player.move(frame, read_clock_ns)

    with ThreadPoolExecutor(len(players)) as threads:
        return list(threads.map(move, players, frames))


def _latency_ms(move: Move) -> float:
    return (move.locate_ns + move.decode_ns + move.present_ns) / 1e6


def prepare(cache_dir: Path, encodings: Sequence[str]) -> dict[str, MediaReference]:
    """A 1080p camera original and these encodings of it."""
    place = {"cache_dir": str(cache_dir)}
    clip = ClipSpec(name="scene", recipe=Recipe())
    original = last_answer(run_worker(PrepareOriginalJob(clip=clip, seed=1, **place), 600)).media
    media = {"original": original}
    for entry in ENTRIES:
        if entry.name in encodings:
            encoding = entry.resolve(entry.containers[0], entry.pixel_formats[0])
            job = PrepareEncodingJob(source=original, encoding=encoding, thread_count=2, **place)
            media[entry.name] = last_answer(run_worker(job, 600)).media
    return media


def main(rounds: int, moves: int, readers: int, cache_dir: Path) -> None:
    """A line a link with its fit, then a line an encoding."""
    media = prepare(cache_dir, ENCODINGS)
    served = Path(tempfile.mkdtemp(dir=cache_dir))
    for name, number in product(media, range(readers)):
        os.link(media[name].media_path, served / f"{name}-{number}")
    trips = ROUND_TRIPS_MS if readers == 1 else ROUND_TRIPS_MS[1:2]
    for rate_gbps, round_trip_ms in product(RATES_GBPS, trips):
        with share(served, rate_gbps * 1e9, round_trip_ms) as (mount, passed):
            raw = raw_figures(mount / "vc3-sq-0")
            ahead_kib = read_ahead_kib(mount)
            link, worst = fit_link(raw, Path(media["vc3-sq"].media_path), ahead_kib)
            shown = ", ".join(f"{len(s)}×{s[0]}: {ms:.2f}" for s, ms in raw.items())
            print(f"{rate_gbps:g} Gbit/s, {round_trip_ms:g} ms: KiB: ms {shown}")
            print(
                f"  fitted {link.rate_bps / 1e9:.3f} Gbit/s, {link.round_trip_ns / 1e6:.2f} ms, "
                f"asks {ahead_kib} KiB, and as much ahead; "
                f"off by {100 * worst:.0f} % at most",
                flush=True,
            )
            for name, one in media.items():
                paths = [mount / f"{name}-{number}" for number in range(readers)]
                cell = compare(one, paths, passed, link, rounds=rounds, moves=moves)
                print(
                    f"  {name:11} share {cell.path_ms:7.1f} ms, model {cell.link_ms:7.1f} ms, "
                    f"ratio {cell.ratio:.3f} [{cell.low:.3f}, {cell.high:.3f}]",
                    flush=True,
                )


if __name__ == "__main__":
    if lacking():
        sys.exit(f"not here: {lacking()}")
    counts = [int(text) for text in sys.argv[1:4]]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(sys.argv[4]) if len(sys.argv) > 4 else Path(name)
        main(*(counts + [5, 8, 1][len(counts) :]), folder)

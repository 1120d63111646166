"""A media file as a player reads it, with the time that it waits for storage; over a modelled link
where there is one.

The link is a token bucket that all its readers share (rate r, depth B: after a pause L bytes take
max(0, L - B) / r) behind a round trip for each request. What a reader lacks it asks for alone, in
pieces of the link's size, after a jump for no more than it reads; then it has what fills the window
ahead in flight, all whole, and so has who reads on, as readahead does. So one request takes RTT + L
/ r, m in turn m RTT + L / r, and W in flight bring at most W / RTT. What was brought stays at hand
until `forget`. (Seen of sshfs on Linux: `python tests/simulation/link_against_share.py`.)
"""

from bisect import bisect_right
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from mezzmark.host.common import read_clock_ns, sleep_ns, wake_on_time
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.link import Link

PAGE: Final = 4096

ALIGNED: Final = 4 * PAGE
"""Where Linux ends what it reads ahead (`ra->order` in its mm/readahead.c)."""

EARLY_STEP_NS, MOST_EARLY_NS = 5_000, 100_000
"""Sleeps ended 30 to 110 µs late; what goes beyond is a busy machine's, and real reads meet it."""


class Line:
    """A link's own line. `free_ns`, when all that was asked for has passed, is a shared value, so
    that the line may be handed to processes (as multiprocessing starts them) and threads."""

    def __init__(self, link: Link) -> None:
        from multiprocessing import get_context  # most players have no link

        self.link = link
        self._ns_per_byte = 8 * NS_PER_S / link.rate_bps
        self._burst_ns = link.burst_bytes * self._ns_per_byte
        self.free_ns: Any = get_context("spawn").Value("q", 0)  # its type is private

    def ask(self, asked_ns: int, byte_count: int) -> int:
        """When the bytes are here that are asked for at `asked_ns`, after all others before them.
        Source: the virtual scheduling of ITU-T I.371 (GCRA), which is a token bucket."""
        first_ns = asked_ns + self.link.round_trip_ns
        with self.free_ns.get_lock():
            passed_ns: float = max(self.free_ns.value, first_ns) + byte_count * self._ns_per_byte
            self.free_ns.value = round(passed_ns)
        return max(first_ns, round(passed_ns - self._burst_ns))


_LINES: dict[Link, Line] = {}


def line_of(link: Link) -> Line:
    """The one line of a link in this process: all its readers share it."""
    return _LINES.get(link) or share_line(Line(link))


def share_line(line: Line) -> Line:
    """Let all readers of this process use the line, which another process made."""
    return _LINES.setdefault(line.link, line)


class StorageFile:
    """A file object for `av.open`; `wait_ns` is how long its reads took since `begin`. Clock and
    sleep may be a simulation's. A sleep that ends late is made up for by the next wait: reads are
    timed as if each had returned when its last byte came. Sleeps aim earlier until half of them end
    in time: what waking a reader takes is in the link's figures already."""

    def __init__(
        self,
        path: str | Path,
        line: Line | None = None,
        *,
        clock_ns: Callable[[], int] = read_clock_ns,
        sleep_ns: Callable[[int], None] = sleep_ns,
    ) -> None:
        self.name = str(path)
        self._file = Path(path).open("rb", buffering=0)  # noqa: SIM115  # closed by `close`
        self._line, self._clock_ns, self._sleep_ns = line, clock_ns, sleep_ns
        self.size = self._file.seek(0, 2)
        self._at = self._file.seek(0)
        self._next, self._early_ns = -1, 0
        if line:
            wake_on_time()
        self.begin()
        self.forget()

    def begin(self) -> None:
        """A move begins: waiting counts from here."""
        self.wait_ns = self._late_ns = 0

    def forget(self) -> None:
        """Nothing of the file is at hand any more; what is under way still fills the line."""
        self._starts: list[int] = []
        self._parts: list[tuple[int, int]] = []  # end, and when it is here
        self._in_flight: deque[int] = deque(maxlen=self._room)

    @property
    def _room(self) -> int:
        link = self._line and self._line.link
        return 1 + link.window_bytes // link.request_bytes if link else 1

    def seek(self, offset: int, whence: int = 0) -> int:
        """As of any file."""
        self._at = int(self._file.seek(offset, whence))
        return self._at

    def tell(self) -> int:
        """As of any file."""
        return self._at

    def close(self) -> None:
        """As of any file."""
        self._file.close()

    def read(self, size: int = -1) -> bytes:
        """As of any file; returns when the link would have brought the bytes, which are asked for
        as if before they are read here, so that all that this costs lies within the wait."""
        start_ns, at = self._clock_ns(), self._at
        data = self._file.read(size)
        self._at += len(data)
        if self._line and data:
            late_ns, read_ns = self._late_ns, self._clock_ns()
            self._wait(self._line, start_ns - late_ns, read_ns - late_ns, at, self._at)
        self.wait_ns += self._clock_ns() - start_ns
        return data

    def _wait(self, line: Line, now_ns: int, due_ns: int, start: int, end: int) -> None:
        """Ask for what is not at hand, sleep until the last of it is here, and have asked by then
        for as much ahead as there is room for. The first that is lacking is asked for alone.
        `due_ns`: when bytes at hand are read."""
        link = line.link
        reads_on, self._next = start == self._next, end
        at, end = start // PAGE * PAGE, min(-(-end // PAGE) * PAGE, self.size)
        is_in_a_row = reads_on or end - at > link.request_bytes
        ahead = min(end + link.window_bytes * is_in_a_row, self.size)
        is_first, step = True, min(ALIGNED, link.request_bytes)
        while at < ahead:
            place = bisect_right(self._starts, at)
            known_end, here_ns = self._parts[place - 1] if place else (0, 0)
            if known_end <= at:
                until = self._starts[place] if place < len(self._starts) else self.size
                whole = at + link.request_bytes
                whole -= 0 if is_first else whole % step
                known_end = min(whole, until, end if is_first and not reads_on else self.size)
                is_full = len(self._in_flight) == self._in_flight.maxlen
                asked_ns = max(now_ns, self._in_flight[0]) if is_full else now_ns
                if at >= end and asked_ns > due_ns:
                    break
                self._sleep_until(asked_ns)  # others may ask meanwhile
                here_ns = line.ask(asked_ns, known_end - at)
                self._in_flight.extend([here_ns] * (self._room if is_first else 1))
                self._starts.insert(place, at)
                self._parts.insert(place, (known_end, here_ns))
            if at < end:
                due_ns = max(due_ns, here_ns)
            at, is_first = known_end, False
        has_slept = self._sleep_until(due_ns - self._early_ns)
        self._late_ns = self._clock_ns() - due_ns
        if has_slept:
            step_ns = EARLY_STEP_NS if self._late_ns > 0 else -EARLY_STEP_NS
            self._early_ns = min(max(0, self._early_ns + step_ns), MOST_EARLY_NS)

    def _sleep_until(self, due_ns: int) -> bool:
        if (left_ns := due_ns - self._clock_ns()) > 0:
            self._sleep_ns(left_ns)
        return left_ns > 0


class SentFile:
    """A file that grows, sent over a line behind its writer, who waits at its end alone."""

    def __init__(self, path: Path, line: Line) -> None:
        self._path, self._line = path, line
        self._sent_bytes = self._there_ns = 0

    def send(self) -> None:
        """Send the whole requests that were written since."""
        self._send(self._line.link.request_bytes)

    def finish(self) -> None:
        """Send the rest, and return when all is there."""
        self._send(1)
        sleep_ns(max(0, self._there_ns - read_clock_ns()))

    def _send(self, least: int) -> None:
        most, size = self._line.link.request_bytes, self._path.stat().st_size
        while (count := min(most, size - self._sent_bytes)) >= least:
            self._there_ns = self._line.ask(read_clock_ns(), count)
            self._sent_bytes += count

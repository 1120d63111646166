"""A media file as a player reads it, with the time that it waits for storage; over a modelled link
where there is one.

The link is a token bucket that all its readers share (rate r, depth B: after a pause L bytes take
max(0, L - B) / r) behind a round trip for each request. A reader asks in pieces of the size that
the path it stands for asks in, and has as many in flight as fill its window; one that reads on has
the window after its place asked for too, as readahead does. So one request takes RTT + L / r, m in
turn m RTT + L / r, and a window W brings at most W / RTT. What was brought stays at hand until
`forget`: then it comes over the link again, as on the first touch.
"""

from bisect import bisect_right
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

from mezzmark.host.common import read_clock_ns, sleep_ns
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.link import Link


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

        Source: the virtual scheduling of ITU-T I.371 (GCRA), which is a token bucket.
        """
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
    """A file object for `av.open`; `wait_ns` is how long its reads took since `begin`.

    Clock and sleep may be a simulation's. A sleep that ends late is made up for by the next wait:
    reads are timed as if each had returned when its last byte came.
    """

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
        self._file.seek(0)
        self._next = -1
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
        return max(1, link.window_bytes // link.request_bytes) if link else 1

    def seek(self, offset: int, whence: int = 0) -> int:
        """As of any file."""
        return int(self._file.seek(offset, whence))

    def tell(self) -> int:
        """As of any file."""
        return self._file.tell()

    def close(self) -> None:
        """As of any file."""
        self._file.close()

    def read(self, size: int = -1) -> bytes:
        """As of any file; returns when the link would have brought the bytes."""
        start_ns = self._clock_ns()
        at = self._file.tell()
        data = self._file.read(size)
        if self._line and data:
            self._wait(self._line, at, at + len(data))
        self.wait_ns += self._clock_ns() - start_ns
        return data

    def _wait(self, line: Line, start: int, end: int) -> None:
        now_ns = self._clock_ns() - self._late_ns
        due_ns = max(now_ns, self._bring(line, start, end, now_ns))
        if start == self._next:
            self._bring(line, end, min(end + line.link.window_bytes, self.size), now_ns)
        self._next = end
        self._sleep_until(due_ns)
        self._late_ns = self._clock_ns() - due_ns

    def _bring(self, line: Line, at: int, end: int, now_ns: int) -> int:
        """Ask for what is not at hand; when the last of it all is here."""
        due_ns = 0
        while at < end:
            place = bisect_right(self._starts, at)
            known_end, here_ns = self._parts[place - 1] if place else (0, 0)
            if known_end <= at:
                until = self._starts[place] if place < len(self._starts) else end
                known_end = min(at + line.link.request_bytes, end, until)
                is_full = len(self._in_flight) == self._in_flight.maxlen
                asked_ns = max(now_ns, self._in_flight[0]) if is_full else now_ns
                self._sleep_until(asked_ns)  # others may ask meanwhile
                here_ns = line.ask(asked_ns, known_end - at)
                self._in_flight.append(here_ns)
                self._starts.insert(place, at)
                self._parts.insert(place, (known_end, here_ns))
            due_ns, at = max(due_ns, here_ns), known_end
        return due_ns

    def _sleep_until(self, due_ns: int) -> None:
        if (left_ns := due_ns - self._clock_ns()) > 0:
            self._sleep_ns(left_ns)

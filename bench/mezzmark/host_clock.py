"""The clocks of this machine, handed to whatever needs one."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime


def read_clock_ns() -> int:
    """Nanoseconds of the finest monotonic clock; only differences mean anything."""
    return time.perf_counter_ns()


def read_utc() -> str:
    """The date and time now, ISO 8601 in UTC with microseconds."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """A monotonic clock for spans and a calendar clock for stamps; tests hand in their own."""

    monotonic_ns: Callable[[], int] = read_clock_ns
    utc: Callable[[], str] = read_utc

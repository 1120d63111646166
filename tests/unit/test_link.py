"""The modelled link on a virtual clock, against arithmetic: token bucket, requests, window."""

import math
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pytest

from mezzmark.engines.media.storage_file import Line, StorageFile
from mezzmark.model.link import KIB, Link, LinkSettings
from mezzmark.model.tasks.scrub import ScrubSettings

GIGABIT = 125e6
"""Bytes a second."""


class Time:
    """A clock that runs while somebody sleeps, each time `late_ns` too long."""

    def __init__(self, late_ns: int = 0) -> None:
        self.now_ns, self.late_ns = 0, late_ns

    def clock_ns(self) -> int:
        return self.now_ns

    def sleep_ns(self, span_ns: int) -> None:
        self.now_ns += span_ns + self.late_ns


@pytest.fixture
def media(tmp_path: Path) -> Path:
    path = tmp_path / "media.bin"
    path.write_bytes(bytes(range(256)) * 4 * KIB * 16)
    return path


def link(rtt_ms: float, request: int, window: int = 0, burst: int = 0) -> Link:
    return Link(
        name="",
        rate_bps=8 * GIGABIT,
        round_trip_ns=round(rtt_ms * 1e6),
        request_bytes=request,
        window_bytes=window,
        burst_bytes=burst,
    )


def opened(media: Path, of: Link, late_ns: int = 0) -> tuple[StorageFile, Time]:
    time = Time(late_ns)
    file = StorageFile(media, Line(of), clock_ns=time.clock_ns, sleep_ns=time.sleep_ns)
    return file, time


@pytest.mark.parametrize(
    ("size", "one_ms", "in_turn_ms"), [(568_832, 5.0507, 7.0507), (8_294_400, 66.855, 98.355)]
)
def test_requests_in_turn_pay_a_round_trip_each(media, size, one_ms, in_turn_ms) -> None:
    """At 1 Gbit/s and 0.5 ms, L bytes take RTT + L / C in one request, and ceil(L / 128 KiB) RTT +
    L / C in requests of 128 KiB; the bytes are the file's, which ends there, and all the time is
    waiting."""
    media.write_bytes(media.read_bytes()[:size])
    for request, wanted_ms in ((size, one_ms), (128 * KIB, in_turn_ms)):
        file, time = opened(media, link(0.5, request))
        assert file.read(size) == media.read_bytes()[:size]
        assert time.now_ns / 1e6 == pytest.approx(wanted_ms, abs=1e-3)
        assert file.wait_ns == time.now_ns


@pytest.mark.parametrize(
    ("rtt_ms", "mb_per_s"), [(0.2, 104.977), (0.5, 84.640), (2, 42.994), (10, 11.863)]
)
def test_one_request_at_a_time_is_bound_by_its_size(media, rtt_ms, mb_per_s) -> None:
    """In 128 KiB at a time no more comes than W / (RTT + W / C)."""
    file, time = opened(media, link(rtt_ms, 128 * KIB))
    size = len(file.read())
    assert size / time.now_ns * 1e3 == pytest.approx(mb_per_s, rel=1e-4)


@pytest.mark.parametrize("rtt_ms", [0.2, 2, 10])
def test_a_window_in_flight_brings_at_most_the_lesser_of_two_rates(media, rtt_ms) -> None:
    """Of 512 KiB in flight, in pieces of 8 KiB, min(C, W / RTT) less two round trips: the first
    piece goes alone."""
    window = 512 * KIB
    file, time = opened(media, link(rtt_ms, 8 * KIB, window - 8 * KIB))
    size = len(file.read())
    most = min(GIGABIT, window / (rtt_ms / 1e3))
    assert size / (time.now_ns / 1e9) <= most
    assert size / ((time.now_ns / 1e6 - 2 * rtt_ms) / 1e3) >= most * 0.95


@pytest.mark.parametrize(
    ("at", "size", "brought"), [(0, 300, 384), (12, 246, 372), (12, 20, 20), (0, 100, 100)]
)
def test_a_jump_asks_as_a_mounted_share_was_seen_to_do(media, at, size, brought) -> None:
    """In KiB: of 300 from 0, 128 alone, then 128 and 128 together and 128 ahead; of 246 from 12,
    128 alone, then 116 (up to a multiple of 16) and 128; less than a request as it is. So two round
    trips and all whole ones are waited for, and what follows after a pause is there."""
    file, time = opened(media, link(2, 128 * KIB, 128 * KIB))
    file.seek(at * KIB)
    file.read(size * KIB)
    trips = 2 if size > 128 else 1
    wanted_ns = trips * 2e6 + brought * KIB / GIGABIT * 1e9
    assert time.now_ns == pytest.approx(wanted_ns, abs=9)
    time.now_ns += 10_000_000
    file.begin()
    file.read((brought + 128 - size) * KIB if trips == 2 else 4 * KIB)
    assert (file.wait_ns == 0) is (trips == 2)


def test_a_bucket_lets_its_depth_pass_at_once() -> None:
    """Full at the start, L bytes take max(0, L - B) / r; after a pause of L / r it is full again.
    In no window t pass more than B + r t."""
    line = Line(link(0, 1, burst=250_000))
    assert line.ask(0, 250_000) == 0
    assert line.ask(0, 125_000) == 1_000_000
    assert line.ask(3_000_000, 250_000) == 3_000_000
    passed = [(line.ask(3_000_000 + k, 10_000), 10_000 * (k + 1)) for k in range(50)]
    assert all(sent <= GIGABIT * (at - 3_000_000) / 1e9 + 1 for at, sent in passed)


def test_what_lies_ahead_is_asked_for_when_reading_goes_on(media) -> None:
    """The second of two reads in a row has the next window brought, so that a third one after a
    pause waits for nothing; a first one elsewhere waits; what was forgotten comes again."""
    file, time = opened(media, link(0.5, 64 * KIB, 64 * KIB))
    waits = []
    for at in (0, 64, 128, 1024, 128, -1, 128):
        if at < 0:
            file.forget()
            continue
        time.now_ns += 10_000_000
        file.begin()
        file.seek(at * KIB)
        file.read(64 * KIB)
        waits.append(file.wait_ns)
    whole = 500_000 + round(64 * KIB / GIGABIT * 1e9)
    assert waits == [whole, whole, 0, whole, 0, whole]


@pytest.mark.parametrize(
    ("late_us", "reads", "left_us"), [(60, 10, 15), (60, 13, 0), (250, 99, 150)]
)
def test_a_late_sleep_is_made_up_for_by_the_next_wait(media, late_us, reads, left_us) -> None:
    """Sleeps that end late add that once, not once a read; and 5 µs less each time, until they end
    in time or aim 100 µs early."""
    ends = []
    for late_ns in (0, late_us * 1000):
        file, time = opened(media, link(0.5, 4 * KIB), late_ns)
        for place in range(reads):
            file.seek(place * 100 * KIB)
            file.read(4 * KIB)
        ends.append(time.now_ns)
    assert ends[1] - ends[0] == left_us * 1000


def test_readers_share_one_line(media) -> None:
    """Two readers that ask for L each at once have L / C and 2 L / C after the round trip."""
    line, found = Line(link(2, 1024 * KIB)), []
    for _ in range(2):
        time = Time()
        file = StorageFile(media, line, clock_ns=time.clock_ns, sleep_ns=time.sleep_ns)
        file.read(1024 * KIB)
        found.append(time.now_ns)
    piece_ns = 1024 * KIB / GIGABIT * 1e9
    assert found == pytest.approx([2e6 + piece_ns, 2e6 + 2 * piece_ns], abs=2)


def _ask_often(line: Line, times: int, start: Any) -> None:
    start.wait()
    for _ in range(times):
        line.ask(0, 1250)


@pytest.mark.slow
def test_processes_share_one_line() -> None:
    """Four processes that each ask 20,000 times for 10 µs at time 0 fill the line to 0.8 s."""
    line = Line(link(0, 1))
    context = get_context("spawn")
    together = (line, 20_000, context.Barrier(4))
    workers = [context.Process(target=_ask_often, args=together) for _ in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert line.free_ns.value == 4 * 20_000 * 10_000


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("1 Gbit/s", "1 Gbit/s, 0.5 ms"),
        ("125 MB/s", "1 Gbit/s, 0.5 ms"),
        (25e5, "2.5 Mbit/s, 0.5 ms"),
    ],
)
def test_links_are_named_by_what_they_are(text, name) -> None:
    """Equal links have equal names however they are written; what is unusual stands in the name."""
    assert LinkSettings(rate=text).name == name
    assert LinkSettings(rate=text, request_kib=32).name == f"{name}, asks 32 KiB"
    both = ScrubSettings(links=("local", {"rate": text}))
    assert list(both.modelled_links) == [name]
    assert ScrubSettings(link={"rate": text}).modelled_links == both.modelled_links


def test_a_rate_has_a_unit_that_is_known() -> None:
    """`1 Gb` is no rate, 0 is none either; a window beyond all bounds is refused."""
    for wrong in ({"rate": "1 Gb"}, {"rate": 0}, {"rate": "1 Gbit/s", "window_kib": math.inf}, {}):
        with pytest.raises(ValueError):
            LinkSettings.model_validate(wrong)

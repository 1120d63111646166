"""The copy kernel counts what it copies."""

from mezzmark.engines.encode.reference import measure_bandwidth
from mezzmark.host.common import read_clock_ns


def test_each_number_of_processes_has_a_rate() -> None:
    """One and two processes copy, in the order asked for; the rate is positive and below what any
    memory carries (10 TB/s)."""
    facts = measure_bandwidth((1, 2), clock_ns=read_clock_ns, block_bytes=2**20, repeats=20)
    assert [point.process_count for point in facts.points] == [1, 2]
    assert all(0 < point.bytes_per_s < 1e13 for point in facts.points)

"""The copy kernel counts what it copies."""

import pytest

from mezzmark.engines.encode.reference import measure_bandwidth
from mezzmark.host.common import read_clock_ns
from mezzmark.model.run import BandwidthFacts, BandwidthPoint


def test_each_number_of_processes_has_a_rate() -> None:
    """One and two processes copy, in the order asked for; the rate is positive and below what any
    memory carries (10 TB/s)."""
    facts = measure_bandwidth((1, 2), clock_ns=read_clock_ns, block_bytes=2**20, repeats=20)
    assert [point.process_count for point in facts.points] == [1, 2]
    assert all(0 < point.bytes_per_s < 1e13 for point in facts.points)


def test_the_limit_is_the_best_rate_over_one_process() -> None:
    """10, 18 and 16 GB/s limit scaling to 1.8; without one process there is no limit."""
    points = tuple(
        BandwidthPoint(process_count=n, bytes_per_s=rate * 1e9)
        for n, rate in ((1, 10), (2, 18), (4, 16))
    )
    facts = BandwidthFacts(block_bytes=1, repeats=1, points=points)
    assert facts.scaling_limit == pytest.approx(1.8)
    with pytest.raises(ValueError):
        _ = facts.model_copy(update={"points": points[1:]}).scaling_limit

"""The search for the number of streams against all numbers in turn, by real workers."""

from pathlib import Path

import psutil
import pytest

from mezzmark.decide.estimate.rounds import estimate_count
from mezzmark.host.common import read_usable_core_count
from simulation.streams_sweep import ENCODERS, compare


@pytest.mark.slow
@pytest.mark.parametrize("name", ENCODERS)
def test_the_search_finds_what_a_sweep_finds(name: str, tmp_path: Path) -> None:
    """Six rounds of each on this machine: the typical sweep lies in the range that the searches
    state. (On a busy machine, where stalls decide, that range is wide.)"""
    if psutil.getloadavg()[0] > 1.5 * read_usable_core_count():
        pytest.skip("this machine is too busy: what stalls decides")
    made = list(compare(name, tmp_path, rounds=6, duration_s=1))
    if not made:
        pytest.skip("this machine is too busy to play two streams")
    found, swept = zip(*made, strict=True)
    stated, typical = (estimate_count(counts, "", 6, 0.95) for counts in (found, swept))
    assert stated.low <= typical.point <= stated.high

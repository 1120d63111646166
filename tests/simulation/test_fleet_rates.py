"""False alarms and power of `fleet check` over 20 hosts × 5 cells; thorough when slow."""

import numpy as np
import pytest

from mezzmark.statistics.intervals import share_interval
from simulation.fleet_false_alarms import WORLDS, count_fleets
from simulation.test_verdict_rates import leaves_possible_at_most

SEED = 17


@pytest.mark.parametrize("history", [1, 3, 6])
@pytest.mark.parametrize("fleets", [8, pytest.param(200, marks=pytest.mark.slow)])
def test_unchanged_fleets_and_one_slower_host(history: int, fleets: int) -> None:
    """Nothing changed: at most 5 % of fleets have any cell called regressed, improved or slower. A
    host slower by 15 % in all cells is found in at least 80 %."""
    rng = np.random.default_rng([SEED, history])
    found = count_fleets(WORLDS["runs differ by 1 %"], history, fleets, rng)
    assert leaves_possible_at_most(max(found["false"], found["slower"]), fleets, 0.05), found
    limits = share_interval(found["host"], fleets, confidence_level=0.999)
    assert limits.high >= 0.8, found
    assert found["host"] / fleets >= 0.7, found

"""The ingest queue against queueing theory and against cards counted by hand."""

import numpy as np
import pytest

from mezzmark.decide.size.queue import COUNTED_DAYS, WARM_UP_DAYS, draw_cards, simulate_shop
from mezzmark.decide.throughput.ingest import serve_in_order
from mezzmark.model.shop import Camera, Shop
from mezzmark.statistics.intervals import Interval, t_interval

REPLICATES = 100
CUSTOMERS = 4000


def _mean_time(rho: float, *, is_fixed: bool, seed: int) -> Interval:
    """Mean time in the system over replicates, in units of the mean service time."""
    rng = np.random.default_rng(seed)
    means = []
    for _ in range(REPLICATES):
        arrivals = np.cumsum(rng.exponential(1 / rho, CUSTOMERS))
        services = np.ones(CUSTOMERS) if is_fixed else rng.exponential(1.0, CUSTOMERS)
        means.append(serve_in_order(arrivals, services)[CUSTOMERS // 4 :].mean())
    return t_interval(means, confidence_level=0.99)


@pytest.mark.parametrize(("rho", "mean"), [(0.5, 2.0), (0.8, 5.0)])
def test_exponential_service_waits_as_theory_says(rho: float, mean: float) -> None:
    """M/M/1: mean time in the system is 1 / (1 − ρ) service times (Kleinrock 1975)."""
    found = _mean_time(rho, is_fixed=False, seed=7)
    assert found.low <= mean <= found.high
    assert (found.high - found.low) / 2 < 0.1 * found.point


@pytest.mark.parametrize(("rho", "mean"), [(0.5, 1.5), (0.8, 3.0)])
def test_fixed_service_waits_as_theory_says(rho: float, mean: float) -> None:
    """M/D/1: mean time in the system is 1 + ρ / (2 (1 − ρ)) (Pollaczek-Khinchine)."""
    found = _mean_time(rho, is_fixed=True, seed=8)
    assert found.low <= mean <= found.high
    assert (found.high - found.low) / 2 < 0.1 * found.point


def test_percentile_of_exponential_service() -> None:
    """M/M/1: 95 % of times in the system lie below ln 20 / (1 − ρ) service times."""
    rng = np.random.default_rng(9)
    shares = []
    for _ in range(REPLICATES):
        arrivals = np.cumsum(rng.exponential(2.0, CUSTOMERS))
        spent = serve_in_order(arrivals, rng.exponential(1.0, CUSTOMERS))[CUSTOMERS // 4 :]
        shares.append((spent <= np.log(20) / 0.5).mean())
    found = t_interval(shares, confidence_level=0.99)
    assert found.low <= 0.95 <= found.high


def test_two_machines_share_the_line() -> None:
    """Four cards at once, two hours each: two machines hand them back after 2, 2, 4 and 4."""
    spent = serve_in_order(np.zeros(4), np.full(4, 2.0), worker_count=2)
    assert sorted(spent) == [2, 2, 4, 4]


def test_erlangs_share_of_waiting_cards() -> None:
    """M/M/2 at 1.5 erlangs: 0.642857 of arrivals wait (Erlang C)."""
    rng = np.random.default_rng(10)
    shares = []
    for _ in range(REPLICATES):
        arrivals = np.cumsum(rng.exponential(1 / 1.5, CUSTOMERS))
        services = rng.exponential(1.0, CUSTOMERS)
        spent = serve_in_order(arrivals, services, worker_count=2)
        shares.append((spent > services + 1e-9)[CUSTOMERS // 4 :].mean())
    found = t_interval(shares, confidence_level=0.99)
    assert found.low <= 0.642857 <= found.high


def _shop(**changes: object) -> Shop:
    camera = Camera(name="a", bitrate_bps=10**8, hours_per_day=2, cards_per_day=2)
    return Shop.model_validate({"name": "s", "cameras": (camera,), "editors": 1} | changes)


def test_cards_come_every_day_within_the_shooting_hours() -> None:
    """Two cards a day arrive between 9 and 18 h of every day, in order."""
    arrivals, kinds = draw_cards(_shop(), days=5, rng=np.random.default_rng(1))
    assert arrivals.size == 10
    assert (np.diff(arrivals) >= 0).all()
    assert ((arrivals % 24 >= 9) & (arrivals % 24 <= 18)).all()
    assert (np.bincount((arrivals // 24).astype(int)) == 2).all()
    assert set(kinds) == {0}


def test_an_idle_machine_hands_a_card_back_after_its_own_time() -> None:
    """One card a day of two hours at half real time: one hour, never late."""
    camera = Camera(name="a", bitrate_bps=10**8, hours_per_day=2, cards_per_day=1)
    figures = simulate_shop(
        _shop(cameras=(camera,)),
        machine_hours_per_footage_hour=np.array([0.5]),
        rng=np.random.default_rng(2),
    )
    assert figures.card_wait_hours == pytest.approx(1.0)
    assert figures.late_cards == 0


def test_a_machine_that_cannot_keep_up_never_hands_back() -> None:
    """Two footage hours a day at 13 times real time are 26 hours: the wait has no end."""
    figures = simulate_shop(
        _shop(), machine_hours_per_footage_hour=np.array([13.0]), rng=np.random.default_rng(3)
    )
    assert figures.card_wait_hours == np.inf
    assert figures.late_cards == 1


def test_a_late_card_is_one_beyond_the_turnaround() -> None:
    """With a turnaround shorter than any service every card is late; days are as counted."""
    figures = simulate_shop(
        _shop(turnaround_hours=0.4),
        machine_hours_per_footage_hour=np.array([0.5]),
        rng=np.random.default_rng(4),
    )
    assert figures.late_cards == 1
    assert COUNTED_DAYS > WARM_UP_DAYS > 0


def test_the_first_days_do_not_count(monkeypatch: pytest.MonkeyPatch) -> None:
    """Waits of the warm-up days, when the queue began empty, enter no figure."""
    monkeypatch.setattr(
        "mezzmark.decide.size.queue.serve_in_order",
        lambda arrivals, services, worker_count: np.where(
            arrivals < 24 * WARM_UP_DAYS, 1000.0, 1.0
        ),
    )
    figures = simulate_shop(
        _shop(), machine_hours_per_footage_hour=np.array([0.5]), rng=np.random.default_rng(5)
    )
    assert (figures.card_wait_hours, figures.late_cards) == (1.0, 0.0)

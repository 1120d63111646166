"""List schedules against Graham's bounds, tight instances and anomalies (1966, 1969)."""

import csv
from pathlib import Path

import pytest

from mezzmark.decide.throughput.schedule import makespan_bound_s, schedule_clips

DATA = Path(__file__).parent / "data" / "graham_lpt_tight.csv"
TIGHT = list(csv.DictReader(DATA.read_text(encoding="utf-8").splitlines()[1:]))


@pytest.mark.parametrize("row", TIGHT, ids=lambda row: f"m={row['m']}")
def test_tight_instances_reach_the_bound_of_longest_first(row: dict[str, str]) -> None:
    """Graham 1969: these instances take longest-first exactly to 4/3 − 1/(3m) of the best."""
    jobs, workers = [float(job) for job in row["jobs"].split()], int(row["m"])
    found = schedule_clips(jobs, workers, order="longest-first").makespan_s
    assert found == float(row["lpt"])
    assert found / float(row["opt"]) == pytest.approx(4 / 3 - 1 / (3 * workers), abs=1e-12)
    assert makespan_bound_s(jobs, workers) <= float(row["opt"])


@pytest.mark.parametrize("workers", [2, 3, 4, 7])
def test_the_worst_list_takes_two_less_one_mth(workers: int) -> None:
    """Graham 1966: m(m − 1) unit jobs before one of length m take (2m − 1) / m of the best, m."""
    jobs = [1.0] * (workers * (workers - 1)) + [float(workers)]
    assert schedule_clips(jobs, workers).makespan_s == 2 * workers - 1
    assert schedule_clips(jobs, workers, order="longest-first").makespan_s == workers


TIMES = [3.0, 2, 2, 2, 4, 4, 4, 4, 9]
WAITS = {8: frozenset({0}), **{clip: frozenset({3}) for clip in (4, 5, 6, 7)}}
"""Graham's example: T1 before T9, T4 before T5 … T8."""


@pytest.mark.parametrize(
    ("times", "workers", "waits", "makespan"),
    [
        (TIMES, 3, WAITS, 12),
        (TIMES, 4, WAITS, 15),
        ([t - 1 for t in TIMES], 3, WAITS, 13),
        (TIMES, 3, {clip: WAITS[clip] for clip in (6, 7, 8)}, 16),
    ],
    ids=["as given", "one worker more", "every job shorter", "fewer waits"],
)
def test_anomalies(times: list[float], workers: int, waits: dict, makespan: float) -> None:
    """Graham 1969: more workers, shorter jobs and fewer waits each make this example longer."""
    assert schedule_clips(times, workers, waits_for=waits).makespan_s == makespan


def test_reordered_list_is_longer_too() -> None:
    """Graham 1969: the list 1 2 4 5 6 3 9 7 8 takes 14 where the first took 12 (the 14 is
    from memory)."""
    order = [0, 1, 3, 4, 5, 2, 8, 6, 7]
    place = {clip: position for position, clip in enumerate(order)}
    waits = {place[clip]: frozenset(place[c] for c in before) for clip, before in WAITS.items()}
    assert schedule_clips([TIMES[c] for c in order], 3, waits_for=waits).makespan_s == 14

"""List schedules against Graham's bounds, tight instances (1966, 1969)."""

import csv
from pathlib import Path

import pytest

from mezzmark.decide.size.over_hosts import Pace, find_fleet_makespan_s
from mezzmark.decide.throughput.ingest import find_makespan_s

DATA = Path(__file__).parent / "data" / "graham_lpt_tight.csv"
TIGHT = list(csv.DictReader(DATA.read_text(encoding="utf-8").splitlines()[1:]))


@pytest.mark.parametrize("row", TIGHT, ids=lambda row: f"m={row['m']}")
def test_tight_instances_reach_the_bound_of_longest_first(row: dict[str, str]) -> None:
    """Graham 1969: these instances take longest-first exactly to 4/3 − 1/(3m) of the best, on
    workers and on hosts alike."""
    jobs, workers = [float(job) for job in row["jobs"].split()], int(row["m"])
    found = find_makespan_s(jobs, workers, order="longest-first")
    assert found == float(row["lpt"])
    order = sorted(range(len(jobs)), key=lambda job: -jobs[job])
    hosts = [Pace(jobs=1, clip_s=jobs, start_s=0.0)] * workers
    assert find_fleet_makespan_s(hosts, order) == pytest.approx(float(row["lpt"]))
    assert found / float(row["opt"]) == pytest.approx(4 / 3 - 1 / (3 * workers), abs=1e-12)


@pytest.mark.parametrize("workers", [2, 3, 4, 7])
def test_the_worst_list_takes_two_less_one_mth(workers: int) -> None:
    """Graham 1966: m(m − 1) unit jobs before one of length m take (2m − 1) / m of the best, m."""
    jobs = [1.0] * (workers * (workers - 1)) + [float(workers)]
    assert find_makespan_s(jobs, workers) == 2 * workers - 1
    assert find_makespan_s(jobs, workers, order="longest-first") == workers

"""Change points against a series whose change is known from print."""

import csv
from pathlib import Path

import numpy as np
import pytest

from mezzmark.statistics.change_points import find_change_points

DATA = Path(__file__).parent / "data" / "nile.csv"


def _flows() -> tuple[list[int], np.ndarray]:
    lines = DATA.read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    return [int(row["year"]) for row in rows], np.array([float(row["flow"]) for row in rows])


def test_the_typed_series_is_the_published_one() -> None:
    """Nile flow 1871-1970: 100 years, mean 919.35, variance 28637.95 (as printed with the series
    in common textbooks; from memory)."""
    years, flows = _flows()
    assert years == list(range(1871, 1971))
    assert flows.mean() == pytest.approx(919.35, abs=0.005)
    assert flows.var(ddof=1) == pytest.approx(28637.95, abs=0.005)


def test_the_nile_changed_once_between_1898_and_1899() -> None:
    """Cobb 1978 and many after him: one change, 1898 the last year of the higher level, whose
    means are 1097.75 before and 849.97 after (from memory)."""
    years, flows = _flows()
    (change,) = find_change_points(flows, np.zeros(flows.size), error_level=0.05)
    assert years[change.index] == 1899
    assert change.change == pytest.approx(849.97 - 1097.75, abs=0.01)
    low, high = change.limits(confidence_level=0.95)
    assert low < -247.78 < high < 0

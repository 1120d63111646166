"""Bjøntegaard deltas against published examples in `data/` (sources stated there)."""

import csv
from pathlib import Path

import numpy as np
import pytest

from mezzmark.decide.picture.fidelity import bjontegaard_quality_db, bjontegaard_rate_fraction

DATA = Path(__file__).parent / "data" / "bd_rate_examples.csv"


def examples() -> list[dict[str, str]]:
    """Examples by the cubic method; piecewise methods (pchip, akima) give other figures, off by
    0.02 percentage points here, and are not what this project computes."""
    lines = DATA.read_text(encoding="utf-8").splitlines()
    found = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [row for row in found if row["method"] == "cubic"]


def points(rates: str, qualities: str) -> list[tuple[float, float]]:
    """(rate, dB) pairs of a row."""
    return list(zip(map(float, rates.split()), map(float, qualities.split()), strict=True))


@pytest.mark.parametrize("row", examples(), ids=lambda row: row["example"])
def test_published_examples(row: dict[str, str]) -> None:
    """Rate and quality deltas are those that another library prints for the same points."""
    anchor = points(row["rate_anchor"], row["psnr_anchor"])
    test = points(row["rate_test"], row["psnr_test"])
    rate = bjontegaard_rate_fraction(anchor, test)
    assert rate is not None
    assert 100 * rate == pytest.approx(float(row["bd_rate_pct"]), abs=1e-6)
    assert bjontegaard_quality_db(anchor, test) == pytest.approx(float(row["bd_psnr_db"]), abs=1e-6)


def test_examples_are_there() -> None:
    """Both examples by the cubic method are in the table."""
    assert len(examples()) == 2


def test_same_curve_at_another_rate() -> None:
    """A codec that needs 10 % fewer bits at every quality has a delta of exactly -10 %."""
    anchor = [(float(rate), 30 + 6 * np.log10(rate)) for rate in (100, 200, 400, 800)]
    better = [(0.9 * rate, quality) for rate, quality in anchor]
    assert bjontegaard_rate_fraction(anchor, better) == pytest.approx(-0.1, abs=1e-9)


def test_too_few_points_give_no_figure() -> None:
    """Three points, or ladders that share no quality, give no delta rather than a wrong one."""
    ladder = [(100.0, 30.0), (200.0, 33.0), (400.0, 36.0), (800.0, 39.0)]
    assert bjontegaard_rate_fraction(ladder[:3], ladder) is None
    assert bjontegaard_rate_fraction(ladder, [(r, q + 20) for r, q in ladder]) is None

"""Laws of change points for any series."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mezzmark.statistics.change_points import find_change_points

VALUE = st.floats(-50, 50)
SERIES = st.lists(st.tuples(VALUE, st.floats(0.01, 5.0)), min_size=1, max_size=25)
LAW = settings(deadline=None)


@LAW
@given(SERIES, st.floats(-100, 100), st.sampled_from([0.25, 2.0, 64.0]))
def test_level_and_unit_do_not_matter(series: list, shift: float, scale: float) -> None:
    """Shifted and scaled values give the same places and p-values and scaled sizes."""
    values, errors = (np.array(column) for column in zip(*series, strict=True))
    plain = find_change_points(values, errors, error_level=0.05)
    moved = find_change_points(shift + scale * values, scale * errors, error_level=0.05)
    surely = [c.index for c in plain if c.p_value < 0.045]
    assert set(surely) <= {c.index for c in moved}
    if [c.index for c in plain] == [c.index for c in moved]:
        for before, after in zip(plain, moved, strict=True):
            assert after.change == pytest.approx(scale * before.change, rel=1e-6, abs=1e-6)


@LAW
@given(SERIES)
def test_changes_are_in_order_inside_the_series_and_within_the_level(series: list) -> None:
    """Places ascend and leave a run on both sides; no p-value is above the level."""
    values, errors = zip(*series, strict=True)
    found = find_change_points(values, errors, error_level=0.05)
    places = [change.index for change in found]
    assert places == sorted(set(places))
    assert all(0 < place < len(series) for place in places)
    assert all(0 <= change.p_value <= 0.05 for change in found)


@LAW
@given(SERIES)
def test_a_stricter_level_never_claims_more(series: list) -> None:
    """The changes at 1 % are among those at 5 %."""
    values, errors = zip(*series, strict=True)
    strict = {c.index for c in find_change_points(values, errors, error_level=0.01)}
    assert strict <= {c.index for c in find_change_points(values, errors, error_level=0.05)}

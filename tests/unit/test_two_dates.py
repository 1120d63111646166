"""The section of a host at two dates says in plain words what changed and what cannot be told."""

import math

import numpy as np
from test_hosts_and_history import run_on

from fixtures.two_sides import ENCODE, QUIET, SCRUB
from mezzmark.report.sections.parts import Together
from mezzmark.report.sections.two_dates import build_two_dates

WILD = np.array([-0.4, 0.5, 0.1, -0.6, 0.3, -0.2, 0.6, -0.3])
"""Logs of eight rounds that differ by half: nothing within 5 % can be told of them."""


def _section() -> Together:
    """Scrubbing takes a fifth more time; encoding is too wild to say anything of it."""
    earlier = run_on("desk", {SCRUB: QUIET, ENCODE: WILD})
    later = run_on("desk", {SCRUB: QUIET[::-1] + math.log(1.2), ENCODE: WILD[::-1]}, number=1)
    return build_two_dates(earlier, later, prefix="dates1", confidence_level=0.95)


def test_the_headline_counts_what_changed_and_what_cannot_be_told() -> None:
    """One cell of two slower, the other open: both are counted, and neither is called secret."""
    section = _section()
    assert section.headline == ("desk at two dates: 1 of 2 cells slower, 1 where it cannot be told")
    rows = section.groups[0].tables[0].rows
    assert {row[-1].text for row in rows} == {"slower", "cannot tell"}


def test_the_basis_says_once_that_its_times_are_utc() -> None:
    """Both dates to the minute, and one UTC after them."""
    basis = _section().basis
    assert basis.startswith("2026-03-01 10:00 (")
    assert basis.partition(" · ")[0].endswith("), both in UTC")
    assert "2026-03-01 10:30 (" in basis
    assert basis.count("UTC") == 1

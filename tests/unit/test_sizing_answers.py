"""Yes, no and cannot tell of sizing, from intervals set by hand."""

import pytest

from fixtures.made_sizing import SHOP, made
from mezzmark.decide.size.result import (
    has_long_cards,
    keeps_up,
    meets_deadline,
    pays_off,
    saves_nothing,
)
from mezzmark.model.shop import Camera


@pytest.mark.parametrize(
    ("interval", "answer"),
    [
        ((0.5, 0.4, 0.9), "yes"),
        ((0.9, 0.8, 1.1), "cannot tell"),
        ((1.2, 0.9, 1.4), "cannot tell"),
        ((1.2, 1.0, 1.4), "no"),
        ((0.5, None, None), "cannot tell"),
        ((9.0, None, None), "cannot tell"),
    ],
)
def test_keeping_up_is_a_day_within_the_whole_interval(
    interval: tuple[float, float | None, float | None], answer: str
) -> None:
    """Ingest keeps up when the upper end lies below one day, and fails when the lower end does not;
    a point alone decides nothing."""
    assert keeps_up({"utilisation": made(*interval)}) == answer


@pytest.mark.parametrize(
    ("interval", "answer"),
    [
        ((0.01, 0.0, 0.05), "yes"),
        ((0.01, 0.0, 0.06), "cannot tell"),
        ((0.2, 0.05, 0.3), "cannot tell"),
        ((0.2, 0.06, 0.3), "no"),
        ((0.0, None, None), "cannot tell"),
    ],
)
def test_a_deadline_is_met_by_the_whole_interval(
    interval: tuple[float, float | None, float | None], answer: str
) -> None:
    """With one card in twenty allowed to be late, the interval lies at or below, beyond, or on
    both sides."""
    figures = {"utilisation": made(0.5, 0.4, 0.6), "late_cards": made(*interval)}
    assert meets_deadline(SHOP, figures) == answer


@pytest.mark.parametrize(
    ("busy", "late", "answer"),
    [
        ((1.5, 1.2, 2), (0.05, 0.01, 0.3), "no"),
        ((0.9, 0.8, 1.1), (0.01, 0.0, 0.05), "cannot tell"),
        ((0.9, 0.8, 1.1), (0.2, 0.1, 0.3), "no"),
    ],
)
def test_being_in_time_agrees_with_keeping_up(
    busy: tuple[float, float, float], late: tuple[float, float, float], answer: str
) -> None:
    """Nobody is in time who does not keep up, nor surely who may not; who may not can be late."""
    figures = {"utilisation": made(*busy), "late_cards": made(*late)}
    assert meets_deadline(SHOP, figures) == answer


@pytest.mark.parametrize(
    ("hours", "allowed", "machines", "so"),
    [
        (40.0, 0.04, 1, True),
        (40.0, 0.05, 1, False),
        (27.0, 0.04, 1, False),
        (27.0, 0.04, 2, True),
        (None, 0.04, 1, False),
    ],
)
def test_cards_late_by_themselves(
    hours: float | None, allowed: float, machines: int, so: bool
) -> None:
    """A day of 20 h of footage is ingested in 40 h: the one card of 10 h takes 20 h and those 20 of
    half an hour 1 h each, so that 1 of 21 (4.8 %) is later than 14 h by itself. Where it is 27 h
    the long card takes 13.5 h; where two machines share them, 27 h."""
    long_card = Camera(name="a", bitrate_bps=10**8, hours_per_day=10, cards_per_day=1)
    short = Camera(name="b", count=10, bitrate_bps=10**8, hours_per_day=1, cards_per_day=2)
    shop = SHOP.model_copy(
        update={
            "cameras": (long_card, short),
            "late_cards_fraction": allowed,
            "ingest_machines": machines,
        }
    )
    figures = {"ingest_hours_per_day": made(20, hours and 10, hours, "h")}
    assert has_long_cards(shop, figures) is so


@pytest.mark.parametrize(
    ("busy", "balance", "answer"),
    [
        ((0.5, 0.4, 0.6), (5, 1, 9), "yes"),
        ((0.5, 0.4, 0.6), (5, -1, 9), "cannot tell"),
        ((0.5, 0.4, 0.6), (-5, -9, -1), "no"),
        ((0.5, 0.4, 0.6), (5, None, None), "cannot tell"),
        ((2.0, 1.5, 2.5), (5, 1, 9), "no"),
        ((0.9, 0.8, 1.1), (5, 1, 9), "cannot tell"),
    ],
)
def test_paying_off_is_a_balance_above_nothing_of_footage_that_is_ready(
    busy: tuple[float, float, float],
    balance: tuple[float, float | None, float | None],
    answer: str,
) -> None:
    """Saved less added must be above 0 over the whole interval; footage that is never ready pays
    for nothing, and what may never be ready is not surely worth it."""
    figures = {"utilisation": made(*busy), "wait_balance_min_per_day": made(*balance)}
    assert pays_off(figures) == answer


def test_slower_moves_pay_for_nothing() -> None:
    """Moves that surely take longer than the originals' do not pay off, though ingest was not
    measured; where they may be faster nothing is said."""
    slower, unsure = made(-3, -5, -1), made(-3, -5, 1)
    assert saves_nothing({"wait_saved_min_per_day": slower})
    assert pays_off({"wait_saved_min_per_day": slower}) == "no"
    assert not saves_nothing({"wait_saved_min_per_day": unsure})
    assert pays_off({"wait_saved_min_per_day": unsure}) == "not measured"


def test_nothing_is_invented() -> None:
    """An intermediate without figures has no answer."""
    assert (keeps_up({}), meets_deadline(SHOP, {}), pays_off({})) == ("not measured",) * 3

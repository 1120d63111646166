"""Yes, no or cannot tell: the only place where sizing's estimates become answers.

Of intermediates; the originals are there already.
"""

from collections.abc import Mapping

from mezzmark.decide.size.result import Answer
from mezzmark.model.estimate import Estimate
from mezzmark.model.shop import Shop


def keeps_up(figures: Mapping[str, Estimate]) -> Answer:
    """Whether a shooting day's footage is ingested in less than 24 hours."""
    busy = figures.get("utilisation")
    if busy is None:
        return "not measured"
    if busy.low is None or busy.high is None:
        return "cannot tell"
    if busy.high < 1:
        return "yes"
    return "no" if busy.low >= 1 else "cannot tell"


def meets_deadline(shop: Shop, figures: Mapping[str, Estimate]) -> Answer:
    """Whether no more cards than the shop allows are ready too late.

    Who cannot keep up is late, and who may not is not surely in time: the two figures come from
    different draws, so that their tails may differ.
    """
    late, keeps = figures.get("late_cards"), keeps_up(figures)
    if keeps == "no":
        return "no"
    if late is None:
        return "not measured"
    if late.low is None or late.high is None:
        return "cannot tell"
    if late.high <= shop.late_cards_fraction:
        return "cannot tell" if keeps == "cannot tell" else "yes"
    return "no" if late.low > shop.late_cards_fraction else "cannot tell"


def pays_off(figures: Mapping[str, Estimate]) -> Answer:
    """Whether editors save more waiting than ingest adds.

    Footage that is never ready saves nobody any time, nor do moves that are no faster; where it
    may never be ready nobody can be sure.
    """
    keeps = keeps_up(figures)
    if keeps == "no" or saves_nothing(figures):
        return "no"
    balance = figures.get("wait_balance_min_per_day")
    if balance is None:
        return "not measured"
    if balance.low is None or balance.high is None:
        return "cannot tell"
    if balance.low > 0:
        return "cannot tell" if keeps == "cannot tell" else "yes"
    return "no" if balance.high < 0 else "cannot tell"


def has_long_cards(shop: Shop, figures: Mapping[str, Estimate]) -> bool:
    """Whether, at the slow end of the measured speed, too many cards take longer than the shop's
    turnaround even where each finds a machine free."""
    hours = figures.get("ingest_hours_per_day")
    if hours is None or hours.high is None:
        return False
    cameras = shop.cameras
    # Machine hours for each hour of footage of one pixel a second.
    footage = sum(c.pixels_per_s * c.count * c.hours_per_day for c in cameras)
    hours_per_footage = hours.high * shop.ingest_machines / footage
    late = sum(
        camera.card_count_per_day
        for camera in cameras
        if camera.card_hours * camera.pixels_per_s * hours_per_footage > shop.turnaround_hours
    )
    return late > shop.late_cards_fraction * shop.card_count_per_day


def saves_nothing(figures: Mapping[str, Estimate]) -> bool:
    """Whether moves are surely slower than the originals'."""
    saved = figures.get("wait_saved_min_per_day")
    return saved is not None and saved.high is not None and saved.high < 0

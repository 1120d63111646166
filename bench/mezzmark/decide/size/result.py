"""What sizing answers: figures as estimates, and where these become yes, no or cannot tell."""

import math
from collections.abc import Callable, Collection, Iterable, Mapping
from typing import Final, Literal

from pydantic import field_serializer

from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.decide.throughput.grid import RateSource
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.shop import Assumption, Shop

Answer = Literal["yes", "no", "cannot tell", "not measured"]
"""Of intermediates; the originals are there already."""

Limit = Literal["link", "array", "storage", "decoding", ""]
"""`storage` as measured, `link` and `array` as the shop says."""

PlayedIn = Literal["streams", "play", "decode", ""]
"""Streams were counted, one player was at work so much of its time, or files decoded in order."""

SizingNote = Literal[
    "no_ingest",
    "rate_not_measured",
    "rate_of_encoding_alone",
    "rate_predicted",
    "rate_of_storage",
    "size_not_measured",
    "reads_not_measured",
    "waits_not_measured",
    "slower_moves",
]
"""What must be known beside an encoding's figures. `no_ingest`: the originals need none;
`rate_of_encoding_alone`: without decoding the originals, an upper bound from which only "no"
follows; `rate_predicted`: from decoding and encoding, each measured; `rate_of_storage`: as fast as
storage writes; `reads_not_measured`: bytes read per playhead move; `waits_not_measured`: on the
encoding or on the originals; `slower_moves`: than on the originals."""

SIZING_FIGURES: Final = {
    "ingest_hours_per_day": "h",
    "utilisation": "",
    "card_wait_hours": "h",
    "card_wait_p95_hours": "h",
    "late_cards": "",
    "machines_needed": "machines",
    "intermediate_gb_per_day": "GB",
    "storage_tb": "TB",
    "storage_tib": "TiB",
    "network_mean_mb_per_s": "MB/s",
    "network_peak_mb_per_s": "MB/s",
    "editors_carried": "editors",
    "editors_decoded": "editors",
    "cost_per_year": "a year",
    "encode_again_days": "days",
    "encode_again_tb": "TB",
    "wait_saved_min_per_day": "min",
    "wait_added_min_per_day": "min",
    "wait_balance_min_per_day": "min",
    "moves_to_pay_off": "moves",
}
"""Figure name → unit; the order is the order of tables. results/README.md has their meanings."""


class CorePrediction(Fact):
    """Ingest on a machine with another number of cores, and whether that is enough.
    `ingest_hours_per_day` is None where no grid with intervals was measured, and beyond four times
    the largest count of that grid, `grid_core_count`; `is_far` beyond twice that."""

    core_count: int
    ingest_hours_per_day: Estimate | None = None
    late_cards: Estimate | None = None
    meets_deadline: Answer = "not measured"
    grid_core_count: int | None = None
    is_far: bool = False


class EncodingSizing(Fact):
    """One encoding in this shop. `original` is the shop without an intermediate. `has_long_cards`
    where too many cards take longer than the turnaround even if each finds a machine free. What has
    no end is infinite, in JSON the text "Infinity": null is a withheld interval."""

    encoding: str
    figures: dict[str, Estimate]
    keeps_up: Answer
    meets_deadline: Answer
    pays_off: Answer
    carries: Answer = "not measured"
    fits: Answer = "not measured"
    rate_source: RateSource | None = None
    limited_by: Limit = ""
    played_in: PlayedIn = ""
    has_long_cards: bool = False
    on_other_machines: tuple[CorePrediction, ...] = ()
    notes: tuple[SizingNote, ...] = ()

    @property
    def serves(self) -> Answer:
        """All that the shop asks for: cards in time, editors carried, and storage within limits."""
        return _worst({self.meets_deadline, self.carries, self.fits})

    @field_serializer("figures", when_used="json")
    def _name_the_endless(self, figures: dict[str, Estimate]) -> dict[str, dict[str, object]]:
        """JSON has no infinite number; Python's and pydantic's readers know these texts."""
        endless = ((math.inf, "Infinity"), (-math.inf, "-Infinity"))
        return {
            figure: {
                key: next((text for number, text in endless if value == number), value)
                for key, value in estimate.model_dump().items()
            }
            for figure, estimate in figures.items()
        }


class SizingResult(Fact):
    """The whole answer, with all that it rests on. `named_here` is whom `choose` names from the
    same runs where what this shop asks counts too, and `is_recommended` whether surely;
    `named_alone` by needs and wishes alone. Empty: nobody; None: nothing can be chosen from.
    `read_mb_per_s` is what storage was measured to do, where it was. `unmeasured_cameras` names
    those whose picture size no clip has: ingest and size are scaled by pixels, waits are not."""

    shop: Shop
    assumptions: tuple[Assumption, ...]
    encodings: tuple[EncodingSizing, ...]
    named_here: str | None = None
    named_alone: str = ""
    is_recommended: bool = False
    unmeasured_cameras: tuple[str, ...] = ()
    measured_core_count: int
    link_payload_mb_per_s: float
    read_mb_per_s: Estimate | None = None
    draw_count: int
    confidence_level: float


def _judge(figure: Estimate | None, is_met: Callable[[float], bool]) -> Answer:
    """By both ends of the interval, never by the point."""
    if figure is None:
        return "not measured"
    if figure.low is None or figure.high is None:
        return "cannot tell"
    answers = {is_met(figure.low), is_met(figure.high)}
    return "cannot tell" if len(answers) > 1 else "yes" if True in answers else "no"


def keeps_up(figures: Mapping[str, Estimate]) -> Answer:
    """Whether a shooting day's footage is ingested in less than 24 hours."""
    return _judge(figures.get("utilisation"), lambda busy: busy < 1)


def meets_deadline(shop: Shop, figures: Mapping[str, Estimate]) -> Answer:
    """Whether no more cards than the shop allows are ready too late. Who cannot keep up is late,
    and who may not is not surely in time: the figures' draws differ, and so may their tails."""
    in_time = _judge(figures.get("late_cards"), lambda late: late <= shop.late_cards_fraction)
    return _if_keeping_up(in_time, keeps_up(figures))


def pays_off(figures: Mapping[str, Estimate]) -> Answer:
    """Whether editors save more waiting than ingest adds. Footage that is never ready saves nobody
    any time, nor do moves that are no faster; where it may never be ready nobody can be sure."""
    if saves_nothing(figures):
        return "no"
    gains = _judge(figures.get("wait_balance_min_per_day"), lambda balance: balance > 0)
    return _if_keeping_up(gains, keeps_up(figures))


CLIP_RATIO: Final = 2.0
"""One or two clips cannot tell how sizes differ: they are taken to lie within this ratio of what
was measured (our own choice)."""

SIZED: Final = ("editors_carried", "storage_tb", "cost_per_year")  # Figures that answers hold so


def held(figure: Estimate) -> Estimate:
    """A figure that follows from sizes; of one or two clips within `CLIP_RATIO`."""
    if figure.round_count >= MINIMUM_ROUNDS or figure.low == figure.point == figure.high:
        return figure
    ends = {"low": figure.point / CLIP_RATIO, "high": figure.point * CLIP_RATIO}
    return figure.model_copy(update=ends)


def carries(shop: Shop, figures: Mapping[str, Estimate]) -> Answer:
    """Whether link and array carry the shop's editors at the peak."""
    found = figures.get("editors_carried")
    return _judge(found and held(found), lambda carried: carried >= shop.editors)


def fits(shop: Shop, figures: Mapping[str, Estimate]) -> Answer:
    """Whether what is kept stays within the shop's limits of storage and cost."""
    limits = {"storage_tb": shop.most_storage_tb, "cost_per_year": shop.most_cost_per_year}

    def within(name: str, limit: float) -> Answer:
        found = figures.get(name)
        return _judge(found and held(found), lambda size: size <= limit)

    answers = [within(name, limit) for name, limit in limits.items() if limit is not None]
    return _worst(answers)


def _worst(answers: Collection[Answer]) -> Answer:
    """What follows where all of them are asked for."""
    order: tuple[Answer, ...] = ("no", "not measured", "cannot tell")
    return next((answer for answer in order if answer in answers), "yes")


def needs_of(shop: Shop) -> tuple[str, ...]:
    """What the shop asks of an encoding, as needs of `choose`."""
    asked = {
        "late_cards <=": max(shop.late_cards_fraction, 1e-9),
        "editors_carried >=": shop.editors,
        "storage_tb <=": shop.most_storage_tb,
        "cost_per_year <=": shop.most_cost_per_year,
    }
    return tuple(f"shop.{name} {limit:g}" for name, limit in asked.items() if limit is not None)


def machines_needed(encodings: Iterable[EncodingSizing], shop: Shop) -> dict[str, float]:
    """With how many each is surely in time, where more than the shop's; infinite: no number is."""
    most = {one.encoding: one.figures.get("machines_needed") for one in encodings}
    counts = {name: found.high for name, found in most.items() if found and found.high}
    return {name: count for name, count in counts.items() if count > shop.ingest_machines}


SPEED_FIGURES: Final = ("ingest_hours_per_day", "card_wait_p95_hours", "late_cards")
"""Figures that follow from ingest speed alone."""


def sized_figures(result: "SizingResult") -> dict[str, dict[str, tuple[Estimate, bool]]]:
    """By encoding and name, each figure and whether only "no" can follow from it."""
    return {
        found.encoding: {
            name: (
                figure if name in SPEED_FIGURES else held(figure),
                name in SPEED_FIGURES
                and (
                    found.keeps_up != "yes"
                    or bool(found.rate_source and found.rate_source.is_bound)
                ),
            )
            for name, figure in found.figures.items()
        }
        for found in result.encodings
    }


def _if_keeping_up(answer: Answer, keeps: Answer) -> Answer:
    if keeps == "no":
        return "no"
    return "cannot tell" if (answer, keeps) == ("yes", "cannot tell") else answer


def has_long_cards(shop: Shop, figures: Mapping[str, Estimate]) -> bool:
    """Whether, at the slow end, too many cards take longer than the turnaround by themselves."""
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

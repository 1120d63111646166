"""What sizing answers: per encoding, every figure as an estimate, and what it rests on."""

import math
from typing import Final, Literal

from pydantic import field_serializer

from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.shop import Assumption, Shop

Answer = Literal["yes", "no", "cannot tell", "not measured"]

SIZING_FIGURES: Final = {
    "ingest_hours_per_day": ("h", "ingest of a shooting day's footage, all machines together"),
    "utilisation": ("", "share of 24 h that ingest takes; above 1 it cannot keep up"),
    "card_wait_hours": ("h", "mean wait from a card's arrival to footage ready"),
    "card_wait_p95_hours": ("h", "95 % of cards are ready within"),
    "late_cards": ("", "share of cards ready too late"),
    "machines_needed": ("machines", "machines like this one with which cards are in time"),
    "intermediate_gb_per_day": ("GB", "intermediate footage a shooting day, 10⁹ bytes"),
    "storage_tb": ("TB", "kept storage, 10¹² bytes, originals included"),
    "storage_tib": ("TiB", "the same, 2⁴⁰ bytes"),
    "network_mean_mb_per_s": ("MB/s", "all editors, scrubbing and playing as assumed"),
    "network_peak_mb_per_s": ("MB/s", "all editors play all their streams"),
    "editors_carried": ("editors", "editors that link and array carry at the peak"),
    "wait_saved_min_per_day": ("min", "wait saved per editor a day against the originals"),
    "wait_added_min_per_day": ("min", "wait per editor a day for cards to be ingested"),
    "wait_balance_min_per_day": ("min", "saved less added: above 0 the intermediate pays off"),
    "moves_to_pay_off": ("moves", "playhead moves per editor a day from which it pays off"),
}
"""Figure name → (unit, meaning); the order is the order of tables."""


class CorePrediction(Fact):
    """Ingest hours a day on a machine with another number of cores, and whether that is enough."""

    core_count: int
    ingest_hours_per_day: Estimate | None
    warning: str
    late_cards: Estimate | None = None
    meets_deadline: Answer = "not measured"


class EncodingSizing(Fact):
    """One encoding in this shop. `original` is the shop without an intermediate.

    `rate_source` is what the ingest speed was taken from. A wait or a number without end is
    infinite, which JSON holds as the text "Infinity": null is an interval that is withheld.
    """

    encoding: str
    figures: dict[str, Estimate]
    keeps_up: Answer
    meets_deadline: Answer
    pays_off: Answer
    rate_source: str = ""
    limited_by: Literal["link", "array", ""] = ""
    on_other_machines: tuple[CorePrediction, ...] = ()
    notes: tuple[str, ...] = ()

    @field_serializer("figures", when_used="json")
    def _name_the_endless(self, figures: dict[str, Estimate]) -> dict[str, dict[str, object]]:
        return {
            figure: {key: _json_value(value) for key, value in estimate.model_dump().items()}
            for figure, estimate in figures.items()
        }


def _json_value(value: object) -> object:
    """JSON has no infinite number; Python's and pydantic's readers know these texts."""
    if isinstance(value, float) and math.isinf(value):
        return "Infinity" if value > 0 else "-Infinity"
    return value


class SizingResult(Fact):
    """The whole answer, with all that it rests on."""

    headline: str = ""
    findings: tuple[str, ...] = ()
    shop: Shop
    assumptions: tuple[Assumption, ...]
    encodings: tuple[EncodingSizing, ...]
    measured_core_count: int
    link_payload_mb_per_s: float
    draw_count: int
    confidence_level: float
    notes: tuple[str, ...] = ()

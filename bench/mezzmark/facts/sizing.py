"""What sizing answers: per encoding, every figure as an estimate, and what it rests on."""

from typing import Final, Literal

from mezzmark.facts.base import Fact
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.shop import Assumption, Shop

Answer = Literal["yes", "no", "cannot tell", "not measured"]

SIZING_FIGURES: Final = {
    "ingest_hours_per_day": ("h", "ingest machine busy, a shooting day"),
    "utilisation": ("", "share of the day the ingest machines are busy"),
    "card_wait_hours": ("h", "mean wait from a card's arrival to footage ready"),
    "card_wait_p95_hours": ("h", "95 % of cards are ready within"),
    "late_cards": ("", "share of cards ready too late"),
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
    """Ingest hours a day on a machine with another number of cores."""

    core_count: int
    ingest_hours_per_day: Estimate | None
    warning: str


class EncodingSizing(Fact):
    """One encoding in this shop. `original` is the shop without an intermediate."""

    encoding: str
    figures: dict[str, Estimate]
    meets_deadline: Answer
    pays_off: Answer
    limited_by: Literal["link", "array", ""] = ""
    on_other_machines: tuple[CorePrediction, ...] = ()
    notes: tuple[str, ...] = ()


class SizingResult(Fact):
    """The whole answer, with all that it rests on."""

    shop: Shop
    assumptions: tuple[Assumption, ...]
    encodings: tuple[EncodingSizing, ...]
    measured_core_count: int
    link_payload_mb_per_s: float
    draw_count: int
    confidence_level: float
    notes: tuple[str, ...] = ()

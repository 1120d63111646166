"""What sizing answers: per encoding, every figure as an estimate, and what it rests on."""

import math
from typing import Final, Literal

from pydantic import field_serializer

from mezzmark.decide.throughput.rates import RateSource
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.shop import Assumption, Shop

Answer = Literal["yes", "no", "cannot tell", "not measured"]

Limit = Literal["link", "array", ""]

SizingNote = Literal[
    "no_ingest",
    "rate_not_measured",
    "rate_of_encoding_alone",
    "size_not_measured",
    "reads_not_measured",
    "waits_not_measured",
    "slower_moves",
]
"""What must be known beside an encoding's figures. `no_ingest`: the originals need none;
`rate_of_encoding_alone`: without decoding the originals, and so too hopeful; `reads_not_measured`:
bytes read per playhead move; `waits_not_measured`: on the encoding or on the originals;
`slower_moves`: than on the originals, so that it never pays off by waiting less."""

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
    "wait_saved_min_per_day": "min",
    "wait_added_min_per_day": "min",
    "wait_balance_min_per_day": "min",
    "moves_to_pay_off": "moves",
}
"""Figure name → unit; the order is the order of tables. results/README.md has their meanings."""


class CorePrediction(Fact):
    """Ingest on a machine with another number of cores, and whether that is enough.

    `ingest_hours_per_day` is None where no grid with intervals was measured. `is_far` where the
    core count lies beyond twice the largest count of that grid, `grid_core_count`.
    """

    core_count: int
    ingest_hours_per_day: Estimate | None = None
    late_cards: Estimate | None = None
    meets_deadline: Answer = "not measured"
    grid_core_count: int | None = None
    is_far: bool = False


class EncodingSizing(Fact):
    """One encoding in this shop. `original` is the shop without an intermediate.

    `has_long_cards` where too many cards take longer than the turnaround even if each finds a
    machine free. A wait or a number without end is infinite, which JSON holds as the text
    "Infinity": null is an interval that is withheld.
    """

    encoding: str
    figures: dict[str, Estimate]
    keeps_up: Answer
    meets_deadline: Answer
    pays_off: Answer
    rate_source: RateSource | None = None
    limited_by: Limit = ""
    has_long_cards: bool = False
    on_other_machines: tuple[CorePrediction, ...] = ()
    notes: tuple[SizingNote, ...] = ()

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
    """The whole answer, with all that it rests on.

    `unmeasured_cameras` names those whose picture size no clip has: ingest and size are scaled by
    pixels, waits are taken as measured.
    """

    shop: Shop
    assumptions: tuple[Assumption, ...]
    encodings: tuple[EncodingSizing, ...]
    unmeasured_cameras: tuple[str, ...] = ()
    measured_core_count: int
    link_payload_mb_per_s: float
    draw_count: int
    confidence_level: float

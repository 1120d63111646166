"""Answers of sizing made by hand, for tests of their words and tables."""

from mezzmark.decide.sizing_words import answer_sentences
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.shop import Camera, Shop, list_assumptions
from mezzmark.facts.sizing import Answer, EncodingSizing, SizingResult

SHOP = Shop(
    name="ours",
    editors=3,
    cameras=(Camera(name="A", bitrate_bps=100_000_000, hours_per_day=3),),
)


def made(point: float, low: float | None, high: float | None, unit: str = "") -> Estimate:
    """An estimate of 8 rounds."""
    return Estimate(
        point=point,
        low=low,
        high=high,
        confidence_level=0.95,
        unit=unit,
        round_count=8,
        sample_count=8,
        method="made",
        withheld="" if low is not None else "no interval from 1 round: 2 rounds more needed",
    )


def made_encoding(
    name: str,
    *,
    in_time: Answer = "yes",
    keeps_up: Answer | None = None,
    pays_off: Answer = "no",
    storage_tb: float = 10.0,
    machines: float | None = None,
    **more: object,
) -> EncodingSizing:
    """An encoding whose figures fit its answers; `machines` is the upper end of those needed."""
    keeps = keeps_up or in_time
    busy = {
        "yes": made(0.25, 0.23, 0.27),
        "no": made(2.5, 2.3, 2.8),
        "cannot tell": made(0.95, 0.8, 1.2),
    }
    late = {
        "yes": made(0.002, 0.0, 0.009),
        "no": made(0.4, 0.3, 0.5),
        "cannot tell": made(0.05, 0.01, 0.3),
    }
    figures = {
        "storage_tb": made(storage_tb, 0.9 * storage_tb, 1.1 * storage_tb, "TB"),
        "storage_tib": made(storage_tb * 0.909, 0.8 * storage_tb, storage_tb, "TiB"),
        "editors_carried": made(11, 9, 14, "editors"),
    }
    if in_time in late:
        ratio = busy[keeps]
        figures |= {
            "utilisation": ratio,
            "late_cards": late[in_time],
            "ingest_hours_per_day": made(24 * ratio.point, 24 * ratio.low, 24 * ratio.high, "h"),
        }
    if machines is not None:
        figures["machines_needed"] = made(min(machines, 2), 1, machines, "machines")
    return EncodingSizing(
        encoding=name,
        figures=figures,
        keeps_up=keeps,
        meets_deadline=in_time,
        pays_off=pays_off,
        **more,
    )


def made_result(*encodings: EncodingSizing, shop: Shop = SHOP) -> SizingResult:
    """The whole answer about a machine with 2 cores."""
    headline, *findings = answer_sentences(encodings, shop, measured_core_count=2)
    return SizingResult(
        headline=headline,
        findings=tuple(findings),
        shop=shop,
        assumptions=list_assumptions(shop),
        encodings=encodings,
        measured_core_count=2,
        link_payload_mb_per_s=1177.0,
        draw_count=400,
        confidence_level=0.95,
    )

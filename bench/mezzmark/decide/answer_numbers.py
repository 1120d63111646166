"""The few numbers that stand beside the answer: time to picture, size, encode speed."""

from mezzmark.decide.bitrates import hour_gb_text
from mezzmark.decide.ranking import Ranking
from mezzmark.decide.wording import count_text, number_text, shown_name
from mezzmark.facts.base import Fact
from mezzmark.facts.cells import Cell
from mezzmark.facts.estimates import Estimate


class KeyNumber(Fact):
    """One of the few numbers that stand beside the headline."""

    value: str
    label: str
    detail: str


def key_numbers(
    lead: Ranking | None,
    encode: dict[str, tuple[Cell, Estimate]],
    bitrates: dict[str, float],
    *,
    chosen: str | None = None,
) -> tuple[KeyNumber, ...]:
    """At most three, all of one encoding: the chosen one, named in the first label, or else the
    fastest."""
    numbers = []
    name = lead.fastest.encoding if lead and lead.fastest else next(iter(encode), None)
    name = chosen or name
    ranked = (
        next((entry for entry in lead.entries if entry.encoding == name), None) if lead else None
    )
    if ranked is not None and "p50_ms" in ranked.estimates:
        whose = f"{shown_name(chosen)}: " if chosen else ""
        p50 = ranked.estimates["p50_ms"]
        numbers.append(_key(p50, f"{whose}median time to picture", "ms"))
    if name in bitrates:
        rate = bitrates[name]
        numbers.append(
            KeyNumber(
                value=f"{number_text(rate / 1e6)} Mbit/s",
                label="bit rate",
                detail=hour_gb_text(rate),
            )
        )
    if name in encode:
        cell, estimate = encode[name]
        threads = count_text(cell.thread_count, "thread")
        numbers.append(_key(estimate, f"encode speed, {threads}", "fps"))
    return tuple(numbers)


def _key(estimate: Estimate, label: str, unit: str) -> KeyNumber:
    half = half_width_of(estimate)
    detail = estimate.withheld
    if estimate.low is not None and estimate.high is not None:
        low, high = (number_text(end, half_width=half) for end in (estimate.low, estimate.high))
        detail = f"{estimate.confidence_level * 100:g} % interval {low} to {high}"
    value = f"{number_text(estimate.point, half_width=half)} {unit}"
    return KeyNumber(value=value, label=label, detail=detail)


def half_width_of(estimate: Estimate) -> float | None:
    if estimate.low is None or estimate.high is None:
        return None
    return (estimate.high - estimate.low) / 2

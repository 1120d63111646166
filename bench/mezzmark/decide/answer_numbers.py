"""The few numbers that stand beside the answer: time to picture, size, encode speed."""

from mezzmark.decide.answer_price import encode_time_text
from mezzmark.decide.bitrates import hour_gb_text
from mezzmark.decide.ranking import Ranking
from mezzmark.decide.wording import count_text, number_text, shown_name
from mezzmark.facts.base import Fact
from mezzmark.facts.cells import Cell
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.run import Manifest


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
    manifest: Manifest,
    chosen: str | None = None,
) -> tuple[KeyNumber, ...]:
    """At most three, all of one encoding, which each label names: the chosen one, or else the
    fastest."""
    numbers = []
    name = lead.fastest.encoding if lead and lead.fastest else next(iter(encode), None)
    name = chosen or name
    ranked = (
        next((entry for entry in lead.entries if entry.encoding == name), None) if lead else None
    )
    if name is None:
        return ()
    whose = f"{shown_name(name)}: "
    if ranked is not None and "p50_ms" in ranked.estimates:
        p50 = ranked.estimates["p50_ms"]
        numbers.append(_key(p50, f"{whose}median time to picture", "ms"))
    if name in bitrates:
        rate = bitrates[name]
        numbers.append(
            KeyNumber(
                value=f"{number_text(rate / 1e6)} Mbit/s",
                label=f"{whose}bit rate",
                detail=hour_gb_text(rate),
            )
        )
    if name in encode:
        cell, estimate = encode[name]
        threads = count_text(cell.thread_count, "thread")
        speed = _key(estimate, f"{whose}encode speed, {threads}", "fps")
        hour = encode_time_text(estimate.point, manifest)
        detail = "; ".join(text for text in (hour, speed.detail) if text)
        numbers.append(speed.model_copy(update={"detail": detail}))
    return tuple(numbers)


def _key(estimate: Estimate, label: str, unit: str) -> KeyNumber:
    half = estimate.half_width
    detail = estimate.withheld
    if estimate.low is not None and estimate.high is not None:
        low, high = (number_text(end, half_width=half) for end in (estimate.low, estimate.high))
        detail = f"{estimate.confidence_level * 100:g} % interval {low} to {high}"
    value = f"{number_text(estimate.point, half_width=half)} {unit}"
    return KeyNumber(value=value, label=label, detail=detail)

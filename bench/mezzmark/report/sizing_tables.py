"""The answer of sizing in detail, as tables."""

import math
from typing import Final

from mezzmark.decide.sizing_words import in_table_order, wanted_percent_text, wanted_text
from mezzmark.decide.wording import (
    estimate_text,
    number_text,
    shown_name,
    shown_unit,
    visible_text,
)
from mezzmark.facts.encoding import ORIGINAL
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.shop import Shop
from mezzmark.facts.sizing import SIZING_FIGURES, EncodingSizing, SizingResult
from mezzmark.report.sizing_summary import CANNOT_KEEP_UP, in_time_percent
from mezzmark.report.tables import DASH, Entry, Table, counted, measured

_WHOLE_UNITS: Final = ("editors", "moves", "machines")
_MEANINGS: Final = {"utilisation": "share of 24 h that ingest takes"}
"""Shorter than the figure's meaning where the row's value says the rest."""

NEVER_READY: Final = "never ready"
NEVER: Final = {"moves": "never", "machines": "no number is enough"}
"""What is said of a figure without end: a wait that grows from day to day, or a number that no
effort reaches. Waits are `never ready`."""


def sizing_tables(result: SizingResult) -> tuple[Table, ...]:
    """The answer of sizing in detail: one row per figure, other machines where the shop asks for
    them, and every assumption."""
    tables = (_figures_table(result), _machines_table(result), _assumptions_table(result))
    return tuple(table for table in tables if table.rows)


def _sized(estimate: Estimate | None) -> Entry:
    """An estimate whose point or ends may be infinite. Editors, moves and machines are whole."""
    if estimate is None:
        return measured(estimate)
    is_whole = estimate.unit in _WHOLE_UNITS
    ends = [end for end in (estimate.low, estimate.high) if end is not None]
    if not is_whole and all(map(math.isfinite, (estimate.point, *ends))):
        return measured(estimate)
    point, *texts = (_end_text(value, estimate.unit) for value in (estimate.point, *ends))
    unit = f" {shown_unit(estimate.unit)}" if math.isfinite(estimate.point) and not is_whole else ""
    # Where nothing is finite the interval would say the same three times.
    interval = f" [{', '.join(texts)}]" if texts and {point, *texts} != {point} else ""
    return Entry(text=f"{point}{unit}{interval}", sort=estimate.point)


def _end_text(value: float, unit: str) -> str:
    if not math.isfinite(value):
        return NEVER.get(unit, NEVER_READY)
    return f"{value:,.0f}" if unit in _WHOLE_UNITS else number_text(value)


def _percent(share: Estimate) -> Entry:
    low, high = (None if end is None else 100 * end for end in (share.low, share.high))
    update = {"point": 100 * share.point, "low": low, "high": high, "unit": "%"}
    return measured(share.model_copy(update=update))


def _busy(found: EncodingSizing) -> Entry:
    """The share of the day, or what it means that a day is too short."""
    busy = found.figures.get("utilisation")
    if busy is None:
        return Entry(text=DASH)
    if found.keeps_up == "yes":
        return _percent(busy)
    doubt = {"no": CANNOT_KEEP_UP, "cannot tell": "may not keep up"}.get(found.keeps_up, "")
    return Entry(text=f"{doubt}: {estimate_text(busy, with_unit=False)} days", sort=busy.point)


def _figure(found: EncodingSizing, figure: str) -> Entry:
    if figure == "utilisation":
        return _busy(found)
    estimate = found.figures.get(figure)
    return _percent(estimate) if estimate and figure == "late_cards" else _sized(estimate)


def _ready(found: EncodingSizing, shop: Shop) -> Entry:
    """`yes: 99.8 % in time [99.1, 100] (95 % wanted)`."""
    late = found.figures.get("late_cards")
    if found.encoding == ORIGINAL or late is None:
        return Entry(text=found.meets_deadline)
    if found.keeps_up == "no":
        return Entry(text=f"{found.meets_deadline}: {CANNOT_KEEP_UP}")
    point, _, interval = estimate_text(in_time_percent(late)).partition(" [")
    shown = f"{point} in time" + (f" [{interval}" if interval else "")
    return Entry(text=f"{found.meets_deadline}: {shown} ({wanted_percent_text(shop)} wanted)")


def _figures_table(result: SizingResult) -> Table:
    encodings = in_table_order(result.encodings)
    rows = [
        (Entry(text=_MEANINGS.get(figure, meaning)), *(_figure(f, figure) for f in encodings))
        for figure, (_, meaning) in SIZING_FIGURES.items()
        if any(figure in found.figures for found in encodings)
    ]
    rows += [
        (Entry(text="ready in time"), *(_ready(found, result.shop) for found in encodings)),
        (
            Entry(text="pays off by waiting less"),
            *(Entry(text=DASH if f.encoding == ORIGINAL else f.pays_off) for f in encodings),
        ),
        (
            Entry(text="ingest speed taken from"),
            *(Entry(text=visible_text(found.rate_source) or DASH) for found in encodings),
        ),
        (
            Entry(text="editors limited by"),
            *(Entry(text=found.limited_by or DASH) for found in encodings),
        ),
    ]
    return Table(
        table_id="sizing",
        title=f"What each encoding asks of {shown_name(result.shop.name)}",
        note=(
            f"{result.confidence_level * 100:g} % intervals in brackets, from "
            f"{result.draw_count:,} draws of the measured ones. In time: "
            f"{wanted_text(result.shop)}."
        ),
        columns=("figure", *(shown_name(found.encoding) for found in encodings)),
        rows=tuple(rows),
    )


def _machines_table(result: SizingResult) -> Table:
    return Table(
        table_id="machines",
        title="Ingest on other machines",
        note=(
            f"Cores like those measured (there are {result.measured_core_count}), by the "
            "scaling law of the grid."
        ),
        columns=("encoding", "cores", "hours a day", "ready in time", "warning"),
        rows=tuple(
            (
                Entry(text=shown_name(found.encoding)),
                counted(prediction.core_count),
                _sized(prediction.ingest_hours_per_day),
                Entry(text=prediction.meets_deadline),
                Entry(text=prediction.warning or DASH),
            )
            for found in in_table_order(result.encodings)
            for prediction in found.on_other_machines
        ),
        texts=(0, 3, 4),
    )


def _assumptions_table(result: SizingResult) -> Table:
    return Table(
        table_id="assumptions",
        title="What it rests on",
        note="Every value can be set in the shop file.",
        columns=("key", "value", "from", "meaning"),
        rows=tuple(
            (
                Entry(text=assumption.name),
                Entry(text=assumption.value),
                Entry(text="default" if assumption.is_default else "given"),
                Entry(text=assumption.meaning),
            )
            for assumption in result.assumptions
        ),
        texts=(0, 1, 2, 3),
    )

"""The answer of sizing as tables."""

import math
from typing import Final

from mezzmark.decide.wording import number_text, shown_name, shown_unit
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.sizing import SIZING_FIGURES, SizingResult
from mezzmark.report.tables import DASH, Entry, Table, counted, measured

_WHOLE_UNITS: Final = ("editors", "moves")

NO_END: Final = "no end"
"""What is said of a wait that grows from day to day."""


def _sized(estimate: Estimate | None) -> Entry:
    """An estimate whose point or upper end may have no end: a queue that grows for ever. Editors
    and moves are whole."""
    if estimate is not None and estimate.unit in _WHOLE_UNITS and math.isfinite(estimate.point):
        ends = (estimate.low, estimate.high)
        texts = [f"{end:,.0f}" if math.isfinite(end) else NO_END for end in ends if end is not None]
        interval = f" [{', '.join(texts)}]" if texts else ""
        return Entry(text=f"{estimate.point:,.0f}{interval}", sort=estimate.point)
    if estimate is None or (estimate.high is not None and math.isfinite(estimate.high)):
        return measured(estimate)
    if not math.isfinite(estimate.point):
        return Entry(text=NO_END, sort=estimate.point)
    if estimate.low is None:
        return measured(estimate)
    low = number_text(estimate.low)
    return Entry(
        text=f"{number_text(estimate.point)} {shown_unit(estimate.unit)} [{low}, {NO_END}]",
        sort=estimate.point,
    )


def sizing_tables(result: SizingResult) -> tuple[Table, ...]:
    """The answer of sizing as tables: one row per figure, other machines where the shop asks for
    them, and every assumption."""
    tables = (_figures_table(result), _machines_table(result), _assumptions_table(result))
    return tuple(table for table in tables if table.rows)


def _figures_table(result: SizingResult) -> Table:
    rows = [
        (Entry(text=meaning), *(_sized(found.figures.get(figure)) for found in result.encodings))
        for figure, (_, meaning) in SIZING_FIGURES.items()
        if any(figure in found.figures for found in result.encodings)
    ]
    rows += [
        (Entry(text=label), *(Entry(text=getattr(found, claim)) for found in result.encodings))
        for label, claim in (
            ("every card ready in time", "meets_deadline"),
            ("pays off by waiting less", "pays_off"),
        )
    ]
    return Table(
        table_id="sizing",
        title=f"What each encoding asks of {shown_name(result.shop.name)}",
        note=(
            f"{result.confidence_level * 100:g} % intervals in brackets, from "
            f"{result.draw_count:,} draws of the measured ones."
        ),
        columns=("figure", *(shown_name(found.encoding) for found in result.encodings)),
        rows=tuple(rows),
    )


def _machines_table(result: SizingResult) -> Table:
    return Table(
        table_id="machines",
        title="Ingest hours a day on other machines",
        note=(
            f"Cores like those measured (there are {result.measured_core_count}), by the "
            "scaling law of the grid."
        ),
        columns=("encoding", "cores", "hours a day", "warning"),
        rows=tuple(
            (
                Entry(text=shown_name(found.encoding)),
                counted(prediction.core_count),
                _sized(prediction.ingest_hours_per_day),
                Entry(text=prediction.warning or DASH),
            )
            for found in result.encodings
            for prediction in found.on_other_machines
        ),
        texts=(0, 3),
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

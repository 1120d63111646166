"""The answer of sizing as tables."""

import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import Final

from mezzmark.decide.size.over_hosts import FleetMakespan
from mezzmark.decide.size.result import SIZED, SIZING_FIGURES, EncodingSizing, SizingResult, held
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import text_of
from mezzmark.report.prose import size as words
from mezzmark.report.prose.numbers import estimate_parts, number_text, shown_name, shown_unit
from mezzmark.report.prose.size import hosts_words, size_unit
from mezzmark.report.prose.table_notes import NOTES, sizing_note
from mezzmark.report.tables.table import Column, Content, Entry, Table, bare, filled, tabulate

_WHOLE_UNITS: Final = ("editors", "moves", "machines")
_NEVER: Final = {"moves": "never", "machines": "no number is enough"}
"""Of a figure without end: a wait that grows, a number never reached. Waits are `never ready`."""


def sizing_summary(result: SizingResult) -> Table:
    """An encoding a row, those in time first, then by storage; each figure with its interval."""
    factor, unit, _ = size_unit(result.encodings)
    decoded = partial(_sized, figure="editors_decoded")
    is_decoded = any(map(decoded, result.encodings))
    return tabulate(
        words.in_table_order(result.encodings),
        Column("encoding", lambda f: f.encoding, "left"),
        Column("ingest, h a day", lambda f: _sized(f, "ingest_hours_per_day", bare)),
        Column("ready in time", _ready),
        Column(
            f"storage, {unit}",
            lambda f: _sized(f, "storage_tb", lambda e: bare(e.scaled(factor, ""))),
        ),
        Column("editors carried", lambda f: _sized(f, "editors_carried")),
        *([Column("one machine decodes for", decoded)] if is_decoded else []),
        Column("pays off", _pays_off),
        table_id="size",
    )


@text_of.register
def sizing_text(result: SizingResult) -> str:
    """The answer and its table as plain text."""
    return "\n".join((*words.sizing_sentences(result), "", str(sizing_summary(result))))


def _sized(
    found: EncodingSizing,
    figure: str,
    shown: Callable[[Estimate], Entry | None] = lambda e: Entry(*estimate_parts(e), sort=e.point),
) -> Entry | None:
    """A figure; without interval where it is known exactly or was the same in every draw. Editors,
    moves and machines are whole numbers, and a wait may have no end."""
    if (estimate := found.figures.get(figure)) is None:
        return None
    estimate = held(estimate) if figure in SIZED else estimate
    least = "at least " * estimate.is_least
    if estimate.low is None or estimate.high is None or estimate.low == estimate.high:
        estimate = estimate.model_copy(update={"low": None, "high": None})
    values = [v for v in (estimate.point, estimate.low, estimate.high) if v is not None]
    if estimate.unit not in _WHOLE_UNITS and all(map(math.isfinite, values)):
        return shown(estimate)
    point, *ends = (_end_text(value, estimate.unit) for value in values)
    unit = "" if estimate.unit in _WHOLE_UNITS else f" {shown_unit(estimate.unit)}"
    tail = unit if math.isfinite(estimate.point) else ""
    # Where nothing is finite the interval would say the same three times.
    more = " or more" * estimate.is_least
    interval = f"[{', '.join(ends)}{more}]" if {*ends} - {point} else ""
    return Entry(f"{least}{point}{tail}", interval, sort=estimate.point)


def _end_text(value: float, unit: str) -> str:
    if not math.isfinite(value):
        return _NEVER.get(unit, "never ready")
    return f"{value:,.0f}" if unit in _WHOLE_UNITS else number_text(value)


def _ready(found: EncodingSizing) -> Entry:
    """The answer with the share of cards in time; a share of no cards is put into words."""
    if found.encoding == ORIGINAL:
        return Entry("yes:", "no ingest")
    share = _sized(found, "late_cards", lambda e: bare(e.map(lambda late: 100 * (1 - late), "%")))
    if share is None:
        return Entry(found.meets_deadline)
    if found.keeps_up == "no":
        return Entry(f"{found.meets_deadline}:", "cannot keep up")
    if found.meets_deadline == "cannot tell":
        return Entry(found.meets_deadline, f"{share.interval} %" if share.interval else "")
    return Entry(f"{found.meets_deadline}: {share.point} %", share.interval)


def _pays_off(found: EncodingSizing) -> Content:
    return None if found.encoding == ORIGINAL else found.pays_off


def sizing_details(result: SizingResult) -> tuple[Table, ...]:
    """Every figure of each encoding, other machines if the shop asks for them, every assumption."""
    return filled(_figures_table(result), _machines_table(result), _assumptions_table(result))


def _figures_table(result: SizingResult) -> Table:
    encodings = words.in_table_order(result.encodings)
    figures = [name for name in SIZING_FIGURES if any(name in f.figures for f in encodings)]
    shown: dict[str, Callable[[EncodingSizing], Content]] = {
        "utilisation": _busy,
        "late_cards": partial(_sized, figure="late_cards", shown=_share),
        "editors_decoded": lambda f: _sized(f, "editors_decoded") or "not measured",
    }
    meanings = {"utilisation": "share of 24 h that ingest takes"}  # its cell says the rest
    columns: list[Column[EncodingSizing]] = [
        Column(
            meanings.get(name, words.FIGURE_MEANINGS[name]),
            shown.get(name, partial(_sized, figure=name)),
        )
        for name in figures
    ]
    return tabulate(
        encodings,
        Column("encoding", lambda f: f.encoding, "left"),
        *columns,
        Column(f"ready in time ({words.wanted_percent_text(result.shop)} wanted)", _ready),
        Column("pays off by waiting less", _pays_off),
        Column(
            "ingest speed taken from",
            lambda f: words.rate_source_text(f.rate_source) if f.rate_source else None,
        ),
        Column("editors limited by", lambda f: f.limited_by),
        Column("decoding taken from", lambda f: f.played_in),
        table_id="sizing",
        title=f"What each encoding asks of {shown_name(result.shop.name)}",
        note=sizing_note(result),
    )


def _share(estimate: Estimate) -> Entry:
    return Entry(*estimate_parts(estimate.scaled(100, "%")), sort=estimate.point)


def _busy(found: EncodingSizing) -> Entry | None:
    """The share of the day, or what it means that a day is too short."""
    busy = found.figures.get("utilisation")
    if busy is None:
        return None
    if found.keeps_up == "yes":
        return _share(busy)
    doubt = {"no": "cannot keep up", "cannot tell": "may not keep up"}.get(found.keeps_up, "")
    point, interval = estimate_parts(busy, with_unit=False)
    answer = f"{doubt}: {words.bound_words(found)}{point}"
    return Entry(answer, f"{interval} days".strip(), sort=busy.point)


def _machines_table(result: SizingResult) -> Table:
    return tabulate(
        [(one, p) for one in words.in_table_order(result.encodings) for p in one.on_other_machines],
        Column("encoding", lambda r: r[0].encoding, "left"),
        Column("cores", lambda r: r[1].core_count),
        Column("hours a day", lambda r: r[1].ingest_hours_per_day),
        Column("ready in time", lambda r: r[1].meets_deadline, "left"),
        Column("warning", lambda r: words.prediction_note(r[1]), "left", is_long=True),
        table_id="machines",
        title="Ingest on other machines",
        note=NOTES["machines"].format(cores=result.measured_core_count),
    )


def _assumptions_table(result: SizingResult) -> Table:
    return tabulate(
        result.assumptions,
        Column("key", lambda a: a.name, "left"),
        Column("value", lambda a: a.value, "left"),
        Column("from", lambda a: "default" if a.is_default else "given", "left"),
        Column("meaning", lambda a: a.meaning, "left", is_long=True),
        table_id="assumptions",
        title="What it rests on",
        note=NOTES["assumptions"],
    )


def makespan_tables(found: Sequence[FleetMakespan]) -> tuple[Table, ...]:
    """A folder over hosts together and alone, and what one more like each there is would bring."""
    shared: list[Column[FleetMakespan]] = [Column("order", lambda f: f.clip_order, "left")]
    if any(one.storage for one in found):
        shared.append(Column("over", lambda f: f.storage, "left"))
    to: Column[FleetMakespan] = Column("to", lambda f: f.encoding, "left")
    predicted: Column[FleetMakespan] = Column("predicted", lambda f: f.predicted)
    over_hosts = tabulate(
        [one for one in found if not one.more],
        *(to, Column("hosts", hosts_words, "left", is_long=True), *shared),
        *(Column("makespan", lambda f: f.measured), predicted),
        Column("predicted / measured", lambda f: bare(f.miss_ratio)),
        table_id="makespans",
        title="The folder over the hosts",
    )
    with_more = tabulate(
        [one for one in found if one.more],
        *(to, Column("one more like", lambda f: f.more, "left"), *shared, predicted),
        Column("of the time without", lambda f: bare(f.time_ratio)),
        table_id="further-hosts",
        title="With one machine more",
    )
    return filled(over_hosts, with_more)

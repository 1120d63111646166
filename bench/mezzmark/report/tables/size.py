"""The answer of sizing as tables, and the notes below them."""

import math
from collections.abc import Callable, Sequence
from functools import partial
from statistics import median
from typing import Final

from mezzmark.decide.size.result import SIZING_FIGURES, EncodingSizing, SizingResult
from mezzmark.decide.size.sizing import planned_link_mb_per_s
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.shop import Shop
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_parts,
    estimate_text,
    list_text,
    number_text,
    shown_name,
    shown_unit,
    withheld_text,
)
from mezzmark.report.prose.size import (
    FIGURE_MEANINGS,
    NOTES,
    camera_notes,
    in_table_order,
    prediction_note,
    rate_source_text,
    wanted_percent_text,
    wanted_text,
)
from mezzmark.report.tables.table import Column, Content, Entry, Table, bare, filled, tabulate

_SIZE_UNITS: Final = ((1e-3, "PB", "10¹⁵"), (1.0, "TB", "10¹²"), (1e3, "GB", "10⁹"))
"""Factor from TB, unit, and its bytes."""

_ANSWERING: Final = ("late_cards", "storage_tb", "wait_balance_min_per_day")
"""Figures that the table and its answers rest on."""

CANNOT_KEEP_UP: Final = "cannot keep up"
_WHOLE_UNITS: Final = ("editors", "moves", "machines")
NEVER_READY: Final = "never ready"
NEVER: Final = {"moves": "never", "machines": "no number is enough"}
"""What is said of a figure without end: a wait that grows from day to day, or a number that no
effort reaches. Waits are `never ready`."""


def sizing_summary(result: SizingResult) -> Table:
    """An encoding a row, those in time first, then by storage; each figure with its interval."""
    factor, unit, _ = _size_unit(result.encodings)
    return tabulate(
        in_table_order(result.encodings),
        [
            Column("encoding", lambda f: f.encoding, "left"),
            Column("ingest, h a day", lambda f: _sized(f, "ingest_hours_per_day", bare)),
            Column("ready in time", _ready),
            Column(
                f"storage, {unit}",
                lambda f: _sized(f, "storage_tb", lambda e: bare(_mapped(e, factor.__mul__, ""))),
            ),
            Column("editors carried", lambda f: _sized(f, "editors_carried")),
            Column("pays off", _pays_off),
        ],
        table_id="size",
        title="",
    )


def _size_unit(encodings: Sequence[EncodingSizing]) -> tuple[float, str, str]:
    """The largest unit in which at least half of the sizes are 1 or more."""
    sizes = [f.figures["storage_tb"].point for f in encodings if "storage_tb" in f.figures]
    middle = median(sizes) if sizes else 1.0
    return next((unit for unit in _SIZE_UNITS if middle * unit[0] >= 1), _SIZE_UNITS[-1])


def _mapped(estimate: Estimate, change: Callable[[float], float], unit: str) -> Estimate:
    """The estimate of a figure that rises or falls with this one."""
    low, high = estimate.low, estimate.high
    ends = () if low is None or high is None else sorted((change(low), change(high)))
    update = {"point": change(estimate.point), "unit": unit}
    return estimate.model_copy(update=update | dict(zip(("low", "high"), ends, strict=False)))


def _percent(share: Estimate) -> Estimate:
    return _mapped(share, lambda value: 100 * value, "%")


def _sized(
    found: EncodingSizing,
    figure: str,
    shown: Callable[[Estimate], Entry | None] = lambda e: Entry(*estimate_parts(e), sort=e.point),
) -> Entry | None:
    """A figure; without interval where it is known exactly or was the same in every draw. Editors,
    moves and machines are whole numbers, and a wait may have no end."""
    estimate = found.figures.get(figure)
    if estimate is None:
        return None
    if estimate.low is None or estimate.high is None or estimate.low == estimate.high:
        estimate = estimate.model_copy(update={"low": None, "high": None})
    values = [v for v in (estimate.point, estimate.low, estimate.high) if v is not None]
    if estimate.unit not in _WHOLE_UNITS and all(map(math.isfinite, values)):
        return shown(estimate)
    point, *ends = (_end_text(value, estimate.unit) for value in values)
    unit = "" if estimate.unit in _WHOLE_UNITS else f" {shown_unit(estimate.unit)}"
    tail = unit if math.isfinite(estimate.point) else ""
    # Where nothing is finite the interval would say the same three times.
    interval = f"[{', '.join(ends)}]" if {*ends} - {point} else ""
    return Entry(f"{point}{tail}", interval, sort=estimate.point)


def _end_text(value: float, unit: str) -> str:
    if not math.isfinite(value):
        return NEVER.get(unit, NEVER_READY)
    return f"{value:,.0f}" if unit in _WHOLE_UNITS else number_text(value)


def _ready(found: EncodingSizing) -> Entry:
    """The answer with the share of cards in time; a share of no cards is put into words."""
    if found.encoding == ORIGINAL:
        return Entry("yes:", "no ingest")
    share = _sized(
        found, "late_cards", lambda e: bare(_mapped(e, lambda late: 100 * (1 - late), "%"))
    )
    if share is None:
        return Entry(found.meets_deadline)
    if found.keeps_up == "no":
        return Entry(f"{found.meets_deadline}:", CANNOT_KEEP_UP)
    if found.meets_deadline == "cannot tell":
        return Entry(found.meets_deadline, f"{share.interval} %" if share.interval else "")
    return Entry(f"{found.meets_deadline}: {share.point} %", share.interval)


def _pays_off(found: EncodingSizing) -> Content:
    return None if found.encoding == ORIGINAL else found.pays_off


def _columns_in_words(result: SizingResult) -> str:
    shop = result.shop
    _, unit, size = _size_unit(result.encodings)
    machines = "" if shop.ingest_machines == 1 else f" by {shop.ingest_machines} machines together"
    limit = min(planned_link_mb_per_s(shop), shop.array_mb_per_s)
    limiter = "link" if planned_link_mb_per_s(shop) <= shop.array_mb_per_s else "storage array"
    return (
        f"Ingest: hours of work{machines} for a shooting day's footage, of the 24 h of a day. "
        f"In time: {wanted_text(shop)}. "
        f"Storage: {count_text(shop.retention_days, 'shooting day')} kept, with "
        f"{_copies_text(shop)}. 1 {unit} = {size} bytes. "
        f"Editors: playing {count_text(shop.streams_per_editor, 'stream')} each; the {limiter} is "
        f"the limit, with {number_text(limit)} MB/s to plan for. "
        "Pays off: an editor saves more waiting in the timeline than ingest adds. "
        f"Brackets: {result.confidence_level * 100:g} % intervals."
    )


def _copies_text(shop: Shop) -> str:
    copies, originals = (
        "1 copy" if count == 1 else f"{count} copies"
        for count in (shop.copies, shop.original_copies)
    )
    return f"{copies} of each intermediate and {originals} of each original"


def sizing_notes(result: SizingResult) -> tuple[str, ...]:
    """What a reader must know beside the summary, each note once."""
    return (
        _columns_in_words(result),
        *_keeping_up(result.encodings),
        *_too_few_editors(result),
        *_shared_notes(result.encodings),
        *camera_notes(result),
        _assumptions_in_words(result),
    )


def _shared_notes(encodings: Sequence[EncodingSizing]) -> list[str]:
    """Each note once, with the intermediates it holds for; the originals' row says all of them."""
    by_note: dict[str, list[str]] = {}
    asked = [found for found in encodings if found.encoding != ORIGINAL]
    for found in asked:
        estimates = (found.figures[name] for name in _ANSWERING if name in found.figures)
        reasons = (withheld_text((reason,)) for e in estimates for reason in e.withheld)
        for note in dict.fromkeys((*(NOTES[kind] for kind in found.notes), *reasons)):
            by_note.setdefault(note, []).append(found.encoding)
    return [
        f"{note} ({'every intermediate' if len(n) == len(asked) > 1 else list_text(n, limit=6)})"
        for note, n in by_note.items()
    ]


def _keeping_up(encodings: Sequence[EncodingSizing]) -> list[str]:
    """How far behind each one falls that does not keep up, or may not."""
    lines = []
    for answer, words in (("no", "Cannot keep up"), ("cannot tell", "May not keep up")):
        takes = [
            f"{shown_name(f.encoding)} {estimate_text(f.figures['utilisation'])}"
            for f in in_table_order(encodings)
            if f.keeps_up == answer
        ]
        if takes:
            lines.append(
                f"{words}. Days of ingest, day and night, for one shooting day's footage: "
                f"{'; '.join(takes)}."
            )
    return lines


def _too_few_editors(result: SizingResult) -> list[str]:
    wanted = result.shop.editors
    names: dict[str, list[str]] = {"do not": [], "may not": []}
    for found in in_table_order(result.encodings):
        carried = found.figures.get("editors_carried")
        if carried is None:
            continue
        low = carried.point if carried.low is None else carried.low
        if carried.high is not None and carried.high < wanted:
            names["do not"].append(found.encoding)
        elif low < wanted:
            names["may not"].append(found.encoding)
    return [
        f"Storage array and link {verb} carry your {count_text(wanted, 'editor')} with "
        f"{list_text(which, limit=6)}."
        for verb, which in names.items()
        if which
    ]


def _assumptions_in_words(result: SizingResult) -> str:
    defaults = sum(assumption.is_default for assumption in result.assumptions)
    count = count_text(len(result.assumptions), "assumption")
    said = "none of them a default" if not defaults else f"{defaults} of them defaults, not yours"
    return f"It rests on {count}, {said}. --detail lists them, with all figures of each encoding."


def sizing_details(result: SizingResult) -> tuple[Table, ...]:
    """Every figure of each encoding, other machines where the shop asks for them, and every
    assumption."""
    return filled(_figures_table(result), _machines_table(result), _assumptions_table(result))


def _figures_table(result: SizingResult) -> Table:
    encodings = in_table_order(result.encodings)
    figures = [name for name in SIZING_FIGURES if any(name in f.figures for f in encodings)]
    shown: dict[str, Callable[[EncodingSizing], Content]] = {
        "utilisation": _busy,
        "late_cards": partial(_sized, figure="late_cards", shown=_share),
    }
    meanings = {"utilisation": "share of 24 h that ingest takes"}  # its cell says the rest
    columns: list[Column[EncodingSizing]] = [
        Column(
            meanings.get(name, FIGURE_MEANINGS[name]),
            shown.get(name, partial(_sized, figure=name)),
        )
        for name in figures
    ]
    return tabulate(
        encodings,
        [
            Column("encoding", lambda f: f.encoding, "left"),
            *columns,
            Column(f"ready in time ({wanted_percent_text(result.shop)} wanted)", _ready),
            Column("pays off by waiting less", _pays_off),
            Column("ingest speed taken from", _rate_source),
            Column("editors limited by", lambda f: f.limited_by),
        ],
        table_id="sizing",
        title=f"What each encoding asks of {shown_name(result.shop.name)}",
        note=(
            f"{result.confidence_level * 100:g} % intervals in brackets, from "
            f"{result.draw_count:,} draws of the measured ones. In time: "
            f"{wanted_text(result.shop)}."
        ),
    )


def _rate_source(found: EncodingSizing) -> str | None:
    return None if found.rate_source is None else rate_source_text(found.rate_source)


def _share(estimate: Estimate) -> Entry:
    return Entry(*estimate_parts(_percent(estimate)), sort=estimate.point)


def _busy(found: EncodingSizing) -> Entry | None:
    """The share of the day, or what it means that a day is too short."""
    busy = found.figures.get("utilisation")
    if busy is None:
        return None
    if found.keeps_up == "yes":
        return _share(busy)
    doubt = {"no": CANNOT_KEEP_UP, "cannot tell": "may not keep up"}.get(found.keeps_up, "")
    point, interval = estimate_parts(busy, with_unit=False)
    return Entry(f"{doubt}: {point}", f"{interval} days".strip(), sort=busy.point)


def _machines_table(result: SizingResult) -> Table:
    predictions = [
        (found, prediction)
        for found in in_table_order(result.encodings)
        for prediction in found.on_other_machines
    ]
    return tabulate(
        predictions,
        [
            Column("encoding", lambda r: r[0].encoding, "left"),
            Column("cores", lambda r: r[1].core_count),
            Column("hours a day", lambda r: r[1].ingest_hours_per_day),
            Column("ready in time", lambda r: r[1].meets_deadline, "left"),
            Column("warning", lambda r: prediction_note(r[1]), "left", is_long=True),
        ],
        table_id="machines",
        title="Ingest on other machines",
        note=(
            f"Cores like those measured (there are {result.measured_core_count}), by the "
            "scaling law of the grid."
        ),
    )


def _assumptions_table(result: SizingResult) -> Table:
    return tabulate(
        result.assumptions,
        [
            Column("key", lambda a: a.name, "left"),
            Column("value", lambda a: a.value, "left"),
            Column("from", lambda a: "default" if a.is_default else "given", "left"),
            Column("meaning", lambda a: a.meaning, "left", is_long=True),
        ],
        table_id="assumptions",
        title="What it rests on",
        note="Every value can be set in the shop file.",
    )

"""The answer of sizing in detail, as tables."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from mezzmark.decide.size.result import EncodingSizing, SizingResult
from mezzmark.decide.size.streams import planned_link_mb_per_s
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.shop import Shop
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_text,
    list_text,
    number_text,
    sentence,
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
from mezzmark.report.tables.table import DASH, Entry, Table, counted, measured

_SIZE_UNITS: Final = ((1e-3, "PB", 15), (1.0, "TB", 12), (1e3, "GB", 9))
"""Factor from TB, unit, and its power of ten."""

_ANSWERING: Final = ("late_cards", "storage_tb", "wait_balance_min_per_day")

CANNOT_KEEP_UP: Final = "cannot keep up"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What is read first, and the interval or the reason that stands after or below it."""

    main: str
    below: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Headings of one or two lines, a row per encoding, what the columns mean, and notes that are
    told once."""

    headings: tuple[tuple[str, str], ...]
    rows: tuple[tuple[Cell, ...], ...]
    meanings: tuple[str, ...]
    notes: tuple[str, ...]


def summarise_sizing(result: SizingResult) -> Summary:
    """Rows in time first, then by storage; each figure with its interval."""
    factor, unit, power = _size_unit(result.encodings)
    return Summary(
        headings=(
            ("encoding", ""),
            ("ingest,", "h a day"),
            ("ready", "in time"),
            ("storage,", unit),
            ("editors", "carried"),
            ("pays off", ""),
        ),
        rows=tuple(_row(found, size_factor=factor) for found in in_table_order(result.encodings)),
        meanings=_columns_in_words(result, unit=unit, power=power),
        notes=(
            *_keeping_up(result.encodings),
            *_too_few_editors(result),
            *shared_notes(result.encodings),
            *camera_notes(result),
            _assumptions_in_words(result),
        ),
    )


def in_time_percent(late: Estimate) -> Estimate:
    """The share of cards in time, in percent, from the share of late ones."""
    return late.model_copy(
        update={
            "point": 100 * (1 - late.point),
            "low": None if late.high is None else 100 * (1 - late.high),
            "high": None if late.low is None else 100 * (1 - late.low),
            "unit": "%",
        }
    )


def shared_notes(encodings: Sequence[EncodingSizing]) -> tuple[str, ...]:
    """Each note once, with the intermediates it holds for; the originals' row says all of them."""
    by_note: dict[str, list[str]] = {}
    asked = [found for found in encodings if found.encoding != ORIGINAL]
    for found in asked:
        for note in (*(NOTES[kind] for kind in found.notes), *_missing_intervals(found)):
            by_note.setdefault(note, []).append(found.encoding)
    return tuple(f"{_whose(names, len(asked))}: {note}" for note, names in by_note.items())


def _whose(names: Sequence[str], intermediates: int) -> str:
    if len(names) == intermediates > 1:
        return "every intermediate"
    return list_text(names, limit=6)


def _missing_intervals(found: EncodingSizing) -> tuple[str, ...]:
    """Why figures that the table and its answers rest on have no interval."""
    estimates = [found.figures[name] for name in _ANSWERING if name in found.figures]
    reasons = (withheld_text((reason,)) for e in estimates for reason in e.withheld)
    return tuple(dict.fromkeys(reasons))


def _size_unit(encodings: Iterable[EncodingSizing]) -> tuple[float, str, int]:
    """The largest unit in which at least half of the sizes are 1 or more."""
    sizes = [f.figures["storage_tb"].point for f in encodings if "storage_tb" in f.figures]
    middle = median(sizes) if sizes else 1.0
    return next((unit for unit in _SIZE_UNITS if middle * unit[0] >= 1), _SIZE_UNITS[-1])


def _row(found: EncodingSizing, *, size_factor: float) -> tuple[Cell, ...]:
    storage = found.figures.get("storage_tb")
    return (
        Cell(main=found.encoding),
        _number(found.figures.get("ingest_hours_per_day")),
        _ready_cell(found),
        _number(storage if storage is None else _scaled(storage, size_factor)),
        _number(found.figures.get("editors_carried"), is_whole=True),
        Cell(main=DASH if found.encoding == ORIGINAL else found.pays_off),
    )


def _scaled(estimate: Estimate, factor: float) -> Estimate:
    low, high = (None if end is None else end * factor for end in (estimate.low, estimate.high))
    return estimate.model_copy(update={"point": estimate.point * factor, "low": low, "high": high})


def _number(estimate: Estimate | None, *, is_whole: bool = False) -> Cell:
    """An estimate; what is known exactly, or was so in every draw, needs no interval."""
    if estimate is None:
        return Cell(main=DASH)
    if estimate.low == estimate.high:
        estimate = estimate.model_copy(update={"low": None, "high": None})
    if not is_whole:
        main, _, rest = estimate_text(estimate, with_unit=False).partition(" [")
        return Cell(main=main, below=f"[{rest}" if rest else "")
    ends = [f"{end:,.0f}" for end in (estimate.low, estimate.high) if end is not None]
    return Cell(main=f"{estimate.point:,.0f}", below=f"[{', '.join(ends)}]" if ends else "")


def _ready_cell(found: EncodingSizing) -> Cell:
    """The answer with the share of cards in time; a share of no cards is put into words."""
    if found.encoding == ORIGINAL:
        return Cell(main="yes:", below="no ingest")
    late = found.figures.get("late_cards")
    if late is None:
        return Cell(main=found.meets_deadline)
    if found.keeps_up == "no":
        return Cell(main=f"{found.meets_deadline}:", below=CANNOT_KEEP_UP)
    share = _number(in_time_percent(late))
    if found.meets_deadline == "cannot tell":
        return Cell(main=found.meets_deadline, below=f"{share.below} %" if share.below else "")
    return Cell(main=f"{found.meets_deadline}: {share.main} %", below=share.below)


def _columns_in_words(result: SizingResult, *, unit: str, power: int) -> tuple[str, ...]:
    shop = result.shop
    machines = "" if shop.ingest_machines == 1 else f" by {shop.ingest_machines} machines together"
    superscript = str(power).translate(str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹"))
    limit = min(planned_link_mb_per_s(shop), shop.array_mb_per_s)
    limiter = "link" if planned_link_mb_per_s(shop) <= shop.array_mb_per_s else "storage array"
    return (
        f"Ingest: hours of work{machines} for a shooting day's footage, of the 24 h of a day.",
        f"In time: {wanted_text(shop)}.",
        f"Storage: {count_text(shop.retention_days, 'shooting day')} kept, with "
        f"{_copies_text(shop)}. 1 {unit} = 10{superscript} bytes.",
        f"Editors: playing {count_text(shop.streams_per_editor, 'stream')} each; the {limiter} is "
        f"the limit, with {number_text(limit)} MB/s to plan for.",
        "Pays off: an editor saves more waiting in the timeline than ingest adds.",
        f"Brackets: {result.confidence_level * 100:g} % intervals.",
    )


def _copies_text(shop: Shop) -> str:
    copies, originals = (
        "1 copy" if count == 1 else f"{count} copies"
        for count in (shop.copies, shop.original_copies)
    )
    return f"{copies} of each intermediate and {originals} of each original"


def _keeping_up(encodings: Sequence[EncodingSizing]) -> tuple[str, ...]:
    """How far behind each one falls that does not keep up, or may not."""
    lines = []
    for answer, words in (("no", CANNOT_KEEP_UP), ("cannot tell", "may not keep up")):
        found = [f for f in in_table_order(encodings) if f.keeps_up == answer]
        if found:
            takes = "; ".join(
                f"{shown_name(f.encoding)} {estimate_text(f.figures['utilisation'])}" for f in found
            )
            lines.append(
                f"{sentence(words)}. Days of ingest, day and night, for one shooting day's "
                f"footage: {takes}."
            )
    return tuple(lines)


def _too_few_editors(result: SizingResult) -> tuple[str, ...]:
    wanted = result.shop.editors
    surely, maybe = [], []
    for found in in_table_order(result.encodings):
        carried = found.figures.get("editors_carried")
        if carried is None:
            continue
        low = carried.point if carried.low is None else carried.low
        if carried.high is not None and carried.high < wanted:
            surely.append(found.encoding)
        elif low < wanted:
            maybe.append(found.encoding)
    lines = []
    for names, verb in ((surely, "do not"), (maybe, "may not")):
        if names:
            who = count_text(wanted, "editor")
            lines.append(
                f"Storage array and link {verb} carry your {who} with {list_text(names, limit=6)}."
            )
    return tuple(lines)


def _assumptions_in_words(result: SizingResult) -> str:
    defaults = sum(assumption.is_default for assumption in result.assumptions)
    count = count_text(len(result.assumptions), "assumption")
    said = "none of them a default" if not defaults else f"{defaults} of them defaults, not yours"
    return f"It rests on {count}, {said}. --detail lists them, with all figures of each encoding."


_WHOLE_UNITS: Final = ("editors", "moves", "machines")
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
        (Entry(text=meaning), *(_figure(f, figure) for f in encodings))
        for figure, meaning in FIGURE_MEANINGS.items()
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
            *(
                Entry(text=rate_source_text(found.rate_source) if found.rate_source else DASH)
                for found in encodings
            ),
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
                Entry(text=prediction_note(prediction) or DASH),
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

"""What a reader of the sizing summary must know beside it."""

from collections.abc import Sequence
from statistics import median
from typing import Final

from mezzmark.decide.size.over_hosts import FleetMakespan
from mezzmark.decide.size.result import CLIP_RATIO, SIZED, EncodingSizing, SizingResult
from mezzmark.decide.size.sizing import carried_by
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.shop import Shop
from mezzmark.report.prose import size as words
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_text,
    list_text,
    number_text,
    shown_name,
    withheld_text,
)

_SIZE_UNITS: Final = ((1e-3, "PB", "10¹⁵"), (1.0, "TB", "10¹²"), (1e3, "GB", "10⁹"))
"""Factor from TB, unit, and its bytes."""

_LIMITERS: Final = {"link": "link", "array": "storage array", "storage": "storage as measured"}

_ANSWERING: Final = ("late_cards", "storage_tb", "wait_balance_min_per_day")
"""Figures that the table and its answers rest on."""


_HELD: Final = f"; taken within a factor of {CLIP_RATIO:g}"


def sizing_notes(result: SizingResult) -> tuple[str, ...]:
    """What a reader must know beside the summary, each note once."""
    return (
        _columns_in_words(result),
        *_keeping_up(result.encodings),
        *_too_few_editors(result),
        *_shared_notes(result.encodings),
        *words.camera_notes(result),
        _assumptions_in_words(result),
    )


def size_unit(encodings: Sequence[EncodingSizing]) -> tuple[float, str, str]:
    """The largest unit in which at least half of the sizes are 1 or more."""
    sizes = [f.figures["storage_tb"].point for f in encodings if "storage_tb" in f.figures]
    middle = median(sizes) if sizes else 1.0
    return next((unit for unit in _SIZE_UNITS if middle * unit[0] >= 1), _SIZE_UNITS[-1])


def _columns_in_words(result: SizingResult) -> str:
    shop = result.shop
    _, unit, size = size_unit(result.encodings)
    machines = "" if shop.ingest_machines == 1 else f" by {shop.ingest_machines} machines together"
    limiter, limit = carried_by(shop, result.read_mb_per_s)
    is_decoded = any("editors_decoded" in found.figures for found in result.encodings)
    least = ", or decoding by one machine like this where that carries fewer"
    decoding = least if is_decoded else "; decoding was not measured"
    return (
        f"Ingest: hours of work{machines} for a shooting day's footage, of the 24 h of a day. "
        f"In time: {words.wanted_text(shop)}. "
        f"Storage: {count_text(shop.retention_days, 'shooting day')} kept, with "
        f"{_copies_text(shop)}. 1 {unit} = {size} bytes. "
        f"Editors: playing {count_text(shop.streams_per_editor, 'stream')} each; the "
        f"{_LIMITERS[limiter]} is the limit, with {number_text(limit)} MB/s to plan for{decoding}. "
        "Pays off: an editor saves more waiting in the timeline than ingest adds. "
        f"Brackets: {result.confidence_level * 100:g} % intervals."
    )


def _copies_text(shop: Shop) -> str:
    copies, originals = (
        "1 copy" if count == 1 else f"{count} copies"
        for count in (shop.copies, shop.original_copies)
    )
    return f"{copies} of each intermediate and {originals} of each original"


def _shared_notes(encodings: Sequence[EncodingSizing]) -> list[str]:
    """Each note once, with the intermediates it holds for; the originals' row says all of them."""
    by_note: dict[str, list[str]] = {}
    asked = [found for found in encodings if found.encoding != ORIGINAL]
    for found in asked:
        estimates = ((name, found.figures.get(name)) for name in _ANSWERING)
        reasons = (
            f"{words.FIGURE_MEANINGS[name]}: {withheld_text((reason,))}{_HELD * (name in SIZED)}"
            for name, estimate in estimates
            for reason in (estimate.withheld if estimate else ())
        )
        for note in dict.fromkeys((*(words.NOTES[kind] for kind in found.notes), *reasons)):
            by_note.setdefault(note, []).append(found.encoding)
    return [
        f"{note} ({'every intermediate' if len(n) == len(asked) > 1 else list_text(n, limit=6)})"
        for note, n in by_note.items()
    ]


def _keeping_up(encodings: Sequence[EncodingSizing]) -> list[str]:
    """How far behind each one falls that does not keep up, or may not."""
    lines = []
    for answer, verb in (("no", "Cannot keep up"), ("cannot tell", "May not keep up")):
        takes = [
            f"{shown_name(f.encoding)} {words.bound_words(f)}"
            f"{estimate_text(f.figures['utilisation'])}"
            for f in words.in_table_order(encodings)
            if f.keeps_up == answer
        ]
        if takes:
            lines.append(
                f"{verb}. Days of ingest, day and night, for one shooting day's footage: "
                f"{'; '.join(takes)}."
            )
    return lines


def _too_few_editors(result: SizingResult) -> list[str]:
    wanted = result.shop.editors
    names: dict[str, list[str]] = {"do not": [], "may not": []}
    for found in words.in_table_order(result.encodings):
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


def makespan_notes(found: Sequence[FleetMakespan]) -> tuple[str, ...]:
    """How the prediction is made, and what was not measured."""
    notes = [
        "Predicted: each clip at the speed of its host's own grid; the next clips go to whichever "
        "host is free, as many as the host's fastest split has jobs.",
        "Hosts read copies of their own, so that no measured time knows of storage or network that "
        "they share.",
    ]
    if any(one.storage for one in found):
        notes.append(
            "What they share is predicted, not measured: all originals and files pass over it "
            "once, at its full rate, divided fairly."
        )
    else:
        notes.append(
            "Name what they share: links in [ingest], or --storage with a run of [storage]."
        )
    return tuple(notes)


def hosts_words(found: FleetMakespan) -> str:
    """Who ingests: `a, b and c together`, `a alone`."""
    names = list_text(found.hosts)
    return f"{names} together" if len(found.hosts) > 1 else f"{names} alone"

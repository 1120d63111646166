"""The answer of sizing in sentences: what keeps up, what is ready in time, what pays off. Long, for
every figure, note and situation of it has its words here, once."""

import math
from collections.abc import Iterable, Mapping, Sequence
from statistics import median
from typing import Final

from mezzmark.decide.size.over_hosts import FleetMakespan
from mezzmark.decide.size.queue import MOST_MACHINES
from mezzmark.decide.size.result import (
    CLIP_RATIO,
    SIZED,
    Answer,
    CorePrediction,
    EncodingSizing,
    SizingNote,
    SizingResult,
    machines_needed,
)
from mezzmark.decide.size.sizing import (
    carried_by,
    footage_gb,
    payload_mb_per_s,
    planned_link_mb_per_s,
)
from mezzmark.decide.throughput.grid import RateSource
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.fact import grouped
from mezzmark.model.shop import Camera, Shop, list_assumptions
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_text,
    list_text,
    number_text,
    shown_name,
    slow_texts,
    visible_text,
    withheld_text,
)
from mezzmark.report.prose.terms import split_words
from mezzmark.statistics.scaling import LOUD_RANGE_RATIO

ANSWER_ORDER: Final[dict[Answer, int]] = {"yes": 0, "cannot tell": 1, "no": 2, "not measured": 3}

FIGURE_MEANINGS: Final = {
    "ingest_hours_per_day": "ingest of a shooting day's footage, all machines together",
    "utilisation": "share of 24 h that ingest takes",
    "card_wait_hours": "mean wait from a card's arrival to footage ready",
    "card_wait_p95_hours": "95 % of cards are ready within",
    "late_cards": "share of cards ready too late",
    "machines_needed": "machines like this one with which cards are in time",
    "intermediate_gb_per_day": "intermediate footage a shooting day, 10⁹ bytes",
    "storage_tb": "kept storage, 10¹² bytes, originals included",
    "storage_tib": "the same, 2⁴⁰ bytes",
    "network_mean_mb_per_s": "all editors, scrubbing and playing as assumed",
    "network_peak_mb_per_s": "all editors play all their streams",
    "editors_carried": "editors that link and array carry at the peak",
    "editors_decoded": "editors for whom one machine like this decodes at the peak",
    "cost_per_year": "cost of all that is kept, a year",
    "encode_again_days": "days of ingest to encode again what is kept, if the choice changes",
    "encode_again_tb": "intermediates that would be made again, 10¹² bytes",
    "wait_saved_min_per_day": "wait saved per editor a day against the originals",
    "wait_added_min_per_day": "wait per editor a day for cards to be ingested",
    "wait_balance_min_per_day": "saved less added: above 0 the intermediate pays off",
    "moves_to_pay_off": "playhead moves per editor a day from which it pays off",
}
"""Figure name → what it is; the order is that of tables."""

NOTES: Final[dict[SizingNote, str]] = {
    "no_ingest": "nothing to ingest: editors work on the originals",
    "rate_not_measured": "ingest speed was not measured: add an [ingest] or a [grid] table",
    "rate_of_encoding_alone": "ingest speed is that of encoding alone, an upper bound from which "
    "only a no follows: add an [ingest] table, or scrub the originals",
    "rate_predicted": (
        "ingest speed is predicted from decoding the originals and encoding, each measured"
    ),
    "rate_of_storage": "ingest is held up by writing: its speed is that of storage as measured",
    "size_not_measured": "its size was not measured",
    "reads_not_measured": "bytes read per playhead move were not measured: add a [scrub] table",
    "waits_not_measured": (
        "waits were not measured on the originals as well: add a [scrub] table and the encoding "
        '"original"'
    ),
    "slower_moves": "it never pays off by waiting less: moves take longer than on the originals",
}


_SIZE_UNITS: Final = ((1e-3, "PB", "10¹⁵"), (1.0, "TB", "10¹²"), (1e3, "GB", "10⁹"))
"""Factor from TB, unit, and its bytes."""

_LIMITERS: Final = {"link": "link", "array": "storage array", "storage": "storage as measured"}

_ANSWERING: Final = ("late_cards", "storage_tb", "wait_balance_min_per_day")
"""Figures that the table and its answers rest on."""

_HELD: Final = f"; taken within a factor of {CLIP_RATIO:g}"


def sizing_sentences(result: SizingResult) -> tuple[str, ...]:
    """The headline, then why not the others, what would help, what pays off: all from answers."""
    asked = [found for found in result.encodings if found.encoding != ORIGINAL]
    judged = [found for found in asked if found.meets_deadline != "not measured"]
    unjudged = _having(asked, "meets_deadline", "not measured")
    named = _named(result)
    if not asked:
        return ("Only the originals were measured: there is nothing to ingest.",)
    if not judged:
        headline = (
            "Whether this machine keeps up with your shop is not known: ingest speed was not "
            "measured. Add an [ingest] table and measure again."
        )
        return (headline, *named, *_pay_off(asked))
    served = result.encodings if result.named_here == ORIGINAL else asked
    return (
        *named,
        _serves(served, result),
        *_undecoded(served, result.shop),
        *_more_machines(judged, result.shop),
        *_more_cores(judged, result.measured_core_count),
        *([f"Ingest was not measured for {_names(unjudged)}."] if unjudged else []),
        *_pay_off(asked),
    )


def _named(result: SizingResult) -> list[str]:
    """Whom `choose` names here; and what the one that it names without a shop lacks."""
    alone, here = result.named_alone, result.named_here
    if here is None:
        return []
    advice, name = "Nothing meets the needs and what this shop asks for.", shown_name(here)
    if here:
        start, more = f"{name} is ahead", "; `mezzmark choose` says what is open"
        if result.is_recommended:
            start, more = f"Use {name}", ""
        advice = f"{start} by needs, wishes and what this shop asks for{more}."
    found = next((one for one in result.encodings if one.encoding == alone), None)
    if found is None or alone == here:
        return [advice]
    lacking = _lacking(found)
    fails = "fails" if found.serves == "no" else "may fail"
    why = f", which {fails} this shop in {list_text(lacking)}" if lacking else ""
    machines = found.figures.get("machines_needed")
    if machines is not None and machines.high is not None and math.isfinite(machines.high):
        why += f" (in time with {machines.high:,.0f} machines like this one)"
    return [advice, f"By needs and wishes alone it would be {shown_name(alone)}{why}."]


def _lacking(found: EncodingSizing) -> list[str]:
    """What rules it out, or else what is open."""
    claims = {"meets_deadline": "ready time", "carries": "link and array", "fits": "storage"}
    answers = ["no"] if found.serves == "no" else ["cannot tell", "not measured"]
    return [words for claim, words in claims.items() if getattr(found, claim) in answers]


def camera_notes(result: SizingResult) -> tuple[str, ...]:
    """Where cameras differ in size from the clips measured, and what was assumed."""
    return tuple(
        f'"{camera.name}" shoots {camera.width_px}×{camera.height_px}, which was not measured: '
        "ingest and size are scaled by pixels, waits are taken as measured"
        for camera in result.shop.cameras
        if camera.name in result.unmeasured_cameras
    )


def rate_source_text(source: RateSource) -> str:
    """`ingest, 2 jobs × 1 thread, fifo; slow rounds: 0 of 10 (at most 26 %)`."""
    split = split_words((source.job_count, source.thread_count))
    text = ", ".join(filter(None, (source.task, split, source.order)))
    if not source.round_count:
        return text
    slow = " ".join(slow_texts(source.slow_round_count, source.round_count))
    return f"{text}; slow rounds: {slow}"


def bound_words(found: EncodingSizing) -> str:
    """Before a time that rests on an upper bound of speed."""
    return "at least " if found.rate_source and found.rate_source.is_bound else ""


def prediction_note(prediction: CorePrediction) -> str:
    """What must be said beside a prediction for another machine; empty for a sound one."""
    measured = count_text(prediction.grid_core_count or 0, "core")
    if prediction.ingest_hours_per_day is None and prediction.is_far:
        return f"not predicted: too far beyond the {measured} measured"
    if prediction.ingest_hours_per_day is None:
        return "not measured: add a [grid] table with several jobs, and 3 rounds or more"
    if not prediction.is_far:
        return ""
    enough = math.ceil(prediction.core_count / LOUD_RANGE_RATIO)
    return f"a guess, far beyond the {measured} measured: measure a machine with {enough} or more"


def in_table_order(encodings: Iterable[EncodingSizing]) -> tuple[EncodingSizing, ...]:
    """Those in time first, then by storage; names break ties."""

    def place(found: EncodingSizing) -> tuple[int, float, str]:
        storage = found.figures.get("storage_tb")
        size = math.inf if storage is None else storage.point
        return ANSWER_ORDER[found.meets_deadline], size, found.encoding

    return tuple(sorted(encodings, key=place))


def wanted_percent_text(shop: Shop) -> str:
    """`95 %`, the share of cards that must be in time."""
    return f"{100 * (1 - shop.late_cards_fraction):.6g} %"


def wanted_text(shop: Shop) -> str:
    """`95 % of cards within 14 h of their arrival`."""
    share = f"{wanted_percent_text(shop)} of" if shop.late_cards_fraction else "all"
    return f"{share} cards within {shop.turnaround_hours:g} h of their arrival"


def _serves(asked: Sequence[EncodingSizing], result: SizingResult) -> str:
    """Who serves the shop in all it asks for, and in what the others fall short."""
    shop = result.shop
    wanted = f"{wanted_text(shop)}, {count_text(shop.editors, 'editor')} carried by link and array"
    if shop.most_storage_tb is not None or shop.most_cost_per_year is not None:
        wanted += ", storage within its limits"
    found = _having(asked, "serves", "yes")
    others = [one for one in in_table_order(asked) if one not in found]
    others.sort(key=lambda one: (one.serves == "no", len(_lacking(one))))
    short_of = grouped(
        (("short of it" if f.serves == "no" else "open", *_lacking(f)), f.encoding) for f in others
    )
    rest = "; ".join(
        f"{list_text(who, limit=6)}, {verb} in {list_text(what)}"
        for (verb, *what), who in short_of.items()
    )
    if found:
        start = f"Serves your shop in all it asks for ({wanted}): {_names(found)}."
        return f"{start} Others: {rest}." if rest else start
    surely = "surely " if _having(asked, "serves", "cannot tell") else ""
    who_none = "Nothing" if any(one.encoding == ORIGINAL for one in asked) else "No intermediate"
    return f"{who_none} {surely}serves your shop in all it asks for ({wanted}): {rest}."


def _undecoded(asked: Sequence[EncodingSizing], shop: Shop) -> list[str]:
    """Whom one machine decodes too slowly for a single editor, though else they may serve."""
    decoded = [
        (found, editors)
        for found in asked
        if found.serves != "no" and (editors := found.figures.get("editors_decoded")) is not None
    ]
    surely = [found for found, editors in decoded if editors.high is not None and editors.high < 1]
    perhaps = [
        found
        for found, editors in decoded
        if found not in surely and (editors.point if editors.low is None else editors.low) < 1
    ]
    if not (surely or perhaps):
        return []
    verb = "is" if surely else "may be"
    streams = count_text(shop.streams_per_editor, "stream")
    more = f", and may be with {_names(perhaps)}" if surely and perhaps else ""
    return [
        f"Decoding is not part of that: on one machine like this it {verb} slower than one "
        f"editor plays ({streams}) with {_names(surely or perhaps)}{more}."
    ]


def _more_machines(judged: Sequence[EncodingSizing], shop: Shop) -> list[str]:
    """With how many machines the others would be in time, the slow end of the speed included."""
    needed = machines_needed(in_table_order(judged), shop)
    hopeless = [found for found in judged if needed.get(found.encoding) == math.inf]
    long_cards = [found for found in hopeless if found.has_long_cards]
    others = [found for found in hopeless if not found.has_long_cards]
    texts = {
        f"No number of such machines is surely enough for {_names(long_cards)}, since one card "
        f"alone may take longer than {shop.turnaround_hours:g} h.": long_cards,
        f"Not even {MOST_MACHINES:,} such machines are surely enough for {_names(others)}.": others,
    }
    return [*machines_sentences(needed), *(text for text, whom in texts.items() if whom)]


def machines_sentences(needed: Mapping[str, float]) -> list[str]:
    """Who is in time with how many machines; none where no number is enough for any."""
    by_count = grouped((n, name) for name, n in needed.items() if math.isfinite(n))
    enough = [f"{list_text(who, limit=6)} with {n:,.0f}" for n, who in sorted(by_count.items())]
    return [f"In time with more machines like this one: {'; '.join(enough)}."] if enough else []


def _more_cores(judged: Sequence[EncodingSizing], measured_core_count: int) -> list[str]:
    """The fewest of the shop's core counts on which the others would be in time."""
    by_count: dict[int, list[EncodingSizing]] = {}
    is_far = False
    for found in judged:
        enough = [
            machine
            for machine in found.on_other_machines
            if machine.meets_deadline == "yes" and machine.core_count > measured_core_count
        ]
        if found.meets_deadline != "yes" and enough:
            fewest = min(enough, key=lambda machine: machine.core_count)
            by_count.setdefault(fewest.core_count, []).append(found)
            is_far |= fewest.is_far
    shown = "; ".join(f"{_names(found)} on {count}" for count, found in sorted(by_count.items()))
    doubt = " (in part a guess, far beyond what was measured: see --detail)" if is_far else ""
    return [f"In time on machines of more cores: {shown}{doubt}."] if by_count else []


def _pay_off(asked: Sequence[EncodingSizing]) -> list[str]:
    """Waits saved in the timeline against waits for ingest."""
    paying, losing = _having(asked, "pays_off", "yes"), _having(asked, "pays_off", "no")
    unsure = _having(asked, "pays_off", "cannot tell")
    if not (paying or losing or unsure):
        return ["Whether any pays off was not measured."]
    if not (paying or unsure):
        every = "None" if len(losing) == len(asked) else "None that was measured"
        return [f"{every} pays off: each costs more waiting than it saves."]
    return [
        *([f"Pays off (editors wait less in all): {_names(paying)}."] if paying else []),
        *([f"May pay off (these runs cannot say): {_names(unsure)}."] if unsure else []),
    ]


def _having(
    encodings: Iterable[EncodingSizing], claim: str, answer: Answer
) -> list[EncodingSizing]:
    return [found for found in encodings if getattr(found, claim) == answer]


def _names(encodings: Iterable[EncodingSizing]) -> str:
    return list_text([found.encoding for found in in_table_order(encodings)], limit=6)


def shop_lines(shop: Shop) -> tuple[str, ...]:
    """The shop's day and network as they follow from the file, and every default that it left."""
    assumptions = list_assumptions(shop)
    defaults = [assumption for assumption in assumptions if assumption.is_default]
    gigabytes = sum(map(_camera_gb, shop.cameras))
    return (
        f"{shown_name(shop.name)}: {count_text(shop.editors, 'editor')}, and a shooting day of "
        f"{shop.footage_hours_per_day:g} h of footage on "
        f"{count_text(shop.card_count_per_day, 'card')}, {number_text(gigabytes)} GB",
        *(_camera_line(camera) for camera in shop.cameras),
        f"network: {shop.link_gbps:g} Gb/s carry {number_text(payload_mb_per_s(shop))} MB/s, "
        f"{number_text(planned_link_mb_per_s(shop))} MB/s of it to plan for",
        f"storage array: delivers {number_text(shop.array_mb_per_s)} MB/s",
        f"in time: {wanted_text(shop)}",
        f"defaults, not yours: {len(defaults)} of {count_text(len(assumptions), 'value')}",
        *(
            f"  {visible_text(assumption.name)} = {visible_text(assumption.value)}"
            f"  ({assumption.meaning})"
            for assumption in defaults
        ),
        "The shop file is legal.",
    )


def _camera_gb(camera: Camera) -> float:
    return footage_gb(camera.bitrate_bps, camera.count * camera.hours_per_day)


def _camera_line(camera: Camera) -> str:
    return (
        f"camera {shown_name(camera.name)}: {camera.count} × {camera.hours_per_day:g} h a day, "
        f"{camera.width_px}×{camera.height_px} at {float(camera.frame_rate):.5g} fps, "
        f"{number_text(camera.bitrate_bps / 1e6)} Mbit/s, {number_text(_camera_gb(camera))} GB a "
        "day"
    )


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
    decoding = "; decoding was not measured"
    if any("editors_decoded" in found.figures for found in result.encodings):
        decoding = ", those decoded for by one machine like this"
    return (
        f"Ingest: hours of work{machines} for a shooting day's footage, of the 24 h of a day. "
        f"In time: {wanted_text(shop)}. "
        f"Storage: {count_text(shop.retention_days, 'shooting day')} kept, with "
        f"{_copies_text(shop)}. 1 {unit} = {size} bytes. "
        f"Editors: playing {count_text(shop.streams_per_editor, 'stream')} each; those carried are "
        f"limited by the {_LIMITERS[limiter]}, with {number_text(limit)} MB/s to plan for"
        f"{decoding}. "
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
            f"{FIGURE_MEANINGS[name]}: {withheld_text((reason,))}{_HELD * (name in SIZED)}"
            for name, estimate in estimates
            for reason in (estimate.withheld if estimate else ())
        )
        for note in dict.fromkeys((*(NOTES[kind] for kind in found.notes), *reasons)):
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
            f"{shown_name(f.encoding)} {bound_words(f)}{estimate_text(f.figures['utilisation'])}"
            for f in in_table_order(encodings)
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


def makespan_notes(found: Sequence[FleetMakespan]) -> tuple[str, ...]:
    """How the prediction is made, and what was not measured."""
    shared = "Name what they share: links in [ingest], or --storage with a run of [storage]."
    if any(one.storage for one in found):
        shared = (
            "What they share is predicted, not measured: all originals and files pass over it "
            "once, at its full rate, divided fairly."
        )
    return (
        "Predicted: each clip at the speed of its host's own grid; the next clips go to whichever "
        "host is free, as many as the host's fastest split has jobs.",
        "Hosts read copies of their own, so that no measured time knows of storage or network that "
        "they share.",
        shared,
    )


def hosts_words(found: FleetMakespan) -> str:
    """Who ingests: `a, b and c together`, `a alone`."""
    names = list_text(found.hosts)
    return f"{names} together" if len(found.hosts) > 1 else f"{names} alone"

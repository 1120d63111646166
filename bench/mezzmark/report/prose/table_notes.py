"""What stands under a table's title: how to read it."""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.choose.choice import Choice
from mezzmark.decide.estimate.ranking import Ranking
from mezzmark.decide.picture.fidelity import CLIPS_FOR_INTERVAL
from mezzmark.decide.size.result import SizingResult
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import grouped
from mezzmark.model.tasks.delivery import DeliverySettings
from mezzmark.report.prose.choice import rounds_text
from mezzmark.report.prose.numbers import count_text, number_text, withheld_text
from mezzmark.report.prose.size import wanted_text
from mezzmark.report.prose.terms import setting_words

NOTES: Final = {
    "doubts": "Each need that is missed or open: what was measured, how far that is from the "
    "limit, and the chance of meeting it. An interval is of one clip; missed is "
    "judged over all needs and clips together.",
    "tasks": "Geometric mean over common cells. What a task gains beyond the reference kernel "
    "(plain arithmetic on one core; its interval at 99 %) is not the core's plain speed.",
    "differences": "Recorded by each run.",
    "refusals": "What decides the work must be the same, or a ratio would compare different work.",
    "history levels": "Time by task, geometric mean over its common cells; above 1 is slower.",
    "history changes": "Tasks first, then cells. p is adjusted for all tasks, or for all cells.",
    "history cells": (
        "Time of the last run that has the cell against the first one; above 1 is slower."
    ),
    "tags": "Written with a small file of the chart and read back from it. Lost colour tags are "
    "guessed by every player in its own way; the last column says what that shows. Some viewers "
    "believe the tags in the coded pictures before those of the container. FFmpeg's command may "
    "carry HDR metadata where this file lost it.",
    "survives": "As measured: read back from the bench's files of your clips. Sound is decoded and "
    "held against the clip's sample for sample, sync is its first sample against the first "
    "picture, tags and timecode are what FFmpeg reads, frames are counted by decoding. By the "
    "command: what files of FFmpeg's program were seen to hold elsewhere, not read here.",
    "ladders": "Bjøntegaard deltas between codecs with four or more encodings each, from PSNR of "
    "all planes; negative bit rate means smaller files for the same PSNR.",
    "regression": "Time, later / earlier: above 1 the later run is slower. The cost ratio is of "
    "the undisturbed level; its interval decides. Intervals of all cells hold together.",
    "fleet": "Time, now / in the host's earlier runs, of the host's cell that tells most: above 1 "
    "it is slower. The interval decides; those of all cells of all hosts hold together. Detectable "
    "is the smallest slowing that shows nine times in ten, over the host's cells.",
    "encode": "Over all clips, of a typical round: the median. A round is slow where it took a "
    "tenth more time; at most how many of all may be holds with 95 % confidence. Cores busy is CPU "
    "time / wall time; memory is the peak of the clip that takes most.",
    "proofs": "Every picture is checked by the number stamped into it or by a digest of an "
    "independent decode. “Alike” fits, but another frame of the clip looks exactly the same. Only "
    "right and alike ones enter a time.",
    "failures": "A failed trial costs only itself: the run goes on.",
    "footage": "As the camera delivered it, or as a recipe made it.",
    "encodings": "The encoder and its options are FFmpeg's own words, as one would type them.",
    "assumptions": "Every value can be set in the shop file.",
    "grid": "Over all clips, of a typical round: the median; slow rounds took a tenth more time. "
    "The limit is one job of one thread times the machine's cores, or what its memory carries. "
    "Memory is that of the largest job.",
    "scaling": "σ is the share that cannot run side by side, κ what the cores cost each other. A "
    "peak is given only where the data bound it.",
    "heat": "The folder again and again for so many minutes in each trial; first and last are a "
    "fifth of that time each, over clips that were begun and done in both. The clock is the mean "
    "of each; slowings for heat are those that the system counted in all trials.",
    "decode": "Pictures in order, to memory, no view made of them; seeking and filling the "
    "decoder's pipeline stand outside. Over all clips, of a typical round: the median.",
    "scrub cells": "All rounds, also one that was stopped. Medians of a span do not add up to the "
    "median of the whole. Waiting for storage, where it was looked at, is part of locate and "
    "decode.",
    "drag cells": "Age: how long ago the hand was where the picture is; distance: frames from the "
    "hand to the picture, which also tells of pictures shown on the way (follow). An exact picture "
    "that did not come before the hand went on counts as later than that.",
    "play cells": "Without sound. Where the queue runs empty (0), playing is not sustained.",
    "streams cells": "None with more than one late picture in ten seconds, in a typical round.",
    "editors cells": "A file of each one's own; in a typical round. All players share this "
    "machine's cores: where storage is little of a picture's time beyond that number, the machine "
    "ended it.",
    "storage cells": "What the storage of the run's folder does at best, by so many processes "
    "(jobs), a file each: in a row, single reads at random places, and writing until all has "
    "reached the storage. Before a read its file is dropped from this machine's file cache, and "
    "proved to be; drives and servers keep caches of their own.",
    "encode cells": "Speed is that of a typical round: the median.",
    "ratios": "Figure: {figure.name} ({figure.unit}). Above 1 {host} is faster. Intervals of all "
    "cells of all hosts hold together.",
    "ingest": "All {clips}, decoded, converted, encoded and read back. Predicted from the grid of "
    "the same split; the miss is predicted against measured.",
    "machines": "Cores like those measured (there are {cores}), by the scaling law of the grid.",
}
"""By table; what stands in braces is filled in there."""


def ranking_note(ranking: Ranking, *, is_lead: bool) -> str:
    """How the leading setting, and with it all others, was played; and why p95 has no interval."""
    played = f"{setting_words(ranking.setting, with_pattern=False)}." if is_lead else ""
    return (played + _tail_note([e.estimates["p95_ms"] for e in ranking.entries])).lstrip()


def cells_note(task: str, tails: Sequence[Estimate]) -> str:
    """Of every cell of a task; `tails` are its p95, where it has any."""
    return NOTES.get(f"{task} cells", "") + _tail_note(tails)


def _tail_note(tails: Sequence[Estimate]) -> str:
    """Why p95 has no interval in a table, by the row that lacks least; empty where all have."""
    withheld = [reason for tail in tails if tail.low is None for reason in tail.withheld]
    if not withheld:
        return ""
    by_kind = grouped((one.kind, one) for one in sorted(withheld, key=lambda one: one.needed))
    reasons = [
        withheld_text((least,))
        + f" (other rows up to {count_text(most.needed, 'round')})" * (least.needed < most.needed)
        for least, most in ((alike[0], alike[-1]) for alike in by_kind.values())
    ]
    count = sum(tail.low is None for tail in tails)
    rows = "p95" if count == len(tails) else f"p95 of {count} of {len(tails)} rows"
    return f" {rows} has {'; '.join(reasons)}."


def choice_note(choice: Choice) -> str:
    """Of a choice's encodings."""
    brackets = f"{choice.confidence_level * 100:g} % intervals in brackets"
    is_spared = choice.leader == ORIGINAL and choice.needs
    spared = "; the original is not where it meets the needs, since nothing has to be made"
    frame = f" (waits of less than a frame, {number_text(choice.floor_ms or 0)} ms, count as one)"
    return (
        f"{'; '.join(filter(None, (brackets, rounds_text(choice))))}. An encoding is outclassed "
        "when another one that meets the needs equals or beats it in all that is wished for"
        f"{frame if any(choice.is_floored) else ''} and beats it in something"
        f"{spared if is_spared else ''}."
    )


def quality_note(clip_count: int) -> str:
    """Of picture figures from so many clips."""
    missing = CLIPS_FOR_INTERVAL - clip_count
    more = f" No intervals: they take {count_text(missing, 'clip')} more." if missing > 0 else ""
    return (
        "Of generation 1, against the clip's own frames in their own size, depth and chroma. PSNR "
        "counts all samples of all planes alike; mean of frames, then of clips. ΔE is CIEDE2000 on "
        "a BT.1886 display, at the 90th percentile of the chart's patches; below 1 it is not seen. "
        f"Of PQ and HLG it is ΔE_ITP (ITU-R BT.2124), of which 3 is about 1 of CIEDE2000.{more}"
    )


def best_note(*, has_prices: bool) -> str:
    """Of each host at its own best threads and jobs."""
    prices = " Cost per unit below 1: more for the money than the reference." if has_prices else ""
    return (
        "Frames per second at the number of threads and jobs that was fastest on that host; which "
        f"is fastest is read from the same rounds.{prices}"
    )


def delivery_note(settings: DeliverySettings | None) -> str:
    """Of exports from each encoding."""
    target = (
        f"{settings.codec} at {number_text(settings.bitrate_bps / 1e6)} Mbit/s, preset "
        f"{settings.preset}. "
        if settings
        else ""
    )
    return (
        f"{target}Decoding is what reading the encoding alone takes, as a share of the export. The "
        "last column is the time of two passes over that of one, paired by round."
    )


def sizing_note(result: SizingResult) -> str:
    """Of every figure of sizing."""
    return (
        f"{result.confidence_level * 100:g} % intervals in brackets, from {result.draw_count:,} "
        f"draws of the measured ones. In time: {wanted_text(result.shop)}."
    )

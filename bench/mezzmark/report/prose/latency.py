"""What the answer says of an encoding: its scrub latency, its size, and the time encoding takes."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from mezzmark.decide.estimate.best_player import NEAR_RATIO, BestPlayer
from mezzmark.decide.estimate.observed_run import ObservedRun
from mezzmark.decide.estimate.over_clips import BestCells, as_shown_speed, hours_per_hour
from mezzmark.decide.estimate.ranking import INSTANT_MS, Ranked, Ranking
from mezzmark.model.cell import AXES, Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate, OfClip
from mezzmark.model.run import Manifest
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_text,
    list_text,
    number_text,
    shown_name,
    size_text,
)
from mezzmark.report.prose.terms import (
    USUAL_PLAYER,
    axis_words,
    pattern_words,
    plain_name,
    player_words,
)

_WAITING: Final = f"{INSTANT_MS:.0f} ms, where waiting starts to be felt, in 95 of 100 moves"


def speed_sentence(lead: Ranking, entry: Ranked) -> str:
    """One encoding's median and p95, and how many times faster than the original that is."""
    median, tail = (estimate_text(entry.estimates[name]) for name in ("p50_ms", "p95_ms"))
    gain = f": {gain_text(entry.speedup_ratio)}" if entry.speedup_ratio else ""
    return (
        f"{shown_name(entry.encoding)} takes {median} at the median and {tail} at p95 "
        f"{pattern_words(lead.setting['pattern'])}{gain}."
    )


def instant_share_sentence(entry: Ranked) -> str:
    """The share of moves that feels immediate, and the clip with the lowest; empty of one clip."""
    share = entry.instant_share
    if share is None or not share.by_clip:
        return ""
    worst = share.by_clip[0]
    return (
        f"Over all clips {share_text(share)} of the moves of {shown_name(entry.encoding)} took at "
        f"most {INSTANT_MS:.0f} ms; fewest did with {shown_name(worst.clip)}: {share_text(worst)}."
    )


def share_text(share: Estimate | OfClip) -> str:
    """`97 % [95, 99]`."""
    if share.low is None or share.high is None:
        return f"{number_text(100 * share.point)} %"
    half = 50 * (share.high - share.low)
    point, low, high = (
        number_text(100 * end, half_width=half) for end in (share.point, share.low, share.high)
    )
    return f"{point} % [{low}, {high}]"


def gain_text(speedup_ratio: Estimate) -> str:
    """`22× [21, 23] faster than the original`, `0.8× [0.7, 0.9] the speed of the original`."""
    comparison = "faster than" if speedup_ratio.point > 1 else "the speed of"
    return f"{estimate_text(speedup_ratio)} {comparison} the original"


def instant_sentences(lead: Ranking, bitrates_bps: dict[str, float]) -> list[str]:
    """Who stays under the line at which waiting starts, and the smallest of them."""
    tails = {entry.encoding: entry.estimates["p95_ms"] for entry in lead.entries}
    if all(tail.high is None for tail in tails.values()):
        return []
    measured = count_text(len(tails), "encoding")
    sure = [e.encoding for e in lead.entries if e.is_eligible and _is_instant(tails[e.encoding])]
    if not sure:
        return [f"None of the {measured} is sure to stay under {_WAITING}."]
    texts = [
        f"Sure to stay under {_WAITING}: {len(sure)} of {measured} ({list_text(sure, limit=6)})."
    ]
    sized = [name for name in sure if name in bitrates_bps]
    if len(sized) > 1:
        smallest = min(sized, key=lambda name: (bitrates_bps[name], name))
        size = size_text(bitrates_bps[smallest])
        texts.append(f"The smallest of these is {shown_name(smallest)}: {size}.")
    return texts


def _is_instant(estimate: Estimate) -> bool:
    return estimate.high is not None and estimate.high < INSTANT_MS


def _seldom_waits(entry: Ranked) -> bool:
    """Whether 95 of 100 moves are within what feels immediate, as far as was measured."""
    tail = entry.estimates.get("p95_ms")
    return tail is not None and (tail.point if tail.high is None else tail.high) < INSTANT_MS


def original_sentences(lead: Ranking, name: str, bitrates_bps: dict[str, float]) -> list[str]:
    """That the originals surely answer jumps at once, and what `name` would cost more."""
    original = lead.find(ORIGINAL)
    if (
        name == ORIGINAL
        or lead.setting["pattern"] != "jump"
        or original is None
        or not original.is_eligible
        or not _is_instant(original.estimates["p50_ms"])
        or not _seldom_waits(original)
    ):
        return []
    price = ""
    if {name, ORIGINAL} <= bitrates_bps.keys():
        times = bitrates_bps[name] / bitrates_bps[ORIGINAL]
        price = f" and take {number_text(times)} times the disk" if times > 1 else ""
    return [
        f"The originals already answer within {INSTANT_MS / 1000:g} s, at the median "
        f"({estimate_text(original.estimates['p50_ms'])}) and in 95 of 100 moves "
        f"({estimate_text(original.estimates['p95_ms'])}); an intermediate such as "
        f"{shown_name(name)} would gain little here{price}."
    ]


def best_player_sentences(found: Sequence[BestPlayer]) -> list[str]:
    """Who plays each encoding best, and who was hardly slower in the pilot trials."""
    pairs = Counter(encoding for encoding, _ in {(b.cell.encoding, b.name) for b in found})
    bests: dict[str, dict[str, None]] = {}
    seconds: dict[str, dict[str, None]] = {}
    for best in found:
        cell = best.cell
        where = f" ({cell.clip}, {count_text(cell.setting['threads'], 'thread')})"
        whose = cell.encoding + where * (pairs[cell.encoding] > 1)
        bests.setdefault(best.name, {})[whose] = None
        for name in best.near:
            seconds.setdefault(name, {})[whose] = None
    percent = f"{100 * (NEAR_RATIO - 1):.0f} %"
    near = f" Within {percent} of it: {_players_text(seconds)}." if seconds else ""
    return [f"Best player, by pilot trials: {_players_text(bests)}.{near}"] if found else []


def _players_text(groups: Mapping[str, Iterable[str]]) -> str:
    """`frame threads for original; slice threads for a and b`."""
    return "; ".join(
        f"{player_words(name)} for {list_text(list(whose), limit=6)}"
        for name, whose in groups.items()
    )


def waiting_sentences(rankings: Sequence[Ranking]) -> list[str]:
    """How much of a move waits for storage, by setting: of the first encoding and the original."""
    texts = []
    for ranking in rankings:
        entries = {e.encoding: e for e in ranking.entries if "wait_p50_ms" in e.estimates}
        shown = dict.fromkeys(name for name in (*list(entries)[:1], ORIGINAL) if name in entries)
        parts = [
            f"{estimate_text(entries[name].estimates['wait_p50_ms'])} of "
            f"{estimate_text(entries[name].estimates['p50_ms'])} with {shown_name(name)}"
            for name in shown
        ]
        if parts:
            label = setting_label(ranking, rankings[0])
            texts.append(f"Waiting for storage ({label}): {', '.join(parts)} (medians).")
    return texts


def fastest_elsewhere(other: Ranking, lead: Ranking) -> str:
    """Who was fastest in a further way of moving, thread count or policy; empty without anyone."""
    if other.fastest is None:
        return ""
    best = other.fastest
    median, notes = best.estimates["p50_ms"], ", ".join(_changed(other, lead))
    verb = "looked" if median.low is None else "was"
    way = f"{pattern_words(other.setting['pattern'])}{notes and f' ({notes})'}"
    text = f"{shown_name(best.encoding)} {verb} fastest {way}, with {estimate_text(median)}"
    text += " at the median"
    if best.speedup_ratio is not None:
        text += f", {gain_text(best.speedup_ratio)}"
    if other.tied:
        names = list_text([entry.encoding for entry in other.tied])
        text += f"; no measurable difference from {names}"
    return f"{text}."


def _changed(other: Ranking, lead: Ranking) -> list[str]:
    """What of the setting but the pattern differs from the leading one's."""
    return [
        axis_words(axis, other.setting[axis])
        for axis in AXES
        if axis != "pattern" and other.setting[axis] not in (None, lead.setting[axis])
    ]


def played_text(lead: Ranking) -> str:
    """Of which moves by which player a key number is: `jump, 2 decoder threads`."""
    shown = {axis: lead.setting[axis] for axis in ("pattern", "threads", "player")}
    texts = [plain_name(shown["pattern"] or "jump"), axis_words("threads", shown["threads"])]
    if shown["player"] not in (None, USUAL_PLAYER):
        texts.append(axis_words("player", shown["player"]))
    return ", ".join(texts)


def setting_label(other: Ranking, lead: Ranking) -> str:
    """A scrub setting among others: `near`, `jump, 1 decoder thread`."""
    return ", ".join((plain_name(other.setting["pattern"] or "jump"), *_changed(other, lead)))


def price_sentences(
    name: str,
    encode: BestCells,
    bitrates_bps: dict[str, float],
    manifest: Manifest,
    *,
    with_quickest: bool = True,
) -> list[str]:
    """Space and encode time of `name`, and who encodes fastest unless that was said."""
    texts = []
    if name in encode:
        text = f"Encoding to {shown_name(name)} runs at {_speed_text(encode[name], manifest)}"
        quickest = next(iter(encode))
        if with_quickest and quickest != name:
            speed = estimate_text(as_shown_speed(encode[quickest][1], manifest))
            text += f"; {shown_name(quickest)} encodes fastest ({speed})"
        texts.append(f"{text}.")
    if name in bitrates_bps:
        text = f"{shown_name(name)} takes {size_text(bitrates_bps[name])}"
        if name != ORIGINAL and ORIGINAL in bitrates_bps:
            times = number_text(bitrates_bps[name] / bitrates_bps[ORIGINAL])
            text += f"; that is {times} times the original's size"
        texts.append(f"{text}.")
    return texts


def _speed_text(found: tuple[Cell, Estimate], manifest: Manifest) -> str:
    """`26 fps [25, 27] with 2 threads: 1 h for an hour of footage`."""
    cell, speed = found
    hour = encode_time_text(speed, manifest)
    threads = count_text(cell.setting["threads"], "thread")
    shown = as_shown_speed(speed, manifest)
    return f"{estimate_text(shown)} with {threads}{hour and f': {hour} for an hour of footage'}"


def encode_time_text(speed: Estimate, manifest: Manifest) -> str:
    """`9 h`, for an hour of footage over all clips; empty where a clip's rate is not known."""
    found = hours_per_hour(speed, manifest)
    if found is None:
        return ""
    hours = found.point
    minutes = 60 * hours
    time = f"{minutes:.0f} min" if minutes >= 1 else "less than a minute"
    if hours >= 1:
        time = f"{hours:.{1 if hours < 10 else 0}f}".removesuffix(".0") + " h"
    return time


def encode_only_sentence(encode: BestCells, run: ObservedRun) -> str:
    """The fastest encoding's speed, where nothing was said of scrub latency, and why it was not."""
    name, found = next(iter(encode.items()))
    speed = _speed_text(found, run.manifest)
    is_scrubbed = any(o.cell.task == "scrub" for o in run.observations)
    lack = "has no figure over all clips" if is_scrubbed else "was not measured"
    return f"{shown_name(name)} encoded at {speed}. Scrub latency {lack}."

"""The answer in words: what this run found, what it could not tell, and what it did not test.

Written for someone who edits video and has never heard of a confidence interval. There is no
overall score: speed, size and encode time stand side by side.
"""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.answer_numbers import KeyNumber, half_width_of, key_numbers
from mezzmark.decide.answer_picture import picture_sentences
from mezzmark.decide.bitrates import pooled_bitrates_bps, size_text
from mezzmark.decide.cautions import cautions_in_words, untested_in_words
from mezzmark.decide.choose_words import headline as choice_headline
from mezzmark.decide.estimates import pool_clips, summarise_cells
from mezzmark.decide.fidelity import EncodingFidelity, judge_encodings
from mezzmark.decide.observations import Observation, observe
from mezzmark.decide.ranking import Ranked, Ranking, rank_encodings, scrub_settings
from mezzmark.decide.wording import (
    PATTERN_PHRASES,
    count_text,
    estimate_text,
    list_text,
    number_text,
    sentence,
    shown_name,
)
from mezzmark.facts.base import Fact
from mezzmark.facts.cells import Cell
from mezzmark.facts.choice import Choice
from mezzmark.facts.encoding import ORIGINAL
from mezzmark.facts.estimates import CellSummary, Estimate
from mezzmark.facts.records import Trial
from mezzmark.facts.run import Manifest

INSTANT_MS: Final = 100.0
"""Up to here a response feels immediate: Miller 1968 and Card, Robertson & Mackinlay 1991, as
attributed in Nielsen, Usability Engineering, 1993, chapter 5 ("0.1 second")."""


class Answer(Fact):
    """The first page of a report, as text. Every tuple holds whole sentences, in order."""

    headline: str
    key_numbers: tuple[KeyNumber, ...]
    findings: tuple[str, ...]
    cautions: tuple[str, ...]
    not_tested: tuple[str, ...]


def answer_in_words(
    manifest: Manifest, trials: Sequence[Trial], *, confidence_level: float = 0.95
) -> Answer:
    """The answer of one run."""
    summaries = summarise_cells(trials, confidence_level=confidence_level)
    observations = observe(trials)
    rankings = tuple(
        rank_encodings(observations, summaries, setting, confidence_level=confidence_level)
        for setting in scrub_settings(observations)
    )
    judged = judge_encodings(trials, confidence_level=confidence_level)
    return answer_from(manifest, observations, summaries, rankings, judged)


def answer_from(
    manifest: Manifest,
    observations: Sequence[Observation],
    summaries: Sequence[CellSummary],
    rankings: Sequence[Ranking],
    fidelity: Sequence[EncodingFidelity] = (),
    choice: Choice | None = None,
) -> Answer:
    """As `answer_in_words`, from what is already computed. The first ranking leads.

    Where needs and wishes were stated, their choice is the answer and the numbers are of the
    encoding it names; which was fastest becomes the first finding.
    """
    level = rankings[0].confidence_level if rankings else 0.95
    encode = _fastest_encodes(observations, level)
    lead, bitrates = rankings[0] if rankings else None, pooled_bitrates_bps(manifest)
    findings: list[str] = []
    if lead and lead.fastest:
        findings += [_speed(lead, lead.fastest), *_instant(lead, bitrates)]
        findings += [text for other in rankings[1:] if (text := _other_setting(other, lead))]
        findings += _price(lead.fastest, encode, bitrates, manifest)
    elif encode:
        findings.append(_encode_only(encode))
    findings += picture_sentences(fidelity)
    fastest = _headline(lead, encode, _other_tasks(summaries))
    chosen = choice.recommendation if choice else None
    if choice is not None:
        findings.insert(0, fastest)
    return Answer(
        headline=fastest if choice is None else choice_headline(choice),
        key_numbers=key_numbers(lead, encode, bitrates, chosen=chosen),
        findings=tuple(findings),
        cautions=cautions_in_words(manifest, summaries, lead),
        not_tested=untested_in_words(manifest),
    )


def _other_tasks(summaries: Sequence[CellSummary]) -> list[str]:
    """What finished besides scrubbing, encoding and the reference kernel."""
    tasks = {s.cell.task for s in summaries if s.trial_count > s.failed_trial_count}
    return sorted(tasks - {"scrub", "encode", "kernel"})


def _headline(
    lead: Ranking | None, encode: dict[str, tuple[Cell, Estimate]], others: Sequence[str]
) -> str:
    start = "On this machine, with this footage"
    if lead is None or lead.fastest is None:
        if lead is not None:
            return f"{start}, no encoding showed the right picture throughout."
        if encode:
            return f"{start}, {shown_name(next(iter(encode)))} encoded fastest."
        if others:
            return f"{start}, {list_text(others)} was measured; neither scrubbing nor encoding was."
        return f"{start}, nothing finished, so there is no answer."
    fastest = lead.fastest
    if fastest.encoding == ORIGINAL:
        others = "no other encoding was measured" if len(lead.entries) == 1 else "none was faster"
        return f"{start}, the original brought a picture soonest: {others}."
    if fastest.estimates["p50_ms"].low is None:
        rounds = count_text(fastest.estimates["p50_ms"].round_count, "round")
        return f"{start}, {shown_name(fastest.encoding)} looked fastest, but {rounds} cannot tell."
    peers = [fastest.encoding, *(entry.encoding for entry in lead.tied)]
    who = list_text(peers, limit=3)
    about = "about " if lead.tied else ""
    ratio = fastest.speedup_ratio
    gain = f", {about}{_times(ratio)} as fast as the original" if ratio else ""
    doubt = "; which of them is faster cannot be told" if lead.tied else ""
    return f"{start}, {who} brought a picture soonest{gain}{doubt}."


def _times(ratio: Estimate) -> str:
    return f"{number_text(ratio.point, half_width=half_width_of(ratio))} times"


def _speed(lead: Ranking, fastest: Ranked) -> str:
    phrase = PATTERN_PHRASES[lead.setting.pattern or "jump"]
    text = (
        f"{sentence(phrase)}, {shown_name(fastest.encoding)} showed the right picture after "
        f"{estimate_text(fastest.estimates['p50_ms'])} at the median and within "
        f"{estimate_text(fastest.estimates['p95_ms'])} in 95 of 100 moves"
    )
    original = lead.find(ORIGINAL)
    if original is None or fastest.encoding == ORIGINAL or fastest.speedup_ratio is None:
        return f"{text}."
    return (
        f"{text}. The original took {estimate_text(original.estimates['p50_ms'])} and "
        f"{estimate_text(original.estimates['p95_ms'])}. Round by round, that is "
        f"{estimate_text(fastest.speedup_ratio)} as fast."
    )


def _instant(lead: Ranking, bitrates: dict[str, float]) -> list[str]:
    """Who stays under the line at which waiting starts, and the smallest of them."""
    sure = [e for e in lead.entries if e.is_eligible and _is_below(e.estimates["p95_ms"])]
    measured = count_text(len(lead.entries), "encoding")
    if all(entry.estimates["p95_ms"].high is None for entry in lead.entries):
        return []
    if not sure:
        return [
            f"None of the {measured} is sure to stay under {INSTANT_MS:.0f} ms, where waiting "
            "starts to be felt, in 95 of 100 moves."
        ]
    texts = [
        f"Sure to stay under {INSTANT_MS:.0f} ms, where waiting starts to be felt, in 95 of 100 "
        f"moves: {len(sure)} of {measured} ({list_text([e.encoding for e in sure], limit=6)})."
    ]
    sized = [entry.encoding for entry in sure if entry.encoding in bitrates]
    if len(sized) > 1:
        smallest = min(sized, key=lambda name: (bitrates[name], name))
        texts.append(
            f"The smallest of these is {shown_name(smallest)}: {size_text(bitrates[smallest])}."
        )
    return texts


def _is_below(estimate: Estimate) -> bool:
    return estimate.high is not None and estimate.high < INSTANT_MS


def _other_setting(other: Ranking, lead: Ranking) -> str:
    """One sentence for a further way of moving, thread count or policy."""
    if other.fastest is None:
        return ""
    phrase = PATTERN_PHRASES[other.setting.pattern or "jump"]
    if other.setting.thread_count != lead.setting.thread_count:
        phrase += f" with {count_text(other.setting.thread_count, 'thread')}"
    if other.setting.policy != lead.setting.policy:
        phrase += f" and the player's policy was {other.setting.policy}"
    best = other.fastest
    verb = "looked" if best.estimates["p50_ms"].low is None else "was"
    text = (
        f"{sentence(phrase)}, {shown_name(best.encoding)} {verb} fastest with "
        f"{estimate_text(best.estimates['p50_ms'])} at the median"
    )
    if best.speedup_ratio is not None:
        text += f", {estimate_text(best.speedup_ratio)} as fast as the original"
    if other.tied:
        names = list_text([entry.encoding for entry in other.tied])
        text += f"; not to be told from it: {names}"
    return f"{text}."


def _price(
    fastest: Ranked,
    encode: dict[str, tuple[Cell, Estimate]],
    bitrates: dict[str, float],
    manifest: Manifest,
) -> list[str]:
    """What the fastest costs in space and encode time."""
    texts = []
    name = fastest.encoding
    if name in bitrates:
        text = f"{shown_name(name)} takes {size_text(bitrates[name])}"
        if name != ORIGINAL and ORIGINAL in bitrates:
            times = number_text(bitrates[name] / bitrates[ORIGINAL])
            text += f"; that is {times} times the original's size"
        texts.append(f"{text}.")
    if name in encode:
        cell, estimate = encode[name]
        text = (
            f"Encoding to it ran at {estimate_text(estimate)} "
            f"with {count_text(cell.thread_count, 'thread')}"
        )
        rates = {clip.original.frame_rate for clip in manifest.clips}
        rate = rates.pop() if len(rates) == 1 else None
        if rate:
            text += f", {number_text(estimate.point / float(rate))} times as fast as it plays"
        quickest = next(iter(encode))
        if quickest != name:
            text += (
                f"; {shown_name(quickest)} encoded fastest ({estimate_text(encode[quickest][1])})"
            )
        texts.append(f"{text}.")
    return texts


def _encode_only(encode: dict[str, tuple[Cell, Estimate]]) -> str:
    name, (cell, estimate) = next(iter(encode.items()))
    return (
        f"{shown_name(name)} encoded at {estimate_text(estimate)} with "
        f"{count_text(cell.thread_count, 'thread')}. Time to picture was not measured."
    )


def _fastest_encodes(
    observations: Sequence[Observation], confidence_level: float
) -> dict[str, tuple[Cell, Estimate]]:
    """Each encoding's best thread count over all clips, fastest encoding first."""
    best: dict[str, tuple[Cell, Estimate]] = {}
    mine = [o for o in observations if o.cell.task == "encode" and not o.cell.arm]
    for cell, estimates in pool_clips(mine, confidence_level=confidence_level).items():
        estimate = estimates["throughput_fps"]
        known = best.get(cell.encoding)
        if known is None or estimate.point > known[1].point:
            best[cell.encoding] = cell, estimate
    return dict(sorted(best.items(), key=lambda item: (-item[1][1].point, item[0])))

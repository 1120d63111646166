"""The answer in words: what this run found, what it could not tell, and what it did not test.

Written for someone who edits video and has never heard of a confidence interval. There is no
overall score: speed, size and encode time stand side by side.
"""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.choose.choice import Choice
from mezzmark.decide.estimate.observed_run import Observation, pooled_bitrates_bps
from mezzmark.decide.estimate.pooling import BestCells, fastest_cells
from mezzmark.decide.estimate.ranking import Ranking
from mezzmark.decide.picture.fidelity import EncodingFidelity
from mezzmark.model.cell import Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import CellSummary, Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.run import Manifest
from mezzmark.report.prose.cautions import cautions_in_words, untested_in_words
from mezzmark.report.prose.choice import faster_sentences
from mezzmark.report.prose.choice import headline as choice_headline
from mezzmark.report.prose.cost import (
    encode_only_sentence,
    encode_time_text,
    price_sentences,
    throughput_sentences,
)
from mezzmark.report.prose.latency import (
    fastest_elsewhere,
    instant_sentences,
    medians_elsewhere,
    original_sentences,
    speed_sentence,
)
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_parts,
    hour_gb_text,
    list_text,
    number_text,
    shown_name,
    withheld_text,
)
from mezzmark.report.prose.picture import picture_sentences


class KeyNumber(Fact):
    """One of the few numbers that stand beside the headline."""

    value: str
    label: str
    detail: str


def key_numbers(
    lead: Ranking | None,
    encode: dict[str, tuple[Cell, Estimate]],
    bitrates: dict[str, float],
    *,
    manifest: Manifest,
    chosen: str | None = None,
) -> tuple[KeyNumber, ...]:
    """At most three, all of one encoding, which each label names: the chosen one, or else the
    fastest."""
    numbers = []
    name = lead.fastest.encoding if lead and lead.fastest else next(iter(encode), None)
    name = chosen or name
    ranked = (
        next((entry for entry in lead.entries if entry.encoding == name), None) if lead else None
    )
    if name is None:
        return ()
    whose = f"{shown_name(name)}: "
    if ranked is not None and "p50_ms" in ranked.estimates:
        p50 = ranked.estimates["p50_ms"]
        numbers.append(_key(p50, f"{whose}median time to picture", "ms"))
    if name in bitrates:
        rate = bitrates[name]
        numbers.append(
            KeyNumber(
                value=f"{number_text(rate / 1e6)} Mbit/s",
                label=f"{whose}bit rate",
                detail=hour_gb_text(rate),
            )
        )
    if name in encode:
        cell, estimate = encode[name]
        threads = count_text(cell.setting["threads"], "thread")
        speed = _key(estimate, f"{whose}encode speed, {threads}", "fps")
        hour = encode_time_text(estimate.point, manifest)
        detail = "; ".join(text for text in (hour, speed.detail) if text)
        numbers.append(speed.model_copy(update={"detail": detail}))
    return tuple(numbers)


def _key(estimate: Estimate, label: str, unit: str) -> KeyNumber:
    half = estimate.half_width
    detail = withheld_text(estimate.withheld)
    if estimate.low is not None and estimate.high is not None:
        low, high = (number_text(end, half_width=half) for end in (estimate.low, estimate.high))
        detail = f"{estimate.confidence_level * 100:g} % interval {low} to {high}"
    value = f"{number_text(estimate.point, half_width=half)} {unit}"
    return KeyNumber(value=value, label=label, detail=detail)


START: Final = "On this machine, with this footage"

NEXT_STEP: Final = (
    'To decide between them, state what you need: mezzmark choose RUN --need "bit_depth >= 10" '
    '--wish "less bitrate_bps" (RUN is the folder of this run; scenarios/README.md lists what can '
    "be needed and wished for)."
)
"""How a report without needs and wishes ends its answer."""


class Answer(Fact):
    """The first page of a report, as text. Every tuple holds whole sentences, in order."""

    headline: str
    key_numbers: tuple[KeyNumber, ...]
    findings: tuple[str, ...]
    cautions: tuple[str, ...]
    not_tested: tuple[str, ...]


def answer_from(
    manifest: Manifest,
    observations: Sequence[Observation],
    summaries: Sequence[CellSummary],
    rankings: Sequence[Ranking],
    fidelity: Sequence[EncodingFidelity] = (),
    choice: Choice | None = None,
    *,
    doubts: Sequence[str] = (),
) -> Answer:
    """The answer of one run, from what is already computed. The first ranking leads.

    Where needs and wishes were stated, their choice is the answer, and the numbers and the first
    findings are of the encoding it names. `doubts` are warnings of the machine.
    """
    level = rankings[0].confidence_level if rankings else 0.95
    encode = fastest_cells(observations, "encode", confidence_level=level)
    whole = throughput_sentences(observations, confidence_level=level)
    lead, bitrates = rankings[0] if rankings else None, pooled_bitrates_bps(manifest)
    is_whole_only = not lead and not encode
    findings = _task_findings(
        rankings, encode, bitrates, manifest, choice, observations=observations
    )
    findings += whole[1:] if is_whole_only else whole
    findings += picture_sentences(fidelity)
    if choice is None and not is_whole_only and _candidate_count(summaries) > 1:
        findings.append(NEXT_STEP)
    chosen = choice.recommendation if choice else None
    return Answer(
        headline=choice_headline(choice)
        if choice
        else _headline(lead, encode, whole, _other_tasks(summaries)),
        key_numbers=key_numbers(lead, encode, bitrates, chosen=chosen, manifest=manifest),
        findings=tuple(findings),
        cautions=cautions_in_words(manifest, summaries, None if chosen else lead, doubts=doubts),
        not_tested=untested_in_words(manifest),
    )


def _task_findings(
    rankings: Sequence[Ranking],
    encode: BestCells,
    bitrates: dict[str, float],
    manifest: Manifest,
    choice: Choice | None,
    *,
    observations: Sequence[Observation],
) -> list[str]:
    """Of scrubbing and encoding: the chosen encoding's, else the fastest's."""
    if choice is not None and choice.chosen:
        return _chosen_findings(
            rankings, choice, encode, bitrates, manifest, observations=observations
        )
    if rankings and rankings[0].fastest:
        return _fastest_findings(rankings, encode, bitrates, manifest)
    return [encode_only_sentence(encode, manifest)] if encode and not rankings else []


def _fastest_findings(
    rankings: Sequence[Ranking],
    encode: BestCells,
    bitrates: dict[str, float],
    manifest: Manifest,
) -> list[str]:
    """Where nothing is chosen: the fastest, the line of "immediate", and the fastest's price."""
    lead = rankings[0]
    assert lead.fastest is not None
    name = lead.fastest.encoding
    return [
        speed_sentence(lead, lead.fastest),
        *original_sentences(lead, name, bitrates),
        *instant_sentences(lead, bitrates),
        *(text for other in rankings[1:] if (text := fastest_elsewhere(other, lead))),
        *price_sentences(name, encode, bitrates, manifest),
    ]


def _chosen_findings(
    rankings: Sequence[Ranking],
    choice: Choice,
    encode: BestCells,
    bitrates: dict[str, float],
    manifest: Manifest,
    *,
    observations: Sequence[Observation],
) -> list[str]:
    """The chosen encoding's speed and price first, then who is faster and why it was not taken."""
    chosen = choice.chosen
    texts: list[str] = []
    if rankings:
        lead = rankings[0]
        entries = [entry for name in chosen if (entry := lead.find(name))]
        texts += [
            speed_sentence(lead, entry, with_original=entry is entries[0]) for entry in entries
        ]
        texts += medians_elsewhere(chosen[0], list(rankings[1:]), lead) if len(chosen) == 1 else []
    encoded = [name for name in chosen if name in encode]
    for name in chosen:
        is_first = [name] == encoded[:1]
        texts += price_sentences(name, encode, bitrates, manifest, with_quickest=is_first)
    if rankings:
        texts += faster_sentences(rankings[0], choice, observations)
        texts += original_sentences(rankings[0], chosen[0], bitrates)
        texts += instant_sentences(rankings[0], bitrates)
    return texts


def _candidate_count(summaries: Sequence[CellSummary]) -> int:
    """Encodings that time to picture or encode speed were measured of."""
    return len({s.cell.encoding for s in summaries if s.cell.task in ("scrub", "encode")})


def _other_tasks(summaries: Sequence[CellSummary]) -> list[str]:
    """What finished besides scrubbing, encoding and the reference kernel."""
    tasks = {s.cell.task for s in summaries if s.trial_count > s.failed_trial_count}
    return sorted(tasks - {"scrub", "encode", "kernel"})


def _headline(
    lead: Ranking | None, encode: BestCells, whole: Sequence[str], others: Sequence[str]
) -> str:
    if lead is not None:
        return _speed_headline(lead)
    if encode:
        return f"{START}, {shown_name(next(iter(encode)))} encoded fastest."
    if whole:
        return whole[0]
    if others:
        return f"{START}, {list_text(others)} was measured; neither scrubbing nor encoding was."
    return f"{START}, nothing finished, so there is no answer."


def _speed_headline(lead: Ranking) -> str:
    fastest = lead.fastest
    if fastest is None:
        return f"{START}, no encoding showed the right picture throughout."
    if fastest.encoding == ORIGINAL and not lead.tied:
        is_alone = len(lead.entries) == 1
        others = "no other encoding was measured" if is_alone else "none was faster"
        return f"{START}, the original brought a picture soonest: {others}."
    if fastest.estimates["p50_ms"].low is None:
        rounds = count_text(fastest.estimates["p50_ms"].round_count, "round")
        return f"{START}, {shown_name(fastest.encoding)} looked fastest, but {rounds} cannot tell."
    peers = [fastest, *lead.tied]
    if any(entry.encoding == ORIGINAL for entry in peers):
        best = next(entry for entry in peers if entry.encoding != ORIGINAL)
        gain = f" ({_times(best.speedup_ratio)} as fast)" if best.speedup_ratio else ""
        return (
            "Whether any encoding is faster than the original cannot be told; nearest to it comes "
            f"{shown_name(best.encoding)}{gain}."
        )
    who = list_text([entry.encoding for entry in peers], limit=3)
    about = "about " if lead.tied else ""
    ratio = fastest.speedup_ratio
    gain = f", {about}{_times(ratio)} as fast as the original" if ratio else ""
    doubt = "; which of them is faster cannot be told" if lead.tied else ""
    return f"{START}, {who} brought a picture soonest{gain}{doubt}."


def _times(ratio: Estimate) -> str:
    """`53 times [41, 69]`."""
    point, interval = estimate_parts(ratio, with_unit=False)
    return f"{point} times {interval}".rstrip()

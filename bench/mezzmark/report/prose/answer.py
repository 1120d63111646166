"""The answer in words, for someone who edits video and has never heard of a confidence interval."""

from collections.abc import Callable, Mapping
from typing import Final

from mezzmark.decide.estimate.over_clips import (
    AtBest,
    BestCells,
    as_shown_speed,
    best_cells,
    bitrates_over_clips,
)
from mezzmark.decide.estimate.ranking import RANKING_ROUNDS, Ranking
from mezzmark.model.cell import CONDITIONS
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.players import BEST
from mezzmark.model.run import Manifest
from mezzmark.report.prose import latency
from mezzmark.report.prose.cautions import cautions_in_words, untested_in_words
from mezzmark.report.prose.choice import faster_sentences
from mezzmark.report.prose.choice import headline as choice_headline
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_parts,
    estimate_text,
    gb_text,
    list_text,
    number_text,
    shown_name,
    withheld_text,
)
from mezzmark.report.prose.picture import picture_sentences
from mezzmark.report.prose.terms import axis_words, player_words, task_label
from mezzmark.report.prose.throughput import throughput_sentences
from mezzmark.report.view import RunView

START: Final = "On this machine, with this footage"

_CLIPLESS: Final = "no encoding was measured with every clip, so none can be called fastest."
NEXT_STEP: Final = (
    'To decide between them, state what you need: mezzmark choose RUN --need "bit_depth >= 10" '
    '--wish "less bitrate_bps" (RUN is the folder of this run; scenarios/README.md lists what can '
    "be needed and wished for)."
)
"""How a report without needs and wishes ends its answer."""


class KeyNumber(Fact):
    """One of the few numbers that stand beside the headline."""

    value: str
    label: str
    detail: str


class Answer(Fact):
    """A run's answer in sentences; `by_question` holds those of a page's section, by its anchor."""

    headline: str
    key_numbers: tuple[KeyNumber, ...]
    by_question: dict[str, tuple[str, ...]]
    cautions: tuple[str, ...]
    not_tested: tuple[str, ...]

    @property
    def findings(self) -> tuple[str, ...]:
        """All that was found, question by question."""
        return tuple(text for texts in self.by_question.values() for text in texts)


def run_answer(view: RunView) -> Answer:
    """The answer of one run: by its choice, where needs and wishes were stated, else by speed."""
    choice, encode, whole = view.choice, best_cells(view, "encode"), throughput_sentences(view)
    is_whole_only = not view.rankings and not encode
    found = _findings(view, encode)
    hand = hand_sentences(view.at_best)
    kept = picture_sentences(view.fidelity)
    title = next(iter((*hand, *whole, *kept)), "")
    for question, texts in (("hand", hand), ("throughput", whole), ("fidelity", kept)):
        found[question] = [text for text in texts if not is_whole_only or text != title]
    candidates = {s.cell.encoding for s in view.summaries if s.cell.task in ("scrub", "encode")}
    if choice is None and not is_whole_only and len(candidates) > 1:
        found["next"] = [NEXT_STEP]
    lead = view.rankings[0] if view.rankings else None
    chosen = choice.recommendation if choice else None
    return Answer(
        headline=choice_headline(choice) if choice else _headline(view, lead, encode, title),
        key_numbers=_key_numbers(view.manifest, lead, chosen, encode),
        by_question={question: tuple(texts) for question, texts in found.items() if texts},
        cautions=cautions_in_words(view, None if chosen else lead),
        not_tested=untested_in_words(view.manifest),
    )


def _key_numbers(
    manifest: Manifest, lead: Ranking | None, chosen: str | None, encode: BestCells
) -> tuple[KeyNumber, ...]:
    """At most three, all of the chosen encoding or else the fastest, in the leading setting."""
    name = chosen or next(iter(encode), None)
    if lead is not None and not chosen:
        name = lead.fastest.encoding if lead.fastest else None
    if name is None:
        return ()
    whose, numbers = shown_name(name), []
    if ranked := lead and lead.find(name):
        value, interval = _parts(ranked.estimates["p50_ms"])
        tail = f"p95 {estimate_text(ranked.estimates['p95_ms'])}"
        details = [interval, f"{tail}, {latency.played_text(lead)}"]
        numbers.append((value, "scrub latency, median", details))
    rates = bitrates_over_clips(manifest)
    if rate_bps := rates.get(name):
        details = [f"{number_text(rate_bps / 1e6)} Mbit/s"]
        if name != ORIGINAL and (original_bps := rates.get(ORIGINAL)):
            details.append(f"{number_text(rate_bps / original_bps)}× the original")
        numbers.append((gb_text(rate_bps), "an hour on disk", details))
    if name in encode:
        cell, estimate = encode[name]
        threads = count_text(cell.setting["threads"], "thread")
        value, interval = _parts(as_shown_speed(estimate, manifest))
        label, details = "encode speed", [f"{interval} with {threads}".strip()]
        if hours := latency.encode_time_text(estimate, manifest):
            label, details = "encoding an hour", [f"{value} {details[0]}"]
        numbers.append((hours or value, label, details))
    return tuple(
        KeyNumber(value=value, label=f"{whose}: {label}", detail="; ".join(filter(None, details)))
        for value, label, details in numbers
    )


def _parts(estimate: Estimate) -> tuple[str, str]:
    """A value, and its interval or why there is none."""
    value, interval = estimate_parts(estimate)
    return value, interval or withheld_text(estimate.withheld)


def _findings(view: RunView, encode: BestCells) -> dict[str, list[str]]:
    """Speed and price of those chosen, or else of the fastest; then who else is fast."""
    choice, bitrates, lead = view.choice, view.bitrates_bps, next(iter(view.rankings), None)
    names = choice.chosen if choice else ()
    if not names and lead is None:
        return {"encoding": [latency.encode_only_sentence(encode, view)] if encode else []}
    if not names and lead is not None and lead.fastest is not None:
        names = (lead.fastest.encoding,)
    first = next((name for name in names if name in encode), None)
    prices = [
        text
        for name in names
        for text in latency.price_sentences(
            name, encode, bitrates, view.manifest, with_quickest=name == first
        )
    ]
    if lead is None or not names:
        return {"encoding": prices}
    entries = [entry for name in names if (entry := lead.find(name))]
    others = view.rankings[1:] if not (choice and choice.chosen) else ()
    return {
        "time": [
            *(latency.speed_sentence(lead, entry) for entry in entries),
            *filter(None, map(latency.instant_share_sentence, entries)),
            *latency.original_sentences(lead, names[0], bitrates),
            *latency.instant_sentences(lead, bitrates),
            *filter(None, (latency.fastest_elsewhere(other, lead) for other in others)),
        ],
        "encoding": prices,
        "choosing": faster_sentences(lead, choice, view.observations) if choice else [],
    }


def _headline(view: RunView, lead: Ranking | None, encode: BestCells, otherwise: str) -> str:
    """Of a run without needs; `otherwise` where it timed neither scrubbing nor a single encode."""
    if lead is not None:
        players = {ranking.setting["player"] for ranking in view.rankings}
        is_named = len(players) > 1 and BEST not in players
        by_whom = f" and {player_words(lead.setting['player'])}" if is_named else ""
        return _speed_headline(lead, START + by_whom)
    if encode:
        name, (_, speed) = next(iter(encode.items()))
        is_thin = speed.round_count < RANKING_ROUNDS
        fastest = f"{START}, {shown_name(name)} encoded fastest."
        return few_rounds_text(speed.round_count) if is_thin else fastest
    if otherwise:
        return otherwise
    tasks = {s.cell.task for s in view.summaries if s.trial_count > s.failed_trial_count}
    if others := sorted(tasks - {"scrub", "encode", "kernel"}):
        measured = list_text([task_label(task) for task in others])
        return f"{START}, {measured} was measured; neither scrubbing nor encoding was."
    if tasks & {"scrub", "encode"}:
        return f"{START}, {_CLIPLESS}"
    return f"{START}, nothing finished, so there is no answer."


def few_rounds_text(round_count: int) -> str:
    """Why nothing is ranked."""
    return (
        f"Cannot say yet which is fastest: {count_text(round_count, 'round')} of at least "
        f"{RANKING_ROUNDS} finished, so nothing is ranked."
    )


def _speed_headline(lead: Ranking, start: str) -> str:
    fastest = lead.fastest
    if lead.is_thin and any(entry.is_eligible for entry in lead.entries):
        return few_rounds_text(lead.round_count)
    if fastest is None and not any(entry.wrong_count for entry in lead.entries):
        return f"{start}, {_CLIPLESS}"
    if fastest is None:
        return f"{start}, no encoding showed the right picture throughout."
    if fastest.encoding == ORIGINAL and not lead.tied:
        is_alone = len(lead.entries) == 1
        others = "no other encoding was measured" if is_alone else "none was faster"
        return f"{start}, the original is fastest: {others}."
    peers = [fastest, *lead.tied]
    if any(entry.encoding == ORIGINAL for entry in peers):
        best = next(entry for entry in peers if entry.encoding != ORIGINAL)
        gain = f" ({latency.gain_text(best.speedup_ratio)})" if best.speedup_ratio else ""
        return (
            "No encoding is measurably faster than the original; nearest to it comes "
            f"{shown_name(best.encoding)}{gain}."
        )
    who = list_text([entry.encoding for entry in peers], limit=3)
    about = "about " if lead.tied else ""
    gain = f", {about}{latency.gain_text(fastest.speedup_ratio)}" if fastest.speedup_ratio else ""
    if lead.tied:
        return f"{start}, {who} are fastest{gain}, with no measurable difference between them."
    return f"{start}, {who} is fastest{gain}."


_SAID: Final[dict[str, tuple[str, Callable[[Mapping[str, Estimate]], str]]]] = {
    "drag": (
        "While the hand drags, {} shows {}",
        lambda f: (
            f"{number_text(f['pictures_per_s'].point)} different pictures a second, in 95 of "
            f"100 refreshes at most {estimate_text(f['age_p95_ms'])} old"
        ),
    ),
    "play": (
        "Played in real time without sound, {} has {}",
        lambda f: (
            f"{number_text(100 * f['on_time_fraction'].point)} % of pictures on time, and "
            f"starts after {estimate_text(f['start_ms'])}"
        ),
    ),
    "streams": ("In a typical round {} plays {}", lambda f: f"{estimate_text(f['count'])} at once"),
    "editors": (
        "With a file for each, {} serves in a typical round {}",
        lambda f: f"{estimate_text(f['count'])} at once{_waiting(f)}",
    ),
}


def _waiting(figures: Mapping[str, Estimate]) -> str:
    """Whether storage or the machine ended the search."""
    waited = figures.get("wait_fraction")
    return (
        f", and storage is {100 * waited.point:.0f} % of a picture's time beyond" if waited else ""
    )


def hand_sentences(at_best: Mapping[str, AtBest]) -> list[str]:
    """A sentence a task that was measured: the best encoding, and the original beside it."""
    texts = []
    for task, (start, words) in _SAID.items():
        by_encoding = {name: words(figures) for name, (_, figures) in at_best[task].items()}
        if by_encoding:
            best = next((name for name in by_encoding if name != ORIGINAL), ORIGINAL)
            text = start.format(shown_name(best), by_encoding[best])
            setting = at_best[task][best][0].setting
            read = [axis_words(axis, setting[axis]) for axis in CONDITIONS if setting[axis]]
            text += f" ({', '.join(read)})" * bool(read)
            is_beside = best != ORIGINAL and ORIGINAL in by_encoding
            beside = f"; the original {by_encoding[ORIGINAL]}" if is_beside else ""
            texts.append(f"{text}{beside}.")
    return texts

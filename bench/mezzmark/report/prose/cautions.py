"""What to know before believing the answer: doubts, failures, and what was not tried."""

from collections.abc import Sequence

from mezzmark.decide.estimate.ranking import Ranking
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import CellSummary
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.report.prose.numbers import (
    PATTERN_PHRASES,
    count_text,
    list_text,
    shown_name,
    visible_text,
)

REASON_LIMIT = 160
"""Characters of a failure's reason shown in a sentence; the table of failures has all of it."""


def cautions_in_words(
    manifest: Manifest,
    summaries: Sequence[CellSummary],
    lead: Ranking | None,
    *,
    doubts: Sequence[str] = (),
) -> tuple[str, ...]:
    """Whole sentences, the gravest first; empty where there is nothing to warn of. `doubts` are
    warnings of the machine: they touch every figure, so only wrong pictures go before them."""
    return (
        *_wrong_pictures(summaries),
        *doubts,
        *_unproved_pictures(summaries),
        *_failures(summaries),
        *(f"Not measured: {visible_text(reason)}" for reason in manifest.refused),
        *_too_few_rounds(summaries),
        *_undecided(lead),
    )


def _by_encoding(summaries: Sequence[CellSummary], field: str) -> dict[str, int]:
    counts: dict[str, int] = {}
    for summary in summaries:
        count = int(getattr(summary, field))
        if count:
            counts[summary.cell.encoding] = counts.get(summary.cell.encoding, 0) + count
    return dict(sorted(counts.items(), key=lambda item: (-item[1], item[0])))


def _wrong_pictures(summaries: Sequence[CellSummary]) -> list[str]:
    wrong = _by_encoding(summaries, "wrong_count")
    if not wrong:
        return []
    moves = sum(summary.sample_count for summary in summaries if summary.cell.task == "scrub")
    who = ", ".join(f"{shown_name(name)}: {count}" for name, count in list(wrong.items())[:6])
    return [
        f"Wrong pictures: {sum(wrong.values()):,} of {moves:,} playhead moves showed another "
        f"frame than the one asked for ({who}). They are left out of every time shown here, and "
        "an encoding that showed one is not called fastest."
    ]


def _unproved_pictures(summaries: Sequence[CellSummary]) -> list[str]:
    unproved = _by_encoding(summaries, "unproved_count")
    if not unproved:
        return []
    return [
        f"{count_text(sum(unproved.values()), 'playhead move')} could not be proved to show the "
        f"right frame ({list_text(list(unproved))}) and are left out of the times."
    ]


def _failures(summaries: Sequence[CellSummary]) -> list[str]:
    texts = []
    for name in sorted({s.cell.encoding for s in summaries if s.failed_trial_count}):
        mine = [s for s in summaries if s.cell.encoding == name]
        failed = sum(s.failed_trial_count for s in mine)
        total = sum(s.trial_count for s in mine)
        reasons = sorted({reason for s in mine for reason in s.reasons})
        reason = visible_text(reasons[0]) if reasons else "no reason was given"
        if len(reason) > REASON_LIMIT:
            reason = f"{reason[: REASON_LIMIT - 1]}…"
        texts.append(
            f"{shown_name(name)}: {failed} of {count_text(total, 'trial')} failed ({reason})."
        )
    return texts


def _too_few_rounds(summaries: Sequence[CellSummary]) -> list[str]:
    finished = [s.trial_count - s.failed_trial_count for s in summaries if s.estimates]
    short = [count for count in finished if count < MINIMUM_ROUNDS]
    if not short:
        return []
    missing = MINIMUM_ROUNDS - min(short)
    return [
        f"{count_text(len(short), 'cell')} of {len(summaries)} finished too few rounds for an "
        f"interval: their figures may be chance. Run at least "
        f"{count_text(missing, 'more round')}."
    ]


def _undecided(lead: Ranking | None) -> list[str]:
    if lead is None or lead.fastest is None or not lead.tied:
        return []
    names = list_text([entry.encoding for entry in lead.tied], limit=6)
    return [
        f"Cannot be ruled out as faster than {shown_name(lead.fastest.encoding)}: {names}. That is "
        "not proof that they are equal; more rounds may tell."
    ]


def untested_in_words(manifest: Manifest) -> tuple[str, ...]:
    """What a reader might take for granted though this run did not look at it."""
    scenario = manifest.scenario
    scrub = scenario.settings(ScrubSettings)
    texts = []
    names = {encoding.name for encoding in manifest.encodings} | set(scenario.encodings)
    if ORIGINAL not in names:
        texts.append("the camera original itself, so there is nothing to be faster than")
    texts.append("reading from slow or shared storage: files just written are read from memory")
    if scrub is None:
        texts.append("time to picture under the playhead")
    else:
        missing = [p for p in PATTERN_PHRASES if p not in scrub.patterns]
        if missing:
            texts.append(f"these ways of moving the playhead: {', '.join(missing)}")
        if scrub.decoder == "software":
            texts.append("decoding on a graphics card")
    if "encode" not in scenario.tasks:
        texts.append("encode speed")
    if "fidelity" not in scenario.tasks:
        texts.append("picture quality after encoding, and colour")
    return (
        *texts,
        "dragging and playing, where requests do not wait for the last picture",
        "several streams at once, sound, effects, and the editing program itself",
        "other machines and other footage",
    )

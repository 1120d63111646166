"""What to know before believing the answer: steadiness, failures, what was not tried."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from mezzmark.decide.estimate.ranking import Ranking
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import CellSummary
from mezzmark.model.fact import grouped
from mezzmark.model.link import ReadSettings
from mezzmark.model.players import PLAYERS
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.patterns import PATTERNS
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.report.prose.footage import clip_name, signs_text
from mezzmark.report.prose.method import steadiness_warnings
from mezzmark.report.prose.numbers import (
    MOST_NAMED,
    count_text,
    few_text,
    list_text,
    shown_name,
    visible_text,
)
from mezzmark.report.view import RunView

REASON_LIMIT: Final = 160
"""Characters of a failure's reason shown in a sentence; the table of failures has all of it."""

UNFINISHED: Final = "Unfinished: it was stopped on its way (--resume goes on), or is still at work."


def cautions_in_words(view: RunView, lead: Ranking | None) -> tuple[str, ...]:
    """Whole sentences, the gravest first: wrong pictures, then doubts of the machine."""
    manifest, summaries = view.manifest, view.summaries
    return (
        *_wrong_pictures(summaries),
        *([] if manifest.stop_reason else [UNFINISHED]),
        *([unknown_text(view.unknown)] if view.unknown else []),
        *steadiness_warnings(view.steadiness),
        *_unproved_pictures(summaries),
        *_suspects(manifest),
        *_failures(summaries),
        *_no_decoders(view.trials),
        *(f"Not measured: {visible_text(reason)}" for reason in manifest.refused),
        *_left_out(manifest),
        *_lost_aspects(manifest),
        *_too_few_rounds(summaries),
        *_undecided(lead),
    )


def _suspects(manifest: Manifest) -> Iterator[str]:
    suspects = [
        f"{clip_name(clip)} ({signs_text(clip.suspicions)})"
        for clip in manifest.clips
        if clip.suspicions
    ]
    if suspects:
        yield (
            f"May be damaged: {list_text(suspects, limit=MOST_NAMED)}. A damaged picture that "
            "every decode hides alike counts as right."
        )


def _left_out(manifest: Manifest) -> list[str]:
    """Files found in folders that are no clips of their own: the first few and a count."""
    files = [
        f"{visible_text(file.name)} ({visible_text(file.reason)})" for file in manifest.left_out
    ]
    rest = few_text(files, lambda left: f"and {count_text(left, 'more file')}")
    return [f"Found, and left out: {rest}. manifest.json has all of them."] if files else []


def _lost_aspects(manifest: Manifest) -> list[str]:
    names = list(dict.fromkeys(one.encoding for one in manifest.media if one.is_aspect_lost))
    effect = "programs show their pictures too narrow or too wide."
    return [f"Sample aspect ratio lost in files of {list_text(names)}: {effect}"] if names else []


def _by_encoding(summaries: Sequence[CellSummary], field: str) -> dict[str, int]:
    """A count of each encoding over its cells, the largest first; without those that have none."""
    counts: Counter[str] = Counter()
    for summary in summaries:
        counts[summary.cell.encoding] += getattr(summary, field)
    return dict(sorted((+counts).items(), key=lambda item: (-item[1], item[0])))


def _wrong_pictures(summaries: Sequence[CellSummary]) -> Iterator[str]:
    if wrong := _by_encoding(summaries, "wrong_count"):
        moves = sum(summary.sample_count for summary in summaries if summary.cell.task == "scrub")
        who = ", ".join(f"{shown_name(name)}: {count}" for name, count in list(wrong.items())[:6])
        yield (
            f"Wrong pictures: {sum(wrong.values()):,} of {moves:,} playhead moves showed another "
            f"frame than the one asked for ({who}). They are left out of every time shown here, "
            "and an encoding that showed one is not called fastest."
        )


def _unproved_pictures(summaries: Sequence[CellSummary]) -> Iterator[str]:
    if unproved := _by_encoding(summaries, "unproved_count"):
        yield (
            f"{count_text(sum(unproved.values()), 'playhead move')} could not be proved to show "
            f"the right frame ({list_text(list(unproved))}) and are left out of the times."
        )


def _failures(summaries: Sequence[CellSummary]) -> Iterator[str]:
    totals = _by_encoding(summaries, "trial_count")
    flagged_counts = _by_encoding(summaries, "set_apart_trial_count")
    for name, failed in sorted(_by_encoding(summaries, "failed_trial_count").items()):
        trials = count_text(totals[name], "trial")
        if flagged := flagged_counts.get(name, 0):
            yield (
                f"{shown_name(name)}: {flagged} of {trials} disturbed, and in no figure (the "
                "process was stopped or woke too late, or the machine slept)."
            )
        if failed == flagged:
            continue
        reasons = sorted({r for s in summaries if s.cell.encoding == name for r in s.reasons})
        reason = visible_text(reasons[0]) if reasons else "no reason was given"
        if len(reason) > REASON_LIMIT:
            reason = f"{reason[: REASON_LIMIT - 1]}…"
        yield f"{shown_name(name)}: {failed - flagged} of {trials} failed ({reason})."


def _no_decoders(trials: Sequence[Trial]) -> Iterator[str]:
    """By the kind of decoder, for which encodings there is none."""
    refused = grouped((t.played_by.device, t.cell.encoding) for t in trials if t.is_refused)
    for device, names in refused.items():
        kind = f"device decoder ({device})" if device else "decoder of a smaller picture"
        yield f"No {kind} for {list_text(list(dict.fromkeys(names)))}: not played so."


def _too_few_rounds(summaries: Sequence[CellSummary]) -> Iterator[str]:
    """Of the cells that were asked for and are timed: the reference kernel is none of them."""
    cells = [s for s in summaries if TASKS[s.cell.task].is_compared and not s.arm]
    finished = [s.trial_count - s.failed_trial_count for s in cells if s.estimates]
    if short := [count for count in finished if count < MINIMUM_ROUNDS]:
        missing = count_text(MINIMUM_ROUNDS - min(short), "more round")
        many, whose = count_text(len(cells), "cell"), "its" if len(short) == 1 else "their"
        yield (
            f"{len(short)} of {many} finished too few rounds for an interval: {whose} figures may "
            f"be chance. Run at least {missing}."
        )


def _undecided(lead: Ranking | None) -> Iterator[str]:
    if lead is not None and lead.fastest is not None and lead.tied:
        names = list_text([entry.encoding for entry in lead.tied], limit=6)
        yield (
            f"No measurable difference in scrub latency from {shown_name(lead.fastest.encoding)}: "
            f"{names}. That is not proof that they are equal; more rounds may tell."
        )


def unknown_text(unknown: Mapping[str, int]) -> str:
    """How many trials are left out because of names that this mezzmark does not know."""
    return (
        f"{count_text(sum(unknown.values()), 'trial')} left out: this version of mezzmark does not "
        f"know {list_text(sorted(unknown))}. A newer version may."
    )


def untested_in_words(manifest: Manifest) -> tuple[str, ...]:
    """What a reader might take for granted though this run did not look at it."""
    scenario = manifest.scenario
    scrub = scenario.settings(ScrubSettings)
    names = {encoding.name for encoding in manifest.encodings} | set(scenario.encodings)
    missing = [name for name in PATTERNS if scrub and name not in scrub.patterns]
    has_device = scrub is None or any(
        (player := PLAYERS.get(name)) and player.device for name in scrub.every_player
    )
    reading = [table for table in scenario.tasks.values() if isinstance(table, ReadSettings)]
    has_link = any(table.modelled_links for table in reading)
    is_warm = not has_link and not any("cold" in table.cache for table in reading)
    texts = {
        "the camera original itself, so there is nothing to be faster than": ORIGINAL not in names,
        "reading from slow or shared storage: files just written lie in memory": is_warm,
        "real shared storage: the link to it is a model": has_link and not scenario.roots,
        "scrub latency": scrub is None,
        f"these ways of moving the playhead: {', '.join(missing)}": bool(missing),
        "decoding on a graphics card": not has_device,
        "encode speed": "encode" not in scenario.tasks,
        "picture quality after encoding, and colour": "fidelity" not in scenario.tasks,
        "dragging, where requests do not wait for the last picture": "drag" not in scenario.tasks,
        "playing in real time": "play" not in scenario.tasks,
        "several streams at once": "streams" not in scenario.tasks,
        "several editors on one storage": "editors" not in scenario.tasks,
        "sound, effects, and the editing program itself": True,
        "other machines and other footage": True,
    }
    return tuple(text for text, is_missing in texts.items() if is_missing)

"""What to know before believing the answer: steadiness, failures, what was not tried."""

from collections.abc import Mapping, Sequence
from typing import Final

from mezzmark.decide.estimate.precision import MINIMUM_TRIALS, Precision, PrecisionPlan
from mezzmark.decide.estimate.ranking import Ranking
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.decide.machine.noise import Disturbance
from mezzmark.decide.machine.state import ScrubSpread, Steadiness
from mezzmark.model.cell import Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import CellSummary
from mezzmark.model.players import PLAYERS
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.scrub import ScrubSettings
from mezzmark.report.prose.machine import machine_predicate, machine_warnings, width_text
from mezzmark.report.prose.numbers import (
    PATTERN_PHRASES,
    count_text,
    list_text,
    number_text,
    shown_name,
    visible_text,
)

REASON_LIMIT: Final = 160
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
        if all(PLAYERS[name].device is None for name in scrub.players):
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


def steadiness_warnings(steadiness: Steadiness) -> list[str]:
    """What a reader must know of a run's spread before relying on its answer, the gravest first."""
    texts = machine_warnings(steadiness.machine)
    if steadiness.disturbance.is_warning:
        texts.append(disturbance_text(steadiness.disturbance))
    return texts


def steadiness_sentences(steadiness: Steadiness, manifest: Manifest) -> list[str]:
    """All that a run says of its own spread. Each finding stands once."""
    warnings = machine_warnings(steadiness.machine)
    is_warned = steadiness.machine.is_steady is False
    precision, spread = steadiness.precision, steadiness.scrub_spread
    return [
        *([] if is_warned else [f"The machine {machine_predicate(steadiness.machine)}."]),
        *warnings,
        disturbance_text(steadiness.disturbance),
        *([precision_text(precision, manifest)] if precision else []),
        *([_source_text(spread), _plan_text(spread)] if spread else []),
    ]


def disturbance_text(found: Disturbance) -> str:
    """How many trials were disturbed, and who leads without them, by what is new."""
    if not found.disturbed_count:
        return "No trial was disturbed, as far as the system reports."
    start = (
        f"{found.disturbed_count:,} of {count_text(found.trial_count, 'trial')} were disturbed by "
        "other work and are kept"
    )
    before, after = found.leaders, found.leaders_without
    verb = "would be chosen" if found.is_choice else "may be the fastest"
    if not before and not after:
        return f"{start}."
    if before == after:
        change = f"the same {verb}"
    elif after and after < before:
        change = f"only {_names(after)} {verb}"
    elif before < after:
        change = f"{_names(after - before)} {verb} too"
    else:
        change = f"{_names(after)} {verb}, in place of {_names(before)}"
    return f"{start}; without them {change}."


def _names(encodings: frozenset[str]) -> str:
    return list_text(sorted(encodings), limit=6) if encodings else "no encoding"


def precision_text(found: Precision, manifest: Manifest) -> str:
    """What most cells reached, which one spreads most, and what more rounds would bring."""
    if not found.more_rounds:
        return f"Every cell is within {width_text(found.goal_fraction)}, the precision asked for."
    return (
        f"Most cells are within {width_text(found.typical_fraction)}; the widest, "
        f"{_cell_text(found.widest, manifest)}, is within {width_text(found.widest_fraction)}: "
        f"another {count_text(found.more_rounds, 'round')} "
        f"(about {_duration_text(found.more_duration_s)}) would bring it to about "
        f"{width_text(found.reached_fraction)}."
    )


def precision_plan_text(plan: PrecisionPlan, manifest: Manifest) -> str:
    """What a scenario's own rounds and time budget would bring."""
    limit = {"rounds": "the most the scenario allows", "time": "what the time budget allows"}
    rounds = count_text(plan.round_count, "round")
    start = f"A round takes about {_duration_text(plan.round_duration_s)}"
    if plan.typical_fraction is None or plan.widest_fraction is None:
        return (
            f"{start}; {rounds} ({limit[plan.limited_by]}) give no intervals: {MINIMUM_TRIALS} are "
            "needed."
        )
    whole = _duration_text(plan.round_count * plan.round_duration_s)
    return (
        f"{start}. {rounds} ({limit[plan.limited_by]}; about {whole}) would bring most cells "
        f"within {width_text(plan.typical_fraction)} and the widest, "
        f"{_cell_text(plan.widest, manifest)}, "
        f"within {width_text(plan.widest_fraction)}; asked for is {width_text(plan.goal_fraction)}."
    )


def _cell_text(cell: Cell, manifest: Manifest) -> str:
    """`vc3-sq stepping back frame by frame`; with its clip where the run has several."""
    name = shown_name(cell.encoding)
    if cell.task == "scrub":
        text = f"{name} {PATTERN_PHRASES.get(cell.setting['pattern'], cell.setting['pattern'])}"
    else:
        text = f"encoding to {name} with {count_text(cell.setting['threads'], 'thread')}"
    return f"{text} ({shown_name(cell.clip)})" if len(manifest.clips) > 1 else text


def _duration_text(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 2 * 3600 else f"{number_text(seconds / 3600)} h"


MOSTLY: Final = 0.5
"""Share of a scrub cell's spread from which its process starts are named as the main source."""

HARDLY: Final = 0.2
"""Share below which more moves in a round help about as much as more rounds."""


def _source_text(found: ScrubSpread) -> str:
    """Where the spread comes from and what more of helps."""
    share = f"{100 * found.between_fraction:.0f} %"
    if found.between_fraction >= MOSTLY:
        source = f"most of the spread ({share}) is between process starts"
        advice = "more rounds help, more moves in a round do not"
    elif found.between_fraction > HARDLY:
        source = f"{share} of the spread is between process starts"
        advice = "more rounds help most, more moves in a round a little"
    else:
        source = f"little of the spread ({share}) is between process starts"
        advice = "more moves in a round help about as much as more rounds"
    return f"Over all scrub cells {source}: {advice}."


def _plan_text(found: ScrubSpread) -> str:
    moves = count_text(found.moves_a_round, "move")
    if found.round_count is None:
        return f"A typical cell costs least with {moves} a round (Kalibera & Jones 2013)."
    return (
        f"The cheapest way to ±{100 * found.goal_fraction:g} % for a typical cell: "
        f"{count_text(found.round_count, 'round')} of {moves} (Kalibera & Jones 2013)."
    )

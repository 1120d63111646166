"""How steady a run was, in words: the machine, disturbed trials, what spreads, and what more of
what would narrow it."""

from typing import Final

from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.decide.machine.noise import Disturbance
from mezzmark.decide.machine.state import Precision, PrecisionPlan, ScrubSpread, Steadiness
from mezzmark.model.cell import Cell
from mezzmark.model.run import Manifest
from mezzmark.report.prose.machine import machine_predicate, machine_warnings, width_text
from mezzmark.report.prose.numbers import (
    count_text,
    duration_text,
    level_text,
    list_text,
    shown_name,
    two_kinds_text,
)
from mezzmark.report.prose.terms import pattern_words, task_label


def steadiness_warnings(steadiness: Steadiness) -> list[str]:
    """What a reader must know of a run's spread before relying on its answer, the gravest first."""
    is_disturbed = steadiness.disturbance.is_warning
    disturbance = [disturbance_text(steadiness.disturbance)] if is_disturbed else []
    return [*machine_warnings(steadiness.machine), *disturbance]


def steadiness_sentences(steadiness: Steadiness, manifest: Manifest) -> list[str]:
    """All that a run says of its own spread. Each finding stands once."""
    machine, spread = steadiness.machine, steadiness.scrub_spread
    is_warned = machine.is_steady is False
    return [
        *([] if is_warned else [f"The machine {machine_predicate(machine)}."]),
        *machine_warnings(machine),
        disturbance_text(steadiness.disturbance),
        *([precision_text(steadiness.precision, manifest)] if steadiness.precision else []),
        *([_source_text(spread), _plan_text(spread)] if spread else []),
        *(
            f"Trials of two kinds, {_cell_text(kinds.cell, manifest)}: {two_kinds_text(kinds)}."
            for kinds in steadiness.two_kinds[:KINDS_SHOWN]
        ),
    ]


KINDS_SHOWN: Final = 4


def disturbance_text(found: Disturbance) -> str:
    """How many trials were disturbed, and who leads without them, by what is new."""
    if not found.disturbed_count:
        return "No trial was disturbed, as far as the system reports."
    start = f"{disturbed_text(found)} by other work, and kept"
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
    again = "" if before == after else " Measure again with nothing else at work."
    return f"{start}; without them {change}.{again}"


def disturbed_text(found: Disturbance) -> str:
    """`33 of 98 trials disturbed`."""
    return f"{found.disturbed_count:,} of {count_text(found.trial_count, 'trial')} disturbed"


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
        f"(about {duration_text(found.more_duration_s)}) would bring it to about "
        f"{width_text(found.reached_fraction)}."
    )


def precision_plan_text(plan: PrecisionPlan, manifest: Manifest) -> str:
    """What a scenario's own rounds and time budget would bring."""
    limits = {"rounds": "the most the scenario allows", "time": "what the time budget allows"}
    rounds, limit = count_text(plan.round_count, "round"), limits[plan.limited_by]
    start = f"A round takes about {duration_text(plan.round_duration_s)}"
    if plan.typical_fraction is None or plan.widest_fraction is None:
        return f"{start}; {rounds} ({limit}) give no intervals: {MINIMUM_ROUNDS} are needed."
    whole = duration_text(plan.round_count * plan.round_duration_s)
    return (
        f"{start}. {rounds} ({limit}; about {whole}) would bring most cells "
        f"within {width_text(plan.typical_fraction)} and the widest, "
        f"{_cell_text(plan.widest, manifest)}, "
        f"within {width_text(plan.widest_fraction)}; asked for is {width_text(plan.goal_fraction)}."
    )


def _cell_text(cell: Cell, manifest: Manifest) -> str:
    """`vc3-sq stepping back frame by frame`; with its clip where the run has several."""
    name = shown_name(cell.encoding)
    if cell.task == "scrub":
        text = f"{name} {pattern_words(cell.setting['pattern'])}"
    else:
        threads = count_text(cell.setting["threads"], "thread")
        text = f"{name} in {task_label(cell.task)} with {threads}"
    return f"{text} ({shown_name(cell.clip)})" if len(manifest.clips) > 1 else text


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
        f"The cheapest way to ±{level_text(found.goal_fraction)} for a typical cell: "
        f"{count_text(found.round_count, 'round')} of {moves} (Kalibera & Jones 2013)."
    )

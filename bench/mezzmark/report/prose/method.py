"""How a run's figures came about, how steady it was, what would narrow them; runs published."""

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

from mezzmark.decide.estimate.observed_run import complete_round_count, observe
from mezzmark.decide.estimate.over_clips import mix_of
from mezzmark.decide.estimate.pooling import compare_groups
from mezzmark.decide.estimate.ranking import RANKING_ROUNDS
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.decide.machine.noise import Disturbance
from mezzmark.decide.machine.state import Precision, PrecisionPlan, ScrubSpread, Steadiness
from mezzmark.model.cell import KERNEL_CLIP, Cell
from mezzmark.model.estimate import CONFIDENCE_LEVEL
from mezzmark.model.run import Manifest
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.machine import (
    NONE_DISTURBED,
    machine_predicate,
    machine_warnings,
    width_text,
)
from mezzmark.report.prose.numbers import (
    IN_BRACKETS,
    count_text,
    duration_text,
    estimate_text,
    joined_text,
    level_text,
    list_text,
    number_text,
    round_count_text,
    shown_name,
    two_kinds_text,
    visible_text,
)
from mezzmark.report.prose.terms import pattern_words, task_label
from mezzmark.report.view import RunView


def run_basis(view: RunView) -> str:
    """One line under the headline: on what, with what, how often."""
    host = view.manifest.host
    encodings = {trial.cell.encoding for trial in view.trials if trial.cell.clip != KERNEL_CLIP}
    tasks = {trial.cell.task for trial in view.trials}
    return " · ".join(
        (
            f"{shown_name(host.cpu_model or host.host_label)}, "
            f"{count_text(host.usable_core_count, 'core')}",
            count_text(len(view.manifest.clips), "clip"),
            count_text(len(encodings), "encoding"),
            *([_rounds(view)] if any(not TASKS[task].is_judged for task in tasks) else []),
            count_text(len(view.trials), "trial"),
            *([] if view.manifest.stop_reason else ["unfinished"]),
            IN_BRACKETS,
        )
    )


def _rounds(view: RunView) -> str:
    return round_count_text(complete_round_count(view), view.round_count)


_CLOCKS: Final = {
    ("scrub",): "Scrub: the clock starts when a frame is asked for and stops when that frame is a "
    "picture in the viewer's size and RGB, in memory. It is the sum of locate (seek), decode and "
    "present (scale, colour). Times are raw integer nanoseconds of a monotonic clock; the "
    "harness's own cost is stored beside them and never subtracted. Every move is proved after its "
    "clock has stopped: its picture must be the same picture as in a sequential decode of this "
    "file, its view the same as a second conversion of that picture. Damage that decoders hide "
    "alike each time is not found so; a clip with signs of damage is called suspect.",
    ("drag", "play", "streams", "editors"): "Drag, play, streams, editors: nobody waits for a "
    "picture. What the screen showed is rebuilt from when pictures were in memory, in the viewer's "
    "size and RGB; nothing is checked meanwhile. Afterwards every 32nd line of each picture shown, "
    "and a few of them in full, are held against a sequential decode of this file.",
    ("encode", "grid"): "Encode: frames come from memory; the clock runs from the first frame "
    "handed over to the file being finished. Speed is that of a typical round: the median of "
    "frames / seconds.",
}
"""How a clock runs, and what is proved, of the tasks that were measured."""


def method_sentences(view: RunView) -> list[str]:
    """How the figures came about, in the order in which a doubter asks."""
    level, scenario = level_text(CONFIDENCE_LEVEL), view.manifest.scenario
    stop = view.manifest.stop_reason or (
        "it was stopped before its end, or was still at work when this was written"
    )
    torn = view.torn_line_count
    tasks = {trial.cell.task for trial in view.trials}
    return [
        *(text for names, text in _CLOCKS.items() if tasks.intersection(names)),
        f"{_rounds(view).capitalize()} of {scenario.rounds} allowed. In a round every "
        "cell runs once, in a new random order and a fresh process, and all encodings of a clip "
        f"replay the same playhead moves. Stopped because: {visible_text(stop)}.",
        "The sampling unit is the trial (one cell in one round), not the single move. Median and "
        "p95 within a trial are Hyndman & Fan's type 8 quantiles.",
        f"Intervals hold at {level}, of this run: Student's t on the logs of per-trial values; for "
        "ratios, on log ratios paired by round and averaged over clips; for speeds, between order "
        f"statistics of the rounds. Fewer than {MINIMUM_ROUNDS} rounds give no interval. p95 is "
        "that of all moves of all rounds; its limits are binomial, at the effective number of "
        "moves, and need more rounds.",
        f"{mix_text(view.manifest)} A latency over several clips is a quantile of their moves "
        "together; where its interval spans more than a factor of 2, the clips are shown instead.",
        "Encodings are set against each other over the rounds that had all clips, paired by round. "
        "The intervals of these ratios hold together, over clips for their geometric mean, which "
        "the order follows: the truly fastest is among those that may be the fastest with at least "
        f"{level} confidence. With fewer than {RANKING_ROUNDS} rounds nothing is ranked.",
        *_null_arm(view),
        *(
            f"A fixed reference workload took {estimate_text(estimate)} over the rounds."
            for summary in view.summaries
            if (estimate := summary.estimates.get("kernel_ms"))
        ),
        *_divided_work(view),
        *([f"{count_text(torn, 'torn line')} of an interrupted write left out."] if torn else []),
        "The line at 0.1 s is where interaction research puts the end of “immediate” (Miller "
        "1968; Card, Robertson & Mackinlay 1991; as attributed in Nielsen 1993).",
    ]


def _null_arm(view: RunView) -> Iterator[str]:
    """The same cells measured twice a round: what a difference of nothing looks like here."""
    for cell in (summary.cell for summary in view.summaries if summary.arm == "null"):
        ratio = compare_groups(
            observe((trial for trial in view.trials if trial.cell == cell), arm="null"),
            [observation for observation in view.observations if observation.cell == cell],
            TASKS[cell.task].headline,
        )
        if ratio is not None:
            yield (
                f"Self-comparison: {visible_text(cell.cell_id)} was measured twice a round as if "
                f"it were two; their ratio, 1 in truth, came out as {estimate_text(ratio)}."
            )


def mix_text(manifest: Manifest) -> str:
    """How much each clip counts in what is said over all clips."""
    mix = mix_of(manifest.clips)
    if len(mix) < 2 or any(clip.share is None for clip in manifest.clips):
        return "Over clips each counts alike, as an equal part of the footage's time."
    shares = [f"{shown_name(clip)} {number_text(100 * share)} %" for clip, share in mix.items()]
    return f"Over clips each counts its share of the footage's time: {joined_text(shares)}."


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
        return NONE_DISTURBED
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
        f"{start}. {rounds} ({limit}; about {whole}) would bring most cells within "
        f"{width_text(plan.typical_fraction)} and the widest, {_cell_text(plan.widest, manifest)}, "
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
    advice = "more moves in a round help about as much as more rounds"
    if found.between_fraction >= MOSTLY:
        advice = "more rounds help, more moves in a round do not"
    elif found.between_fraction > HARDLY:
        advice = "more rounds help most, more moves in a round a little"
    return f"Over all scrub cells {share} of the spread is between process starts: {advice}."


def _plan_text(found: ScrubSpread) -> str:
    moves = count_text(found.moves_a_round, "move")
    if found.round_count is None:
        return f"A typical cell costs least with {moves} a round (Kalibera & Jones 2013)."
    return (
        f"The cheapest way to ±{level_text(found.goal_fraction)} for a typical cell: "
        f"{count_text(found.round_count, 'round')} of {moves} (Kalibera & Jones 2013)."
    )


def _divided_work(view: RunView) -> Iterator[str]:
    """What other hosts of a fleet did for this one."""
    for done, hosts in (
        ("Files made by hosts of the fleet", [one.made_by for one in view.manifest.media]),
        (
            "Cells judged on hosts of the same processor, system and libraries",
            [trial.judged_by for trial in view.trials],
        ),
    ):
        if counts := Counter(filter(None, hosts)):
            told = [f"{host} ({count})" for host, count in sorted(counts.items())]
            yield f"{done}: {list_text(told)}."


def published_text(made: int, total: int, stale: Sequence[str], faults: Sequence[str]) -> str:
    """Runs made anew, runs in all, hosts whose histories lack runs of theirs, what was no run."""
    done = f"{count_text(total, 'run')} published, of which {made} made anew."
    done += f" Histories left, for not all runs were named: {list_text(stale)}." if stale else ""
    return "\n".join([done, *(f"Left out: {visible_text(fault)}." for fault in faults)])

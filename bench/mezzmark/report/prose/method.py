"""How the figures of a run came about: on what, with what, how often, by which rules; and what was
published of runs."""

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

from mezzmark.decide.estimate.observed_run import complete_round_count, observe
from mezzmark.decide.estimate.pooling import compare_groups
from mezzmark.decide.estimate.ranking import RANKING_ROUNDS
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.model.cell import KERNEL_CLIP
from mezzmark.model.estimate import CONFIDENCE_LEVEL
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.numbers import (
    count_text,
    estimate_text,
    list_text,
    round_count_text,
    shown_name,
    visible_text,
)
from mezzmark.report.prose.table_notes import mix_text
from mezzmark.report.view import RunView


def run_basis(view: RunView) -> str:
    """One line under the headline: on what, with what, how often."""
    host = view.manifest.host
    encodings = {trial.cell.encoding for trial in view.trials if trial.cell.clip != KERNEL_CLIP}
    tasks = {trial.cell.task for trial in view.trials}
    rounds = round_count_text(complete_round_count(view), view.round_count)
    return " · ".join(
        (
            f"{shown_name(host.cpu_model or host.host_label)}, "
            f"{count_text(host.usable_core_count, 'core')}",
            count_text(len(view.manifest.clips), "clip"),
            count_text(len(encodings), "encoding"),
            *([rounds] if any(not TASKS[task].is_judged for task in tasks) else []),
            count_text(len(view.trials), "trial"),
            *([] if view.manifest.stop_reason else ["unfinished"]),
            f"{CONFIDENCE_LEVEL * 100:g} % intervals in brackets",
        )
    )


_CLOCKS: Final[tuple[tuple[set[str], str], ...]] = (
    (
        {"scrub"},
        "Scrub: the clock starts when a frame is asked for and stops when that frame is a picture "
        "in the viewer's size and RGB, in memory. It is the sum of locate (seek), decode and "
        "present (scale, colour). Times are raw integer nanoseconds of a monotonic clock; the "
        "harness's own cost is stored beside them and never subtracted.",
    ),
    (
        {"scrub"},
        "Every move is proved after its clock has stopped: its picture must be the same picture as "
        "in a sequential decode of this file, its view the same as a second conversion of that "
        "picture. Damage that decoders hide alike each time is not found so; a clip with signs of "
        "damage is called suspect.",
    ),
    (
        {"drag", "play", "streams", "editors"},
        "Drag, play, streams, editors: nobody waits for a picture. What the screen showed is "
        "rebuilt from when pictures were in memory, in the viewer's size and RGB; nothing is "
        "checked meanwhile. Afterwards every 32nd line of each picture shown, and a few of them in "
        "full, are held against a sequential decode of this file.",
    ),
    (
        {"encode", "grid"},
        "Encode: frames come from memory; the clock runs from the first frame handed over to the "
        "file being finished. Speed is that of a typical round: the median of frames / seconds.",
    ),
)
"""How a clock runs, and what is proved, of the tasks that were measured."""


def method_sentences(view: RunView) -> list[str]:
    """How the figures came about, in the order in which a doubter asks."""
    level = f"{CONFIDENCE_LEVEL * 100:g} %"
    scenario = view.manifest.scenario
    stop = view.manifest.stop_reason or (
        "it was stopped before its end, or was still at work when this was written"
    )
    torn = view.torn_line_count
    tasks = {trial.cell.task for trial in view.trials}
    return [
        *(text for names, text in _CLOCKS if tasks & names),
        f"{count_text(view.round_count, 'round')} of {scenario.rounds} allowed. In a round every "
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
        *_reference_workload(view),
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


def _reference_workload(view: RunView) -> Iterator[str]:
    for summary in view.summaries:
        if estimate := summary.estimates.get("kernel_ms"):
            yield f"A fixed reference workload took {estimate_text(estimate)} over the rounds."


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
    if stale:
        done += f" Histories left as they were, for not all runs were named: {list_text(stale)}."
    return "\n".join([done, *(f"Left out: {visible_text(fault)}." for fault in faults)])

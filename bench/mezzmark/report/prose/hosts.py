"""A comparison of hosts in sentences; every ratio is host / reference. Long, for every finding,
doubt and gap of it has its words here, once."""

import math
from collections.abc import Sequence
from typing import Final

from mezzmark.decide.compare.host_runs import BestThroughput
from mezzmark.decide.compare.hosts import CellRatio, HardwareComparison, HostComparison, TaskRatio
from mezzmark.decide.compare.regress import TOLERANCE_FRACTION
from mezzmark.decide.compare.verdicts import Refusal
from mezzmark.model.cell import AXES
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.figures import FigureText, first_few
from mezzmark.report.prose.machine import fact_label, machine_warnings
from mezzmark.report.prose.numbers import (
    IN_BRACKETS,
    bare_ratio,
    count_span_text,
    count_text,
    estimate_text,
    few_text,
    level_text,
    list_text,
    number_text,
    sentence,
    shown_name,
    span_text,
)
from mezzmark.report.prose.regress import assumption_text, changed_verdicts_text, reasons_text
from mezzmark.report.prose.terms import USUAL_PLAYER, plain_name, task_label

SOFTWARE_FACTS: Final = ("mezzmark", "av", "libavcodec")
"""Facts whose difference makes a ratio one of machine and software together."""


def hardware_headline(found: HardwareComparison) -> str:
    """Each host at its best, or else in its first task; for a single host both."""
    if not found.is_anything_comparable:
        return (
            "These runs cannot be compared: no cell of one measured the same as a cell of another"
        )
    clauses = [text for comparison in found.others if (text := _host_clause(comparison, found))]
    if not clauses:
        return "These runs share cells, but too few rounds of them to compare"
    return few_text(clauses, lambda more: f"{count_text(more, 'more host')} below", most=2)


def _host_clause(comparison: HostComparison, found: HardwareComparison) -> str:
    best = _best_clause(found, comparison.other.label)
    if not comparison.tasks:
        return best
    first = comparison.tasks[0]
    if not best:
        return _task_clause(first, comparison, found)
    if len(found.others) > 1:
        return best
    cells = [cell for cell in comparison.cells if cell.cell.task == first.task]
    name = "per core" if _has_equal_settings(cells) else "over all common cells"
    if first.task == "scrub":
        name = task_label(first.task)
    verdict = "no measurable difference" if first.standing == "cannot tell" else first.standing
    return f"{best}; {name} {verdict}: {estimate_text(first.speedup_ratio)}"


def _has_equal_settings(ratios: Sequence[CellRatio]) -> bool:
    """Whether both hosts had the same number of jobs and threads in every cell."""
    return all(ratio.cell == ratio.other_cell for ratio in ratios)


def _task_clause(ratio: TaskRatio, comparison: HostComparison, found: HardwareComparison) -> str:
    """`A encodes 3.1× [2.8, 3.4] as fast as B`."""
    host, reference = (shown_name(run.label) for run in (comparison.other, found.reference))
    label, times = task_label(ratio.task), estimate_text(ratio.speedup_ratio)
    tolerance, unclear = level_text(TOLERANCE_FRACTION), "show no measurable difference"
    return {
        "faster": f"{host} {TASKS[ratio.task].verb}s {times} as fast as {reference}",
        "slower": f"{host} is slower than {reference} in {label}: {times} as fast",
        "the same": f"{host} is as fast as {reference} in {label}, within {tolerance}: {times}",
        "cannot tell": f"{host} and {reference} {unclear} in {label}: {times} as fast",
    }[ratio.standing]


def _best_clause(found: HardwareComparison, label: str) -> str:
    """A host against the reference, each at its best setting; empty where neither has several."""
    rows = [row for row in found.best if row.label == label and row.speedup_ratio is not None]
    ratios = [row.speedup_ratio for row in rows if row.speedup_ratio is not None]
    if not ratios or len({row.cell.setting.split for row in found.best}) < 2:
        return ""
    host, reference = shown_name(label), shown_name(found.reference.label)
    when, times = _when(found, label, rows), f"{_range_text(ratios)}×"
    if not any(map(_side, ratios)):
        return f"{host} and {reference} show no measurable difference, {when}: {times} as fast"
    verbs = {TASKS[row.cell.task].verb for row in rows}
    verb = f"{verbs.pop()}s" if len(verbs) == 1 else "works"
    return f"{host} {verb} {times} as fast as {reference}, {when}"


def _when(found: HardwareComparison, label: str, rows: Sequence[BestThroughput]) -> str:
    """`with all cores in use` where the best settings of both hosts use them all."""
    cores = {run.label: run.core_count for run in found.runs}
    works = {_work(row) for row in rows}
    uses_all = all(
        math.prod(row.cell.setting.split) >= cores[row.label]
        for row in found.best
        if row.label in (label, found.reference.label) and _work(row) in works
    )
    return "with all cores in use" if uses_all else "each at its best number of jobs and threads"


def _work(row: BestThroughput) -> tuple[str, str, str]:
    return row.cell.task, row.cell.clip, row.cell.encoding


def _side(estimate: Estimate) -> int:
    """1 where the ratio is certainly above 1, -1 certainly below, 0 where neither."""
    if estimate.low is None or estimate.high is None:
        return 0
    return (estimate.low > 1) - (estimate.high < 1)


def _range_text(ratios: Sequence[Estimate]) -> str:
    """`4.1 to 4.3`, with the digits that the intervals leave."""
    half = min((r.half_width for r in ratios if r.half_width is not None), default=None)
    points = [ratio.point for ratio in ratios]
    return span_text(*(number_text(pick(points), half_width=half) for pick in (min, max)))


def price_sentences(found: HardwareComparison) -> list[str]:
    """Per host which is the better buy for each unit of work, or that there is no difference."""
    rows = [row for row in found.best if row.speedup_ratio and row.cost_ratio]
    priced = {c.other.label: [r for r in rows if r.label == c.other.label] for c in found.others}
    return [_price_sentence(found, label, mine) for label, mine in priced.items() if mine]


def _price_sentence(found: HardwareComparison, label: str, rows: Sequence[BestThroughput]) -> str:
    host, reference = shown_name(label), shown_name(found.reference.label)
    work = list_text(list(dict.fromkeys(task_label(row.cell.task) for row in rows)))
    costs = [row.cost_ratio for row in rows if row.cost_ratio is not None]
    times = estimate_text(costs[0]) if len(costs) == 1 else f"{_range_text(costs)}×"
    cost = f"per hour of footage {host} costs {times} as much as {reference}"
    sides = {_side(ratio) for ratio in costs}
    if sides == {0}:
        return f"No measurable difference in price for {work}: {cost}."
    if len(sides) > 1:
        return f"The better buy depends on the work ({work}): {cost}."
    return f"{host if sides == {-1} else reference} is the better buy for {work}: {cost}."


def unused_price_sentence(found: HardwareComparison) -> str:
    """That prices were given and lead to nothing; empty where they lead somewhere or none was."""
    priced = [run for run in found.runs if run.price is not None]
    if not priced or any(row.cost_ratio is not None for row in found.best):
        return ""
    if len(priced) < 2 or found.reference.price is None:
        lacking = [run.label for run in found.runs if run.price is None]
        return f"To say which is the better buy, give a price for {list_text(lacking)} too."
    return (
        "The prices have no use here: no encoding, ingest or delivery was measured alike on both "
        "hosts, and a wait has no price."
    )


def host_cautions(found: HardwareComparison) -> list[str]:
    """What to know before relying on the comparison, each thing once."""
    texts = [*filter(None, [unused_price_sentence(found)])]
    for comparison in found.others:
        names = [shown_name(run.label) for run in (found.reference, comparison.other)]
        changed = {change.name for change in comparison.differences}
        software = [name for name in SOFTWARE_FACTS if name in changed]
        if software and comparison.cells:
            texts.append(
                f"{names[1]} ran other software ({list_text(software)}): the ratio is of machine "
                "and software together."
            )
        if comparison.is_void:
            texts.append(
                "The reference kernel changed, or a self-comparison is significant: no difference "
                f"between {names[0]} and {names[1]} is claimed."
            )
        for name, state in zip(names, comparison.states, strict=True):
            texts += machine_warnings(state, name)
        if comparison.changed_without_flagged:
            texts.append(
                "Without the disturbed trials cells would be judged otherwise: "
                f"{changed_verdicts_text(comparison.changed_without_flagged)}."
            )
    return list(dict.fromkeys(texts))


def unreported_sentences(found: HardwareComparison) -> list[str]:
    """What neither of two systems reported."""
    return [
        f"Not reported on {shown_name(found.reference.label)} and "
        f"{shown_name(comparison.other.label)}: "
        f"{list_text([fact_label(name) for name in comparison.unreported], limit=12)}."
        for comparison in found.others
        if comparison.unreported
    ]


def rule_sentences(found: HardwareComparison) -> list[str]:
    """What the figures rest on."""
    level, count = level_text(CONFIDENCE_LEVEL), len(found.others)
    of_all = f" of all {count} comparisons" if count > 1 else ""
    assumptions = (
        assumption_text(c.design, has_kernel=c.kernel_ratio is not None)
        for c in found.others
        if c.cells
    )
    texts = [
        "Every host is compared with that of the run named first. Above 1 the host is faster.",
        "A ratio is over rounds, on logarithms: paired where both hosts replayed the same moves in "
        "the round of the same number, Welch's otherwise. The mean over cells is geometric and is "
        "valid for these cells only.",
        f"Intervals of all cells{of_all} hold together at {level} (Bonferroni), and so do those of "
        "the means. “Faster” and “slower” leave 1 out, “the same” lies within "
        f"{level_text(TOLERANCE_FRACTION)}; “cannot tell” is not “the same”.",
        "Where scenarios ask for “all” or “half” of the cores, each machine is compared with its "
        "own number of threads; the table names both.",
        *dict.fromkeys(assumptions),
    ]
    if any(row.per_fps for row in found.best):
        texts.append(
            "Cost per unit is price / throughput at each host's best setting; the price is taken "
            "as exact and as the whole cost. A wait has no price: half the wait is not bought by "
            "two machines."
        )
    return texts


def ratio_remark(ratio: CellRatio) -> str:
    """Why a cell has no ratio, or its wrong pictures; empty where there is nothing to say."""
    if ratio.speedup_ratio is None:
        refusal = Refusal(reasons=ratio.found.reasons, cells=(ratio.cell,))
        return reasons_text(refusal, preposition="on")
    first, second = ratio.found.baseline_wrong_count, ratio.found.candidate_wrong_count
    return f"wrong pictures: {first} and {second}" if first or second else ""


def setting_labels(ratios: Sequence[CellRatio]) -> list[str]:
    """`jump, 2 and 16 threads`: what tells each cell from others of its encoding."""
    has_many_clips = len({ratio.cell.clip for ratio in ratios}) > 1
    clips = [shown_name(r.cell.clip, limit=24) if has_many_clips else "" for r in ratios]
    return [_setting_label(ratio, clip) for ratio, clip in zip(ratios, clips, strict=True)]


def _setting_label(ratio: CellRatio, clip: str) -> str:
    setting, other = ratio.cell.setting, ratio.other_cell.setting
    axes = TASKS[ratio.cell.task].axes
    plain = [
        AXES[axis].id_text(value, setting)
        for axis, value in setting.items()
        if axis not in _LABELLED_APART and value not in _USUAL
    ]
    counts = [
        count_text(setting[axis], axis[:-1])
        if setting[axis] == other[axis]
        else f"{setting[axis]} and {other[axis]} {axis}"
        for axis in ("jobs", "threads")
        if axis in axes
    ]
    player = setting["player"]
    texts = [
        clip,
        *plain,
        *counts,
        "" if player in (None, *_USUAL) else plain_name(player),
        "pinned" if setting["pinned"] else "",
    ]
    return ", ".join(filter(None, texts))


_LABELLED_APART: Final = ("jobs", "threads", "player", "pinned", "delivery_height")
_USUAL: Final = (USUAL_PLAYER, "roll")
"""What goes without saying in a label."""


def comparison_text(
    names: tuple[str, str], task: TaskRatio, ratios: Sequence[CellRatio]
) -> FigureText:
    """Of one task on a host against the reference; `names` are those of both, the host first."""
    other, reference = (shown_name(name) for name in names)
    found = {ratio.cell: ratio.speedup_ratio for ratio in ratios if ratio.speedup_ratio}
    rounds = count_span_text([speedup.round_count for speedup in found.values()], "round")
    equal = "equal jobs and threads on both, " if _has_equal_settings(ratios) else ""
    cells = [f"{shown_name(c.encoding)} {bare_ratio(speedup)}" for c, speedup in found.items()]
    return FigureText(
        title=f"{sentence(task_label(task.task))}: {other} against {reference}",
        subtitle=f"{count_text(len(ratios), 'common cell')}, {equal}{rounds} a cell. Bars: "
        f"{level_text(CONFIDENCE_LEVEL)} intervals over rounds, each for its own cell.",
        caption=f"Right of the line at 1 {other} is faster. The top row is the geometric mean over "
        "all common cells, below it each cell by encoding; every cell is compared at the setting "
        "named, not at each host's best. Filled marks are differences that are certain over all "
        "cells shown; open ones are not, or are too small to matter. Orange: the original.",
        alt=f"Mean over cells {bare_ratio(task.speedup_ratio)} times as fast. {first_few(cells)}.",
    )


def comparison_words(ratio: CellRatio, setting: str, speedup: Estimate) -> str:
    """Of one cell's mark."""
    return (
        f"{shown_name(ratio.cell.encoding)}, {setting}: {bare_ratio(speedup)} times as fast; "
        f"{ratio.standing}; {count_text(speedup.round_count, 'round')}"
    )


def range_text(estimates: Sequence[Estimate]) -> str:
    """A ratio with its interval, or from which to which one they go: `0.56 to 0.64`."""
    return bare_ratio(estimates[0]) if len(estimates) == 1 else _range_text(estimates)


def hosts_basis(found: HardwareComparison) -> str:
    """One line under the headline: against what, how much."""
    labels = [run.label for run in found.runs]
    cells = sum(len(comparison.cells) for comparison in found.others)
    return " · ".join(
        (
            f"{shown_name(found.reference.label)} ({found.reference.started_utc[:10]}) is the "
            f"reference; beside it {list_text(labels[1:], limit=6)}",
            count_text(cells, "compared cell"),
            IN_BRACKETS,
        )
    )

"""A comparison of hosts in sentences; every ratio is host / reference."""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.compare.best_throughput import BestThroughput
from mezzmark.decide.compare.hosts import (
    CellRatio,
    HardwareComparison,
    HostComparison,
    TaskRatio,
)
from mezzmark.decide.compare.verdicts import Refusal
from mezzmark.model.estimate import Estimate
from mezzmark.model.players import PLAYERS
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.figures import FigureText, first_few
from mezzmark.report.prose.machine import fact_label, machine_warnings
from mezzmark.report.prose.numbers import (
    bare_ratio,
    count_text,
    estimate_text,
    list_text,
    number_text,
    sentence,
    shown_name,
)
from mezzmark.report.prose.regress import assumption_text, changed_verdicts_text, reasons_text

MOST_IN_HEADLINE: Final = 2
"""Hosts named in the headline; a sentence with more is not read to its end."""

SOFTWARE_FACTS: Final = ("mezzmark", "av", "libavcodec")
"""Facts whose difference makes a ratio one of machine and software together."""


def hardware_headline(found: HardwareComparison) -> str:
    """The answer in one sentence: each host at its best, or else the first task that every reader
    asks about; for a single host both."""
    if not found.is_anything_comparable:
        return (
            "These runs cannot be compared: no cell of one measured the same as a cell of another"
        )
    clauses = [text for comparison in found.others if (text := _host_clause(comparison, found))]
    if not clauses:
        return "These runs share cells, but too few rounds of them to compare"
    more = len(clauses) - MOST_IN_HEADLINE
    below = [f"{count_text(more, 'more host')} below"] if more > 0 else []
    return "; ".join([*clauses[:MOST_IN_HEADLINE], *below])


def _host_clause(comparison: HostComparison, found: HardwareComparison) -> str:
    best = _best_clause(found, comparison.other.label)
    if not comparison.tasks:
        return best
    first = comparison.tasks[0]
    if not best:
        return _task_clause(first, comparison, found)
    if len(found.others) > 1:
        return best
    name = "per core" if _is_equal(first, comparison) else "over all common cells"
    if first.task == "scrub":
        name = TASKS[first.task].label
    verdict = "no measurable difference" if first.standing == "cannot tell" else first.standing
    return f"{best}; {name} {verdict}: {estimate_text(first.speedup_ratio)}"


def _is_equal(ratio: TaskRatio, comparison: HostComparison) -> bool:
    """Whether both hosts had the same number of jobs and threads in a task's cells."""
    cells = [cell for cell in comparison.cells if cell.cell.task == ratio.task]
    return all(cell.cell == cell.other_cell for cell in cells)


def _task_clause(ratio: TaskRatio, comparison: HostComparison, found: HardwareComparison) -> str:
    """`A encodes 3.1× [2.8, 3.4] as fast as B`."""
    host, reference = (shown_name(run.label) for run in (comparison.other, found.reference))
    task, times = TASKS[ratio.task], estimate_text(ratio.speedup_ratio)
    match ratio.standing:
        case "faster":
            return f"{host} {task.verb}s {times} as fast as {reference}"
        case "slower":
            return f"{host} is slower than {reference} in {task.label}: {times} as fast"
        case "the same":
            tolerance = f"{100 * found.tolerance_fraction:g} %"
            return f"{host} is as fast as {reference} in {task.label}, within {tolerance}: {times}"
        case "cannot tell":
            return (
                f"{host} and {reference} show no measurable difference in {task.label}: {times} as "
                "fast"
            )


def _rows(found: HardwareComparison, label: str) -> list[BestThroughput]:
    return [row for row in found.best if row.label == label and row.speedup_ratio is not None]


def _best_clause(found: HardwareComparison, label: str) -> str:
    """What a host does at its own best setting against the reference at its own; empty where
    neither has several settings for it."""
    rows = _rows(found, label)
    counts = {(row.cell.setting["jobs"], row.cell.setting["threads"]) for row in found.best}
    ratios = [row.speedup_ratio for row in rows if row.speedup_ratio is not None]
    if not ratios or len(counts) < 2:
        return ""
    host, reference = shown_name(label), shown_name(found.reference.label)
    when = _when(found, label)
    times = f"{_range_text(ratios)}×"
    if all(_side(ratio) == 0 for ratio in ratios):
        return f"{host} and {reference} show no measurable difference, {when}: {times} as fast"
    verbs = {TASKS[row.cell.task].verb for row in rows}
    verb = f"{verbs.pop()}s" if len(verbs) == 1 else "works"
    return f"{host} {verb} {times} as fast as {reference}, {when}"


def _when(found: HardwareComparison, label: str) -> str:
    """`with all cores in use` where the best settings of both hosts use them all."""
    cores = {run.label: run.core_count for run in found.runs}
    works = {_work(row) for row in _rows(found, label)}
    mine = [
        row
        for row in found.best
        if row.label in (label, found.reference.label) and _work(row) in works
    ]
    uses_all = all(
        row.cell.setting["jobs"] * row.cell.setting["threads"] >= cores[row.label] for row in mine
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
    points = sorted(ratio.point for ratio in ratios)
    low, high = (number_text(value, half_width=half) for value in (points[0], points[-1]))
    return low if low == high else f"{low} to {high}"


def price_sentences(found: HardwareComparison) -> list[str]:
    """Per host which is the better buy for each unit of work, or that there is no difference."""
    texts = []
    for comparison in found.others:
        label = comparison.other.label
        rows = [row for row in _rows(found, label) if row.cost_ratio is not None]
        if rows:
            texts.append(_price_sentence(found, label, rows))
    return texts


def _price_sentence(found: HardwareComparison, label: str, rows: Sequence[BestThroughput]) -> str:
    host, reference = shown_name(label), shown_name(found.reference.label)
    work = list_text(list(dict.fromkeys(TASKS[row.cell.task].label for row in rows)))
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
    refused = sum(comparison.refused_count for comparison in found.others)
    texts = []
    if refused:
        verb = "is" if refused == 1 else "are"
        texts.append(f"{count_text(refused, 'cell')} {verb} not compared; the table says why.")
    texts += filter(None, [unused_price_sentence(found)])
    for comparison in found.others:
        names = [shown_name(run.label) for run in (found.reference, comparison.other)]
        changed = [change.name for change in comparison.differences]
        software = [name for name in SOFTWARE_FACTS if name in changed]
        if software and comparison.cells:
            texts.append(
                f"{names[1]} ran other software ({list_text(software)}): the ratio is of machine "
                "and software together."
            )
        if comparison.is_void:
            texts.append(
                "A self-comparison in a run is significant: no difference between "
                f"{names[0]} and {names[1]} is claimed."
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
    level, count = f"{100 * found.confidence_level:g} %", len(found.others)
    of_all = f" of all {count} comparisons" if count > 1 else ""
    assumptions = (
        assumption_text(c.design, has_kernel=c.kernel_ratio is not None)
        for c in found.others
        if c.cells
    )
    texts = [
        f"Every host is compared with {shown_name(found.reference.label)}, that of the run named "
        "first. Above 1 the host is faster.",
        "A ratio is over rounds, on logarithms: paired where both hosts replayed the same moves in "
        "the round of the same number, Welch's otherwise. The mean over cells is geometric and is "
        "valid for these cells only.",
        f"Intervals hold at {level}, each for its own row. “Faster”, “slower” and “the same” "
        f"(within {100 * found.tolerance_fraction:g} %) are adjusted for all cells{of_all} (Holm "
        "over the cells, Bonferroni over comparisons), those of the means for all means (Holm): "
        f"each family errs in at most {100 * (1 - found.confidence_level):g} % of such pages. "
        "“Cannot tell” is not “the same”.",
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


def host_refusal_text(refusal: Refusal) -> str:
    """Why cells of two hosts are not compared."""
    return reasons_text(refusal, preposition="on")


def ratio_remark(ratio: CellRatio) -> str:
    """Why a cell has no ratio, or its wrong pictures; empty where there is nothing to say."""
    if ratio.speedup_ratio is None:
        return host_refusal_text(Refusal(reasons=ratio.found.reasons, cells=(ratio.cell,)))
    first, second = ratio.found.baseline_wrong_count, ratio.found.candidate_wrong_count
    return f"wrong pictures: {first} and {second}" if first or second else ""


def setting_label(ratio: CellRatio, *, with_clip: bool) -> str:
    """`jump, 2 and 16 threads`: what tells a cell from others of its encoding."""
    setting, other = ratio.cell.setting, ratio.other_cell.setting
    parts = []
    if with_clip:
        parts.append(shown_name(ratio.cell.clip, limit=24))
    if setting["pattern"]:
        parts.append(setting["pattern"])
    if setting["policy"] and setting["policy"] != "roll":
        parts.append(setting["policy"])
    if setting["passes"]:
        parts.append("one pass" if setting["passes"] == 1 else "two passes")
    if setting["clip_order"]:
        parts.append(setting["clip_order"])
    if ratio.cell.task in ("grid", "ingest"):
        parts.append(_counts(setting["jobs"], other["jobs"], "job"))
    parts.append(_counts(setting["threads"], other["threads"], "thread"))
    player = PLAYERS.get(setting["player"])
    if player and player.device:
        parts.append(player.device)
    if setting["pinned"]:
        parts.append("pinned")
    return ", ".join(parts)


def _counts(first: int, second: int, noun: str) -> str:
    return count_text(first, noun) if first == second else f"{first} and {second} {noun}s"


def has_many_clips(ratios: Sequence[CellRatio]) -> bool:
    """Whether labels must name the clip."""
    return len({ratio.cell.clip for ratio in ratios}) > 1


def comparison_text(
    names: tuple[str, str],
    task: TaskRatio,
    ratios: Sequence[CellRatio],
    *,
    confidence_level: float,
) -> FigureText:
    """Of one task on a host against the reference; `names` are those of both, the host first."""
    other, reference = (shown_name(name) for name in names)
    rounds = [ratio.speedup_ratio.round_count for ratio in ratios if ratio.speedup_ratio]
    span = count_text(min(rounds), "round")
    if min(rounds) != max(rounds):
        span = f"{min(rounds)} to {max(rounds)} rounds"
    is_equal = all(ratio.cell == ratio.other_cell for ratio in ratios)
    cells = [
        f"{shown_name(ratio.cell.encoding)} {bare_ratio(ratio.speedup_ratio)}"
        for ratio in ratios
        if ratio.speedup_ratio
    ]
    return FigureText(
        title=f"{sentence(TASKS[task.task].label)}: {other} against {reference}",
        subtitle=f"{count_text(len(ratios), 'common cell')}, "
        f"{'equal jobs and threads on both, ' if is_equal else ''}{span} a cell. Bars: "
        f"{100 * confidence_level:g} % intervals over rounds, each for its own cell.",
        caption=f"Right of the line at 1 {other} is faster. The top row is the geometric mean "
        "over all common cells, below it each cell by encoding; every cell is compared at the "
        "setting named, not at each host's best. Filled marks are differences that are certain "
        "over all cells shown; open ones are not, or are too small to matter. Orange: the "
        "original.",
        alt=f"Mean over cells {bare_ratio(task.speedup_ratio)} times as fast. {first_few(cells)}.",
    )


def comparison_label(reference: str) -> str:
    """The label of the axis of ratios."""
    return f"times as fast as {shown_name(reference, limit=30)} (log scale)"


def setting_labels(ratios: Sequence[CellRatio]) -> list[str]:
    """What tells each cell from others of its encoding."""
    with_clip = has_many_clips(ratios)
    return [setting_label(ratio, with_clip=with_clip) for ratio in ratios]


def comparison_words(ratio: CellRatio, setting: str, speedup: Estimate) -> str:
    """Of one cell's mark."""
    return (
        f"{shown_name(ratio.cell.encoding)}, {setting}: {bare_ratio(speedup)} times as fast; "
        f"{ratio.standing}; {count_text(speedup.round_count, 'round')}"
    )


def range_text(estimates: Sequence[Estimate]) -> str:
    """A ratio with its interval, or from which to which one they go: `0.56 to 0.64`."""
    if len(estimates) == 1:
        return bare_ratio(estimates[0])
    points = [estimate.point for estimate in estimates]
    low, high = number_text(min(points)), number_text(max(points))
    return low if low == high else f"{low} to {high}"


def hosts_basis(found: HardwareComparison, run_count: int) -> str:
    """One line under the headline: against what, how much."""
    labels = [run.label for run in found.runs]
    cells = sum(len(comparison.cells) for comparison in found.others)
    parts = [
        f"{shown_name(found.reference.label)} ({found.reference.started_utc[:10]}) is the "
        f"reference; beside it {list_text(labels[1:], limit=6)}",
        count_text(cells, "compared cell"),
        f"{found.confidence_level * 100:g} % intervals in brackets",
    ]
    if left := run_count - len(labels):
        parts.append(
            f"{count_text(left, 'earlier run')} of a host shown here {'is' if left == 1 else 'are'}"
            " below, with its own latest run"
        )
    return " · ".join(parts)

"""A comparison of hosts in sentences; reads verdicts, makes none."""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.compare.host_comparison import (
    CellRatio,
    HardwareComparison,
    HostComparison,
    Standing,
    TaskRatio,
    Weight,
)
from mezzmark.model.cell import Task
from mezzmark.model.estimate import Estimate
from mezzmark.report.prose.best_host import (
    bare_ratio,
    best_phrase,
    best_sentence,
    price_sentences,
)
from mezzmark.report.prose.figures import FigureText, first_few
from mezzmark.report.prose.numbers import (
    count_text,
    list_text,
    number_text,
    sentence,
    shown_name,
)
from mezzmark.report.prose.terms import TASK_NAMES

_DOES: Final[dict[Task, str]] = {
    "scrub": "shows a picture",
    "encode": "encodes",
    "grid": "encodes",
    "ingest": "ingests the folder",
    "delivery": "exports",
}

MOST_IN_HEADLINE: Final = 2
"""Hosts named in the headline; a sentence with more is not read to its end."""


def hardware_headline(found: HardwareComparison) -> str:
    """The answer in one sentence: each host at its best, or else the first task that every reader
    asks about; for a single host both. Ratios are always host / reference."""
    if not found.is_anything_comparable:
        return (
            "These runs cannot be compared: no cell of one measured the same as a cell of another"
        )
    told = [text for comparison in found.others if (text := _host_clause(comparison, found))]
    if not told:
        return "These runs share cells, but too few rounds of them to compare"
    more = len(told) - MOST_IN_HEADLINE
    return sentence(
        "; ".join(told[:MOST_IN_HEADLINE])
        + (f"; {count_text(more, 'more host')} below" if more > 0 else "")
    )


def _host_clause(comparison: HostComparison, found: HardwareComparison) -> str:
    label, reference = comparison.other.label, found.reference.label
    best = best_phrase(found, label)
    if not comparison.tasks:
        return best
    first = comparison.tasks[0]
    if not best:
        return task_clause(first, label, reference, found)
    if len(found.others) > 1:
        return best
    return f"{best}; {_equal_clause(first, comparison)}"


def _equal_clause(ratio: TaskRatio, comparison: HostComparison) -> str:
    """What follows the best settings, of the same host: `core for core it is slower: 0.61 [0.53,
    0.69] times`."""
    times = f"{bare_ratio(ratio.speedup_ratio)} times"
    how = equal_words(ratio, comparison)
    if ratio.task == "scrub":
        texts: dict[Standing, str] = {
            "faster": f"it shows a picture {times} as fast",
            "slower": f"it is slower to show a picture: {times} as fast",
            "the same": f"it shows a picture as fast: {times}",
            "cannot tell": f"whether it shows a picture sooner cannot be told: {times} as fast",
        }
    else:
        texts = {
            "faster": f"{how} it is faster: {times}",
            "slower": f"{how} it is slower: {times}",
            "the same": f"{how} it is as fast: {times}",
            "cannot tell": f"{how} it cannot be told which is faster: {times}",
        }
    return texts[ratio.standing]


def equal_words(ratio: TaskRatio, comparison: HostComparison) -> str:
    """How a task's common cells were set on both hosts."""
    cells = [cell for cell in comparison.cells if cell.cell.task == ratio.task]
    is_equal = all(cell.cell == cell.other_cell for cell in cells)
    return "core for core" if is_equal else "over all common cells"


def task_clause(ratio: TaskRatio, other: str, reference: str, found: HardwareComparison) -> str:
    """`A shows a picture 3.1 [2.8, 3.4] times as fast as B`: the host against the reference,
    whichever is faster."""
    names = (shown_name(other), shown_name(reference))
    times = f"{bare_ratio(ratio.speedup_ratio)} times as fast"
    if ratio.standing == "the same":
        return (
            f"{names[0]} and {names[1]} are alike in {TASK_NAMES[ratio.task]} within "
            f"{100 * found.tolerance_fraction:g} %: {names[0]} is {times}"
        )
    if ratio.standing == "cannot tell":
        return (
            f"whether {names[0]} or {names[1]} is faster in {TASK_NAMES[ratio.task]} cannot be "
            f"told: {names[0]} came out {times}"
        )
    if ratio.standing == "slower":
        return f"{names[0]} is slower than {names[1]} in {TASK_NAMES[ratio.task]}: {times}"
    return f"{names[0]} {_DOES[ratio.task]} {times} as {names[1]}"


def task_sentence(ratio: TaskRatio, comparison: HostComparison, found: HardwareComparison) -> str:
    """`task_clause` with how many cells stand behind it, and how they were set."""
    clause = task_clause(ratio, comparison.other.label, found.reference.label, found)
    over = f"over {count_text(ratio.cell_count, 'common cell')}"
    if equal_words(ratio, comparison) == "core for core":
        over += ", each with the same number of jobs and threads on both"
    return f"{sentence(clause)} ({over})."


def finding_sentences(found: HardwareComparison) -> list[str]:
    """Per host: at its best, task by task, the better buy, and how many cells stand behind it."""
    texts = []
    for comparison in found.others:
        label = comparison.other.label
        if best := best_sentence(found, label):
            texts.append(best)
        texts += [task_sentence(ratio, comparison, found) for ratio in comparison.tasks]
        texts.append(sentence(_cell_count_sentence(comparison, found.reference.label)))
        if comparison.kernel_ratio is not None:
            texts.append(
                f"The reference kernel, plain arithmetic on one core, ran "
                f"{bare_ratio(comparison.kernel_ratio)} times as fast on {shown_name(label)}: what "
                "a cell gains beyond that is not the core's plain speed."
            )
    return [*price_sentences(found), *texts]


def _cell_count_sentence(comparison: HostComparison, reference: str) -> str:
    standings = [ratio.standing for ratio in comparison.cells]
    name = shown_name(comparison.other.label)
    if not standings:
        return f"{name}: no cell can be compared with {shown_name(reference)}."
    parts = [
        f"{standings.count(standing)} {word}"
        for standing, word in (
            ("faster", "faster"),
            ("slower", "slower"),
            ("the same", "the same"),
            ("cannot tell", "where it cannot be told"),
        )
        if standing in standings
    ]
    refused = comparison.refused_count
    tail = f"; {count_text(refused, 'cell')} refused" if refused else ""
    return f"{name}, cell by cell: {', '.join(parts)}{tail}."


_WEIGHT_WORDS: Final[dict[Weight, str]] = {
    "matters": "matter",
    "may matter": "may matter",
    "does not matter": "do not matter",
    "not known": "are not known on one side",
}


def bearing_sentences(comparison: HostComparison) -> list[str]:
    """For each compared task which differences matter to it, and what neither system told."""
    texts = []
    name = shown_name(comparison.other.label)
    for task in dict.fromkeys(ratio.cell.task for ratio in comparison.cells):
        parts = []
        for weight, word in _WEIGHT_WORDS.items():
            names = [
                difference.name
                for difference in comparison.differences
                for bearing in difference.bearings
                if bearing.task == task and bearing.weight == weight
            ]
            if names:
                parts.append(f"{list_text(names, limit=8)} {word}")
        said = "; ".join(parts) if parts else "no recorded fact differs"
        texts.append(sentence(f"{name}, {TASK_NAMES[task]}: {said}."))
    if comparison.unknown:
        texts.append(f"Not told by either system: {list_text(comparison.unknown, limit=12)}.")
    return texts


def rule_sentences(found: HardwareComparison, *, is_priced: bool) -> list[str]:
    """What the figures rest on."""
    comparisons = len(found.others)
    level = f"{100 * found.confidence_level:g} %"
    texts = [
        f"Every host is compared with {shown_name(found.reference.label)}, that of the run named "
        "first. Every ratio is host / reference: above 1 the host is faster.",
        "A ratio is over rounds, on logarithms: paired where both hosts replayed the same moves in "
        "the round of the same number, Welch's otherwise. The mean over cells is geometric and "
        "speaks of these cells, no others.",
        f"Intervals hold at {level}, each for its own row. “Faster”, “slower” and “the same” "
        f"(within {100 * found.tolerance_fraction:g} %) are adjusted for all cells"
        f"{f' of all {comparisons} comparisons' if comparisons > 1 else ''} (Holm over the cells, "
        f"Bonferroni over comparisons), those of the means for all means (Holm): each family errs "
        f"in at most {100 * (1 - found.confidence_level):g} % of such pages. “Cannot tell” is "
        "not “the same”.",
        "Where scenarios ask for “all” or “half” of the cores, machines of different size are "
        "compared each with its own number of threads; the table names both.",
        *dict.fromkeys(c.assumption for c in found.others if c.assumption),
    ]
    if is_priced:
        texts.append(
            "Cost per unit is price / throughput at each host's best setting; the price is taken "
            "as exact and as the whole cost. Price × latency is no unit and is not shown: half the "
            "wait is not bought by two machines."
        )
    return texts


def refusal_sentence(comparisons: Sequence[HostComparison]) -> str:
    """How many cells are refused; empty where none is."""
    count = sum(comparison.refused_count for comparison in comparisons)
    return (
        f"{count_text(count, 'cell')} of these runs cannot be compared and "
        f"{'is' if count == 1 else 'are'} left out; the table says why."
        if count
        else ""
    )


def setting_label(ratio: CellRatio, *, with_clip: bool) -> str:
    """`jump, 2 and 16 threads`: what tells a cell from others of its encoding."""
    cell, other = ratio.cell, ratio.other_cell
    parts = []
    if with_clip:
        parts.append(shown_name(cell.clip, limit=24))
    if cell.pattern:
        parts.append(cell.pattern)
    if cell.policy and cell.policy != "roll":
        parts.append(cell.policy)
    if cell.passes:
        parts.append("one pass" if cell.passes == 1 else "two passes")
    if cell.order:
        parts.append(cell.order)
    if cell.task in ("grid", "ingest"):
        parts.append(_counts(cell.job_count, other.job_count, "job"))
    parts.append(_counts(cell.thread_count, other.thread_count, "thread"))
    if cell.decoder != "software":
        parts.append(cell.decoder)
    if cell.is_pinned:
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
        title=f"{sentence(TASK_NAMES[task.task])}: {other} against {reference}",
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

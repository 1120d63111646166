"""A comparison of hosts in sentences; reads verdicts, makes none."""

from collections.abc import Sequence
from typing import Final

from mezzmark.decide.wording import count_text, list_text, number_text, shown_name
from mezzmark.facts.cells import Task
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.hardware import HardwareComparison, HostComparison, TaskRatio, Weight

_FASTER: Final[dict[Task, tuple[str, str]]] = {
    "scrub": ("shows a picture", "times sooner than"),
    "encode": ("encodes", "times as fast as"),
    "grid": ("encodes, job for job,", "times as fast as"),
    "ingest": ("ingests the folder", "times as fast as"),
    "delivery": ("exports", "times as fast as"),
}
TASK_NAMES: Final[dict[Task, str]] = {
    "scrub": "time to picture",
    "encode": "encoding",
    "grid": "encoding in several jobs",
    "ingest": "ingest",
    "delivery": "delivery",
}


def hardware_headline(found: HardwareComparison) -> str:
    """The answer in one sentence: the first task that every reader asks about, host by host."""
    if not found.is_anything_comparable:
        return (
            "These runs cannot be compared: no cell of one measured the same as a cell of another"
        )
    told = [
        task_sentence(comparison.tasks[0], comparison.other.label, found.reference.label, found)
        for comparison in found.others
        if comparison.tasks
    ]
    if not told:
        return "These runs share cells, but too few rounds of them to compare"
    if len(found.others) == 1 and (best := best_phrase(found, found.others[0].other.label)):
        told.append(best)
    return "; ".join(told[:MOST_IN_HEADLINE]) + (
        f"; {count_text(len(told) - MOST_IN_HEADLINE, 'more host')} below"
        if len(told) > MOST_IN_HEADLINE
        else ""
    )


def best_phrase(found: HardwareComparison, label: str) -> str:
    """What a host does at its own best setting against the reference at its own; empty where
    neither has several settings for it."""
    rows = [row for row in found.best if row.label == label and row.speedup_ratio is not None]
    counts = {(row.cell.job_count, row.cell.thread_count) for row in found.best}
    if not rows or len(counts) < 2:
        return ""
    ratios = sorted(row.speedup_ratio.point for row in rows if row.speedup_ratio is not None)
    low, high = (number_text(value, half_width=0.05 * value) for value in (ratios[0], ratios[-1]))
    range_text = low if low == high else f"{low} to {high}"
    return (
        f"each at its best number of jobs and threads, {shown_name(label)} does {range_text} times "
        f"as much as {shown_name(found.reference.label)}"
    )


MOST_IN_HEADLINE: Final = 2
"""Hosts named in the headline; a sentence with more is not read to its end."""


def task_sentence(ratio: TaskRatio, other: str, reference: str, found: HardwareComparison) -> str:
    """`A shows a picture 3.1 [2.8, 3.4] times sooner than B over 12 common cells`."""
    names = (shown_name(other), shown_name(reference))
    over = f"over {count_text(ratio.cell_count, 'common cell')}"
    verb, than = _FASTER[ratio.task]
    if ratio.standing == "the same":
        return (
            f"{names[0]} and {names[1]} are alike in {TASK_NAMES[ratio.task]} within "
            f"{100 * found.tolerance_fraction:g} % (ratio {bare_ratio(ratio.speedup_ratio)}) {over}"
        )
    if ratio.standing == "cannot tell":
        return (
            f"Which of {names[0]} and {names[1]} is faster in {TASK_NAMES[ratio.task]} cannot be "
            f"told {over}: {names[0]} came out at {bare_ratio(ratio.speedup_ratio)} times the speed"
        )
    estimate = ratio.speedup_ratio
    if ratio.standing == "slower":
        names, estimate = names[::-1], inverted(estimate)
    return f"{names[0]} {verb} {bare_ratio(estimate)} {than} {names[1]} {over}"


def inverted(estimate: Estimate) -> Estimate:
    """The reciprocal of a ratio with an interval."""
    if estimate.low is None or estimate.high is None:
        return estimate.model_copy(update={"point": 1 / estimate.point})
    return estimate.model_copy(
        update={"point": 1 / estimate.point, "low": 1 / estimate.high, "high": 1 / estimate.low}
    )


def bare_ratio(estimate: Estimate) -> str:
    """`3.1 [2.8, 3.4]`."""
    if estimate.low is None or estimate.high is None:
        return number_text(estimate.point)
    half = (estimate.high - estimate.low) / 2
    point, low, high = (
        number_text(value, half_width=half)
        for value in (estimate.point, estimate.low, estimate.high)
    )
    return f"{point} [{low}, {high}]"


def finding_sentences(found: HardwareComparison) -> list[str]:
    """Per host and task one sentence, then how many cells stand behind them."""
    texts = []
    for comparison in found.others:
        texts += [
            task_sentence(ratio, comparison.other.label, found.reference.label, found) + "."
            for ratio in comparison.tasks
        ]
        if best := best_phrase(found, comparison.other.label):
            texts.append(f"{best[:1].upper()}{best[1:]}.")
        texts.append(_cell_count_sentence(comparison, found.reference.label))
        if comparison.kernel_ratio is not None:
            texts.append(
                f"The reference kernel, plain arithmetic on one core, ran "
                f"{bare_ratio(comparison.kernel_ratio)} times as fast on "
                f"{shown_name(comparison.other.label)}: what a cell gains beyond that is not the "
                "core's plain speed."
            )
    return texts


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
            ("cannot tell", "not to be told"),
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
        texts.append(f"{name}, {TASK_NAMES[task]}: {said}.")
    if comparison.unknown:
        texts.append(f"Not told by either system: {list_text(comparison.unknown, limit=12)}.")
    return texts


def rule_sentences(found: HardwareComparison, *, is_priced: bool) -> list[str]:
    """What the figures rest on."""
    comparisons = len(found.others)
    level = f"{100 * found.confidence_level:g} %"
    texts = [
        f"Every host is compared with {shown_name(found.reference.label)}, the run named first. "
        "Above 1 the other host is faster.",
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

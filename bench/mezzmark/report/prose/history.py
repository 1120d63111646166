"""A history in sentences; reads steps, finds none."""

from mezzmark.decide.compare.history import History, HistoryPoint, HistoryRun, HistorySeries, Step
from mezzmark.decide.compare.verdicts import Refusal
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate
from mezzmark.report.prose.figures import FigureText
from mezzmark.report.prose.machine import fact_change_text
from mezzmark.report.prose.numbers import (
    IN_BRACKETS,
    bare_ratio,
    count_text,
    few_text,
    level_text,
    number_text,
    sentence,
    shown_name,
    visible_text,
)
from mezzmark.report.prose.regress import reasons_text
from mezzmark.report.prose.terms import task_label

FEW_RUNS = 5
"""With fewer runs a change is hardly ever found."""


def date_texts(runs: tuple[HistoryRun, ...]) -> list[str]:
    """A date for each run; with hour and minute where two runs share a day."""
    days = [run.started_utc[:10] for run in runs]
    if len(set(days)) == len(days):
        return days
    return [run.started_utc[:16].replace("T", " ") for run in runs]


def percent_text(ratio: Estimate) -> str:
    """A cost ratio as `+12 % [10, 15]`."""
    values = [100 * (value - 1) for value in (ratio.point, ratio.low or 0, ratio.high or 0)]
    half = (values[2] - values[1]) / 2
    point, low, high = (number_text(abs(value), half_width=half) for value in values)
    signs = ["−" if value < 0 else "+" for value in values]
    return f"{signs[0]}{point} % [{signs[1]}{low}, {signs[2]}{high}]"


def series_name(line: HistorySeries) -> str:
    """What a line is called: its cell, or its task."""
    return task_label(line.task) if line.cell is None else line.cell.cell_id


def _compared_count(history: History) -> int:
    """Runs with a level of a task or a cell beside that of the reference kernel."""
    lines = (line for line in (*history.tasks, *history.cells) if line.task != "kernel")
    return len({point.position for line in lines for point in line.points})


def runs_text(history: History) -> str:
    """`5 runs`, or `3 of 5 runs` where the others measured nothing that compares."""
    compared, runs = _compared_count(history), count_text(len(history.runs), "run")
    return runs if compared in {0, len(history.runs)} else f"{compared} of {runs}"


def history_headline(history: History) -> str:
    """What happened to the host over its runs, in one sentence."""
    name = shown_name(history.host_label)
    dates = date_texts(history.runs)
    span = f"over {runs_text(history)} from {dates[0]} to {dates[-1]}"
    if not _compared_count(history):
        return f"{name}: no cell was measured alike in three runs {span}"
    steps = [
        f"{percent_text(step.cost_ratio)} time in {series_name(line)} between "
        f"{dates[step.before]} and {dates[step.after]}"
        for line in history.tasks
        for step in line.steps
    ]
    if not steps:
        return f"{name}: no change of level was found {span}"
    changes = few_text(steps, lambda more: f"{count_text(more, 'more change')} below", most=2)
    return f"{name}: {changes}"


def step_sentences(history: History) -> list[str]:
    """One sentence per step of a task: how much, when, and what changed on the host."""
    dates = date_texts(history.runs)
    texts = [
        f"{percent_text(step.cost_ratio)} time in {series_name(line)} from the run of "
        f"{dates[step.after]} on. Changed on the host: {change_text(step)}."
        f"{_kernel_text(line, step, history)}"
        for line in history.tasks
        for step in line.steps
    ]
    count = sum(len(line.steps) for line in history.cells)
    cells = count_text(len(history.cells), "cell")
    changes = count_text(count, "change") if count else "No change"
    return [*texts, f"{changes} of level in {cells}, each taken by itself."]


def change_text(step: Step) -> str:
    """What the runs recorded differently of the host around a step."""
    changes = "; ".join(fact_change_text(change) for change in step.host_changes)
    return changes or "nothing that the runs record"


def _kernel_text(line: HistorySeries, step: Step, history: History) -> str:
    if line.task == "kernel":
        return " It does the same work in every run, so the machine itself changed."
    if step.kernel_ratio is not None:
        return (
            f" The reference kernel changed there too ({percent_text(step.kernel_ratio)}): the "
            "machine itself, at least in part."
        )
    if any(series.task == "kernel" for series in history.tasks):
        return " The reference kernel shows no change there: look at what the task alone uses."
    return ""


def history_cautions(history: History) -> list[str]:
    """What to know before relying on a history."""
    compared = _compared_count(history)
    few = (
        f"{count_text(compared, 'run')} are too few to find any but a huge change: “no change” "
        "here says little. Eight runs usually find one of 10 %."
    )
    return [few] if 0 < compared < FEW_RUNS else []


def refusal_text(refusal: Refusal) -> str:
    """Why a run is left out of the history of some cells."""
    return f"{visible_text(refusal.reasons[0].place)}: {reasons_text(refusal)}"


def history_rules() -> list[str]:
    """How steps are found and how sure they are."""
    level = level_text(1 - CONFIDENCE_LEVEL)
    return [
        "Runs are those of one host label, processor and number of cores, in the order of their "
        "first trial. Figures are time against the first run (above 1 is slower); bars are "
        f"{level_text(CONFIDENCE_LEVEL)} intervals of each run over its own rounds; "
        "last against first has the errors of both.",
        "Changes are found by binary segmentation: the split into two levels that fits best, "
        "weighted by the runs' own errors and their spread from run to run, then again in both "
        "parts. The test is the greatest t over all places, bounded over the places (Bonferroni).",
        f"With no change, any is claimed in at most {level} of such histories over the tasks and "
        f"the kernel, and in at most {level} over the cells (Holm in both), if runs are fair draws "
        "of the machine's days. A slow drift, or days that resemble the days before, come out as "
        "changes more often.",
        "The place of a change may be a run off; the interval of its size takes it as known.",
    ]


def history_text(history: History) -> FigureText:
    """Of one host over its runs."""
    last = [
        f"{series_name(line)} {bare_ratio(line.last_ratio)} in the last run, "
        f"{count_text(len(line.steps), 'change')}"
        for line in history.tasks
    ]
    return FigureText(
        title=f"{shown_name(history.host_label)} over {runs_text(history)}",
        subtitle=f"Time against the first run, by task. Bars: {level_text(CONFIDENCE_LEVEL)} "
        "intervals of a run over its rounds. Thin lines: single cells. Dashed: a change of level "
        f"({level_text(1 - CONFIDENCE_LEVEL)} chance of any false one).",
        caption="Runs stand at even steps, whatever time lies between them. Above 1 a run took "
        "longer than the first. The blue line is the geometric mean over the task's common cells.",
        alt=f"Time against the first run: {'; '.join(last)}.",
    )


def panel_title(series: HistorySeries) -> str:
    """The task of a panel, and of how many cells it is the mean."""
    count = f" ({count_text(series.cell_count, 'cell')})" if series.cell_count else ""
    name = series_name(series)
    return f"{sentence(name) if series.cell is None else name}{count}"


def history_words(series: HistorySeries, point: HistoryPoint, history: History) -> str:
    """Of one run's mark."""
    ratio = point.cost_ratio
    return (
        f"{series_name(series)}, {date_texts(history.runs)[point.position]}: {bare_ratio(ratio)} "
        f"of the first run's time; {count_text(ratio.round_count, 'round')}"
    )


def history_basis(history: History) -> str:
    """One line under the headline: how much was measured."""
    cells = count_text(len(history.cells), "cell")
    return f"{runs_text(history)} · {cells} · {IN_BRACKETS}"

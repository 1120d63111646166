"""A history in sentences; reads steps, finds none."""

from mezzmark.decide.compare.history import History, HistoryPoint, HistoryRun, Series, Step
from mezzmark.model.estimate import Estimate
from mezzmark.report.prose.best_host import bare_ratio
from mezzmark.report.prose.figures import FigureText
from mezzmark.report.prose.numbers import (
    count_text,
    list_text,
    number_text,
    sentence,
    shown_name,
)

DATE_LENGTH = len("2026-03-01")
MINUTE_LENGTH = len("2026-03-01T10:00")


def date_texts(runs: tuple[HistoryRun, ...]) -> list[str]:
    """A date for each run; with hour and minute where two runs share a day."""
    days = [run.started_utc[:DATE_LENGTH] for run in runs]
    if len(set(days)) == len(days):
        return days
    return [run.started_utc[:MINUTE_LENGTH].replace("T", " ") for run in runs]


def percent_text(ratio: Estimate) -> str:
    """A cost ratio as `+12 % [10, 15]`."""
    values = [100 * (value - 1) for value in (ratio.point, ratio.low or 0, ratio.high or 0)]
    half = (values[2] - values[1]) / 2
    point, low, high = (number_text(abs(value), half_width=half) for value in values)
    signs = ["−" if value < 0 else "+" for value in values]
    return f"{signs[0]}{point} % [{signs[1]}{low}, {signs[2]}{high}]"


def history_headline(history: History) -> str:
    """What happened to the host over its runs, in one sentence."""
    name = shown_name(history.host_label)
    dates = date_texts(history.runs)
    span = f"over {count_text(len(history.runs), 'run')} from {dates[0]} to {dates[-1]}"
    if not history.tasks:
        return f"{name}: no cell was measured alike in three runs {span}"
    told = [
        f"{line.name} {_step_words(step)} between {dates[step.before]} and {dates[step.after]}"
        for line in history.tasks
        for step in line.steps
    ]
    if not told:
        return f"{name}: no change of level was found {span}"
    more = f"; {count_text(len(told) - 2, 'more change')} below" if len(told) > 2 else ""
    return f"{name}: {'; '.join(told[:2])}{more}"


def _step_words(step: Step) -> str:
    ratio = step.cost_ratio
    verb = "took longer" if ratio.point > 1 else "took less long"
    return f"{verb} by {percent_text(ratio)}"


def step_sentences(history: History) -> list[str]:
    """One sentence per step of a task: how much, when, and what changed on the host."""
    texts = []
    dates = date_texts(history.runs)
    for line in history.tasks:
        for step in line.steps:
            text = (
                f"{_name(line)}: {percent_text(step.cost_ratio)} in time from the run of "
                f"{dates[step.after]} on"
            )
            texts.append(f"{text}. {change_text(step)}{_kernel_text(line, step, history)}")
    quiet = [line.name for line in history.tasks if not line.steps]
    if quiet:
        texts.append(f"No change of level found in: {list_text(quiet, limit=6)}.")
    count = sum(len(line.steps) for line in history.cells)
    texts.append(
        f"Cell by cell ({count_text(len(history.cells), 'cell')}) "
        f"{count_text(count, 'change')} {'was' if count == 1 else 'were'} found."
        if count
        else f"None of {count_text(len(history.cells), 'cell')} by itself shows a change."
    )
    return texts


def _name(line: Series) -> str:
    return f"{line.name[:1].upper()}{line.name[1:]}"


def change_text(step: Step) -> str:
    """What the runs recorded differently of the host around a step."""
    if not step.host_changes:
        return "Nothing that the runs record of the host changed there."
    changes = [
        f"{shown_name(change.name)} {shown_name(change.before)} → {shown_name(change.after)}"
        for change in step.host_changes
    ]
    return f"Between these runs: {'; '.join(changes)}."


def _kernel_text(line: Series, step: Step, history: History) -> str:
    kernels = [s for s in history.tasks if s.cell_count == 0]
    if line.cell_count == 0:
        return " It does the same work in every run, so the machine itself changed."
    if step.kernel_ratio is not None:
        return (
            " The reference kernel changed there too "
            f"({percent_text(step.kernel_ratio)}): the machine itself, at least in part."
        )
    if kernels:
        return " The reference kernel shows no change there: look at what the task alone uses."
    return ""


def history_rules(history: History) -> list[str]:
    """How steps are found and how sure they are."""
    level = f"{100 * history.error_level:g} %"
    return [
        "Runs are those of one host label, processor and number of cores, in the order of their "
        "first trial. Figures are time against the first run (above 1 is slower); bars are "
        f"{100 * history.confidence_level:g} % intervals of each run over its own rounds.",
        "Changes are found by binary segmentation: the split into two levels that fits best, "
        "weighted by the runs' own errors and their spread from run to run, then again in both "
        "parts. The test is the greatest t over all places, bounded over the places (Bonferroni).",
        f"With no change, any is claimed in at most {level} of such histories over the tasks and "
        f"the kernel, and in at most {level} over the cells (Holm in both), if runs are fair draws "
        "of the machine's days. A slow drift, or days that resemble the days before, come out as "
        "changes more often.",
        "The place of a change may be a run off; the interval of its size takes it as known. With "
        "fewer than five runs a change is hardly ever found, with eight one of 10 % usually.",
    ]


def history_text(history: History) -> FigureText:
    """Of one host over its runs."""
    told = [
        f"{line.name} {bare_ratio(line.points[-1].cost_ratio)} in the last run, "
        f"{count_text(len(line.steps), 'change')}"
        for line in history.tasks
    ]
    return FigureText(
        title=f"{shown_name(history.host_label)} over {count_text(len(history.runs), 'run')}",
        subtitle=f"Time against the first run, by task. Bars: {100 * history.confidence_level:g} "
        "% intervals of a run over its rounds. Thin lines: single cells. Dashed: a change of "
        f"level ({100 * history.error_level:g} % chance of any false one).",
        caption="Runs stand at even steps, whatever time lies between them. Above 1 a run took "
        "longer than the first. The blue line is the geometric mean over the task's common "
        "cells; thin grey lines are single cells. A dashed line is a change of level, with its "
        "size.",
        alt=f"Time against the first run: {'; '.join(told)}.",
    )


def panel_title(series: Series) -> str:
    """The task of a panel, and of how many cells it is the mean."""
    count = f" ({count_text(series.cell_count, 'cell')})" if series.cell_count else ""
    return f"{sentence(series.name)}{count}"


def history_words(series: Series, point: HistoryPoint, history: History) -> str:
    """Of one run's mark."""
    ratio = point.cost_ratio
    return (
        f"{series.name}, {date_texts(history.runs)[point.position]}: {bare_ratio(ratio)} of the "
        f"first run's time; {count_text(ratio.round_count, 'round')}"
    )

"""Two runs of one host: their common cells side by side, as two dates."""

import shlex

from mezzmark.decide.compare.history import start_of
from mezzmark.decide.compare.host_comparison import Refusal
from mezzmark.decide.compare.regress import compare_runs
from mezzmark.decide.compare.verdicts import CellVerdict, RegressionReport, Verdict
from mezzmark.decide.estimate.complete_rounds import run_names
from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.decide.machine.state import judge_machine
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import Estimate
from mezzmark.model.tasks import TASKS
from mezzmark.report.prose.numbers import (
    count_text,
    shown_name,
    visible_text,
)
from mezzmark.report.prose.regress import summarise_regression, unjudged_groups
from mezzmark.report.prose.terms import TASK_NAMES
from mezzmark.report.sections.parts import Group, Together, refused_group
from mezzmark.report.tables.comparison import refusal_table
from mezzmark.report.tables.table import Column, Table, bare, filled, tabulate

TOLERANCE = 0.05
"""What `regress` takes by default."""

_WORDS: dict[Verdict, str] = {
    "regressed": "slower",
    "improved": "faster",
    "equivalent": "the same",
    "inconclusive": "cannot tell",
}

MINUTE_LENGTH = len("2026-03-01T10:00")


def build_two_dates(
    earlier: MeasuredRun, later: MeasuredRun, *, prefix: str, confidence_level: float
) -> Together:
    """The section of a host with two runs; `prefix` begins its ids. The verdicts are those of
    `regress`."""
    report = compare_runs(
        [earlier], [later], tolerance_fraction=TOLERANCE, confidence_level=confidence_level
    )
    names = run_names([earlier, later])
    judged = [cell for cell in report.cells if cell.cost_ratio is not None]
    host = shown_name(earlier.manifest.host.host_label)
    table = _table(judged, earlier, later, prefix, confidence_level)
    return Together(
        anchor=prefix,
        kicker="One host at two dates",
        headline=f"{host} at two dates: {_headline(judged, report)}",
        basis=(
            f"{_date(earlier)} ({shown_name(names[0])}) and {_date(later)} "
            f"({shown_name(names[1])}), both in UTC · {count_text(len(judged), 'compared cell')} · "
            f"{100 * confidence_level:g} % intervals in brackets"
        ),
        cautions=_cautions(report, (earlier, later)),
        pictures=(),
        groups=tuple(
            group
            for group in (_found(report, names, table, prefix), _refused(report, prefix))
            if group.sentences or group.tables
        ),
    )


def _date(run: MeasuredRun) -> str:
    return start_of(run)[:MINUTE_LENGTH].replace("T", " ")


def _headline(judged: list[CellVerdict], report: RegressionReport) -> str:
    if not judged:
        return summarise_regression(report)
    if report.design == "at the same time":
        return "both runs were at work at the same time and disturbed each other"
    verdicts = [cell.verdict for cell in judged]
    count = count_text(len(judged), "cell")
    if set(verdicts) == {"inconclusive"}:
        return f"whether it changed cannot be told ({count})"
    if set(verdicts) == {"equivalent"}:
        return f"no change in time beyond {100 * TOLERANCE:g} % ({count})"
    first, *others = [
        (verdicts.count(verdict), "where it cannot be told" if verdict == "inconclusive" else word)
        for verdict, word in _WORDS.items()
        if verdict in verdicts
    ]
    parts = [f"{first[0]} of {count} {first[1]}", *(f"{number} {word}" for number, word in others)]
    return ", ".join(parts)


def _cautions(report: RegressionReport, runs: tuple[MeasuredRun, ...]) -> tuple[str, ...]:
    texts = []
    if report.design == "at the same time":
        texts.append(report.assumption)
    if any(arm.has_fired for arm in report.null_arms):
        texts.append(
            "A run found a difference between a cell and the same cell again: no change is claimed."
        )
    for run in runs:
        state = judge_machine(run.manifest.host, run.trials)
        texts += [f"The run of {_date(run)}: {text}" for text in state.warnings]
    return tuple(visible_text(text) for text in texts)


def _found(report: RegressionReport, names: list[str], table: Table, prefix: str) -> Group:
    first, second = (visible_text(shlex.quote(name)) for name in names)
    return Group(
        anchor=f"{prefix}-found",
        title="The same cells at both dates",
        sentences=(
            "Two runs of one machine say whether it changed, not which machine to buy. To have "
            "that judged, with an exit code for other programs: "
            f"mezzmark regress --baseline {first} --candidate {second}",
            "A third run of this machine adds its history: where it stepped to another level.",
            report.assumption,
        ),
        tables=filled(table),
    )


def _refused(report: RegressionReport, prefix: str) -> Group:
    groups = unjudged_groups(report)
    refusals = [Refusal(reason=group.reason, cell_ids=group.cell_ids) for group in groups]
    table = refusal_table(refusals, title="Left out of the two dates", table_id=f"{prefix}-refused")
    return refused_group(f"{prefix}-left-out", table)


def _table(
    judged: list[CellVerdict],
    earlier: MeasuredRun,
    later: MeasuredRun,
    prefix: str,
    confidence_level: float,
) -> Table:
    before, after = (_headline_figures(run, confidence_level) for run in (earlier, later))
    return tabulate(
        judged,
        [
            Column("cell", lambda c: c.cell.cell_id, "left"),
            Column("what", lambda c: TASK_NAMES[c.cell.task], "left"),
            Column(_date(earlier), lambda c: before.get(c.cell)),
            Column(_date(later), lambda c: after.get(c.cell)),
            Column("time, later / earlier", lambda c: bare(c.cost_ratio)),
            Column("verdict", lambda c: _WORDS.get(c.verdict, c.verdict), "left"),
        ],
        table_id=f"{prefix}-cells",
        title="Cells at two dates",
        note=(
            "Time, later / earlier: above 1 the later run is slower. “The same” is within "
            f"{100 * TOLERANCE:g} %; verdicts are adjusted for all cells."
        ),
    )


def _headline_figures(run: MeasuredRun, confidence_level: float) -> dict[Cell, Estimate]:
    return {
        summary.cell: summary.estimates[figure]
        for summary in summarise_cells(run.trials, confidence_level=confidence_level)
        if (figure := TASKS[summary.cell.task].headline) and figure in summary.estimates
    }

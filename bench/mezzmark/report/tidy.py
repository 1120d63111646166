"""The tables of cells and of trials: one row a figure, and one row a trial."""

from collections.abc import Iterable, Sequence
from typing import Final

import pandas as pd

from mezzmark.decide.estimates import summarise_cells
from mezzmark.decide.observations import observe_trial
from mezzmark.facts.estimates import CellSummary
from mezzmark.facts.records import ScrubMeasurement, Trial
from mezzmark.facts.run import Manifest
from mezzmark.report.frame_schema import (
    CELL_COLUMNS,
    CELLS,
    FIGURE_COLUMNS,
    MOMENT_COLUMNS,
    PROCESS_COLUMNS,
    TRIALS,
    typed,
)
from mezzmark.report.plain_csv import csv_bytes
from mezzmark.report.view import RunView
from mezzmark.store.run_store import Run

NOTHING_FINISHED: Final = "no trial finished"
JUDGED: Final = "judged, not timed"
"""Of fidelity, whose figures are pictures and charts: they stand in the JSON export."""


def cells_frame(runs: Sequence[Run], *, confidence_level: float = 0.95) -> pd.DataFrame:
    """The table of cells: a row per run, cell and figure. A cell without figures has one row whose
    `withheld` says why, so that it is not missing silently."""
    return _cells(
        (run.manifest, summary)
        for run in runs
        for summary in summarise_cells(run.trials, confidence_level=confidence_level)
    )


def cells_csv(views: Sequence[RunView]) -> bytes:
    """The same table as `cells.csv`, from estimates that a report has made already."""
    return csv_bytes(_cells((view.manifest, s) for view in views for s in view.summaries))


def _cells(summaries: Iterable[tuple[Manifest, CellSummary]]) -> pd.DataFrame:
    rows = [row for manifest, summary in summaries for row in _rows(manifest, summary)]
    return typed(_columns(rows), CELLS)


def _columns(rows: Sequence[dict[str, object]]) -> dict[str, list[object]]:
    names = {name for row in rows for name in row}
    return {name: [row.get(name) for row in rows] for name in names}


def _rows(manifest: Manifest, summary: CellSummary) -> list[dict[str, object]]:
    shared: dict[str, object] = {
        "run_id": manifest.run_id,
        "host": manifest.host.host_label,
        **{name: getattr(summary.cell, name) for name in CELL_COLUMNS},
        "trial_count": summary.trial_count,
        "failed_trial_count": summary.failed_trial_count,
        "wrong_count": summary.wrong_count,
        "unproved_count": summary.unproved_count,
        "alike_count": summary.alike_count,
    }
    if not summary.estimates:
        has_finished = summary.trial_count > summary.failed_trial_count
        is_judged = summary.cell.task == "fidelity" and has_finished
        return [shared | {"figure": "", "withheld": JUDGED if is_judged else NOTHING_FINISHED}]
    return [
        shared
        | {
            "figure": figure,
            "unit": estimate.unit,
            "point": estimate.point,
            "low": estimate.low,
            "high": estimate.high,
            "confidence_level": estimate.confidence_level,
            "round_count": estimate.round_count,
            "sample_count": estimate.sample_count,
            "method": estimate.method,
            "withheld": estimate.withheld,
        }
        for figure, estimate in summary.estimates.items()
    ]


def trials_frame(runs: Sequence[Run]) -> pd.DataFrame:
    """The table of trials, failed ones too, in the order they ran."""
    rows = [_trial_row(run.manifest, trial) for run in runs for trial in run.trials]
    return typed(_columns(rows), TRIALS)


def _trial_row(manifest: Manifest, trial: Trial) -> dict[str, object]:
    observation = observe_trial(trial)
    figures = observation.figures if observation else {}
    row: dict[str, object] = {
        "run_id": manifest.run_id,
        "host": manifest.host.host_label,
        "round_index": trial.round_index,
        "position": trial.position,
        **{name: getattr(trial.cell, name) for name in CELL_COLUMNS},
        "seed": trial.seed,
        "started_utc": trial.started_utc,
        "wall_ns": trial.wall_ns,
        "outcome": trial.outcome,
        "reason": trial.reason,
        "sample_count": observation.sample_count if observation else 0,
        **{name: figures.get(name) for name in FIGURE_COLUMNS},
    }
    if isinstance(trial.measurement, ScrubMeasurement):
        proof = trial.measurement.proof
        row["wrong_count"] = proof.count("wrong")
        row["unproved_count"] = proof.count("unreadable") + proof.count("missing")
        row["alike_count"] = proof.count("alike")
    if trial.process is not None:
        row |= {name: getattr(trial.process, name) for name in PROCESS_COLUMNS}
    for prefix, moment in (("before", trial.host_before), ("during", trial.host_during)):
        row |= {f"{prefix}_{name}": getattr(moment, name) for name in MOMENT_COLUMNS}
    return row

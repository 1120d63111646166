"""The tables of cells and of trials: one row a figure, and one row a trial."""

from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from mezzmark.decide.estimate.observations import observe_trial
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.model.estimate import CellSummary
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.scrub import ScrubMeasurement, latencies_ms, proved_mask
from mezzmark.report.export.columns import (
    CATEGORY,
    CELL_COLUMNS,
    CELLS,
    FIGURE_COLUMNS,
    MOMENT_COLUMNS,
    MOVE_COLUMNS,
    PROCESS_COLUMNS,
    SAMPLES,
    TRIALS,
    cell_values,
    typed,
)
from mezzmark.report.export.plain_csv import csv_bytes
from mezzmark.report.prose.numbers import withheld_text
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
        **cell_values(summary.cell, summary.arm),
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
            "withheld": withheld_text(estimate.withheld),
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
        **cell_values(trial.cell, trial.arm),
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


def samples_frame(runs: Sequence[Run]) -> pd.DataFrame:
    """Every playhead move of every finished scrub trial, in the order they were made.

    Other tasks have one figure a trial and stand in the table of trials.
    """
    found = [
        (run, trial, trial.measurement)
        for run in runs
        for trial in run.trials
        if isinstance(trial.measurement, ScrubMeasurement)
    ]
    measured = [measurement for _, _, measurement in found]
    counts = np.array([len(m.frame_index) for m in measured], dtype=np.int64)
    columns: dict[str, object] = {
        name: _repeated([_setting(run, trial, name) for run, trial, _ in found], counts, dtype)
        for name, dtype in SAMPLES.items()
        if name in _TRIAL_LEVEL
    }
    columns["move_index"] = _joined([np.arange(count) for count in counts], np.int64)
    for name in MOVE_COLUMNS:
        columns[name] = _joined([getattr(m, name) for m in measured], np.int64)
    columns["latency_ms"] = _joined([latencies_ms(m) for m in measured], np.float64)
    columns["proof"] = pd.Categorical([proof for m in measured for proof in m.proof])
    columns["is_proved"] = _joined([proved_mask(m) for m in measured], np.bool_)
    return typed(columns, SAMPLES)


_TRIAL_LEVEL = {"run_id", "host", "round_index", "position", *CELL_COLUMNS}


def _setting(run: Run, trial: Trial, name: str) -> object:
    if name == "run_id":
        return run.manifest.run_id
    if name == "host":
        return run.manifest.host.host_label
    if name in ("round_index", "position"):
        return getattr(trial, name)
    return cell_values(trial.cell, trial.arm)[name]


def _repeated(values: Sequence[Any], counts: NDArray[np.int64], dtype: str) -> object:
    """Each trial's value once for each of its moves."""
    if dtype != CATEGORY:
        return pd.Series(values, dtype=dtype).repeat(counts.tolist()).array
    once = pd.Categorical(values)
    return pd.Categorical.from_codes(np.repeat(once.codes, counts), dtype=once.dtype)


def _joined(parts: Sequence[Any], dtype: type) -> NDArray[Any]:
    arrays: list[NDArray[Any]] = [np.asarray(part, dtype=dtype) for part in parts]
    return np.concatenate(arrays) if arrays else np.empty(0, dtype=dtype)

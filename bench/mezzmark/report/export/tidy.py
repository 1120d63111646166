"""Runs as tidy tables of cells, trials and moves, and tables as CSV that spreadsheets may open
without harm (RFC 4180 quoting, UTF-8, line feeds).

A spreadsheet takes a text that begins with `=`, `+`, `-`, `@`, a tab or a line break for a formula,
quoted or not, and names come from files that others made. Such a text, and one that begins with an
apostrophe, gets an apostrophe in front; take one leading apostrophe away to have it back. Parquet
and JSON are never opened as formulas and hold names as they are.
"""

import csv
import re
from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from mezzmark.decide.estimate.observed_run import MeasuredRun, observe_trial
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.model.estimate import CellSummary
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.scrub import ScrubMeasurement, latencies_ms, proved_mask
from mezzmark.report.export import columns
from mezzmark.report.prose.numbers import withheld_text

FLOAT_FORMAT: Final = "%.9g"
"""Nine digits: more than any clock here resolves, and the same text on every platform."""

FORMULA_STARTS: Final = "=+-@\t\r\n＝＋－＠"  # the wide forms count as formulas in some locales
_GUARDED: Final = re.compile(f"^(?=[{re.escape(FORMULA_STARTS)}'])")


def csv_bytes(frame: pd.DataFrame) -> bytes:
    """The frame as UTF-8 text with a header line; whole numbers stay whole, gaps stay empty."""
    texts = frame.select_dtypes(["category", "string"])
    guarded = frame.assign(
        **{str(name): column.map(guard, na_action="ignore") for name, column in texts.items()}
    )
    has_return = any("\r" in text for _, c in texts.items() for text in c.dropna().unique())
    text = guarded.to_csv(
        index=False,
        float_format=FLOAT_FORMAT,
        lineterminator="\n",
        # Python's writer quotes a lone carriage return only when it quotes all text.
        quoting=csv.QUOTE_NONNUMERIC if has_return else csv.QUOTE_MINIMAL,
    )
    return text.encode("utf-8")


def guard(text: str) -> str:
    """`text` made harmless to spreadsheets."""
    return _GUARDED.sub("'", text)


NOTHING_FINISHED: Final = "no trial finished"
JUDGED: Final = "judged, not timed"
"""Of fidelity, whose figures are pictures and charts: they stand in the JSON export."""


def cells_frame(runs: Sequence[MeasuredRun], *, confidence_level: float = 0.95) -> pd.DataFrame:
    """The table of cells: a row per run, cell and figure. A cell without figures has one row whose
    `withheld` says why, so that it is not missing silently."""
    return _cells(
        (run.manifest, summary)
        for run in runs
        for summary in summarise_cells(run.trials, confidence_level=confidence_level)
    )


def cells_csv(runs: Iterable[tuple[Manifest, Sequence[CellSummary]]]) -> bytes:
    """The same table as `cells.csv`, from estimates that a report has made already."""
    return csv_bytes(_cells((manifest, s) for manifest, summaries in runs for s in summaries))


def _cells(summaries: Iterable[tuple[Manifest, CellSummary]]) -> pd.DataFrame:
    rows = [row for manifest, summary in summaries for row in _rows(manifest, summary)]
    return columns.typed(rows, columns.CELLS)


def _rows(manifest: Manifest, summary: CellSummary) -> list[dict[str, object]]:
    shared: dict[str, object] = {
        "run_id": manifest.run_id,
        "host": manifest.host.host_label,
        **columns.cell_values(summary.cell, summary.arm),
        **{name: getattr(summary, name) for name in columns.SUMMARY_COLUMNS},
    }
    if not summary.estimates:
        has_finished = summary.trial_count > summary.failed_trial_count
        is_judged = summary.cell.task == "fidelity" and has_finished
        return [shared | {"figure": "", "withheld": JUDGED if is_judged else NOTHING_FINISHED}]
    return [
        shared | dict(estimate) | {"figure": figure, "withheld": withheld_text(estimate.withheld)}
        for figure, estimate in summary.estimates.items()
    ]


def trials_frame(runs: Sequence[MeasuredRun]) -> pd.DataFrame:
    """The table of trials, failed ones too, in the order they ran."""
    rows = [_trial_row(run.manifest, trial) for run in runs for trial in run.trials]
    return columns.typed(rows, columns.TRIALS)


def _place(manifest: Manifest, trial: Trial) -> dict[str, object]:
    return {
        "run_id": manifest.run_id,
        "host": manifest.host.host_label,
        "round_index": trial.round_index,
        "position": trial.position,
        **columns.cell_values(trial.cell, trial.arm, trial.player),
    }


def _trial_row(manifest: Manifest, trial: Trial) -> dict[str, object]:
    observation = observe_trial(trial)
    row = dict(trial) | _place(manifest, trial)
    row["outcome"] = (*trial.flags, trial.outcome)[0]
    row["sample_count"] = observation.sample_count if observation else 0
    if observation:
        row |= {name: observation.figures.get(name) for name in columns.FIGURE_COLUMNS}
    if trial.measurement and (proof := TASKS[trial.cell.task].proofs(trial.measurement)):
        row["wrong_count"] = proof.count("wrong")
        row["unproved_count"] = proof.count("unreadable") + proof.count("missing")
        row["alike_count"] = proof.count("alike")
    if trial.process is not None:
        row |= {name: getattr(trial.process, name) for name in columns.PROCESS_COLUMNS}
    for prefix, moment in (("before", trial.host_before), ("during", trial.host_during)):
        row |= {f"{prefix}_{name}": getattr(moment, name) for name in columns.MOMENT_COLUMNS}
    return row


def samples_frame(runs: Sequence[MeasuredRun]) -> pd.DataFrame:
    """Every playhead move of every finished scrub trial, in the order they were made."""
    found = [
        (_place(run.manifest, trial), trial.measurement)
        for run in runs
        for trial in run.trials
        if isinstance(trial.measurement, ScrubMeasurement)
    ]
    measured = [measurement for _, measurement in found]
    places = columns.typed([place for place, _ in found], columns.PLACE_COLUMNS)
    counts = [len(measurement.frame_index) for measurement in measured]
    pairs = list(zip(measured, counts, strict=True))
    moves: dict[str, Any] = {
        "move_index": _joined([np.arange(count) for count in counts], np.int64),
        **{n: _joined([getattr(m, n) for m in measured], np.int64) for n in columns.MOVE_COLUMNS},
        "latency_ms": _joined([latencies_ms(m) for m in measured], np.float64),
        "proof": [proof for m in measured for proof in m.proof],
        "is_proved": _joined([proved_mask(m) for m in measured], np.bool_),
        **{
            n: _joined([getattr(m, n) or np.full(k, np.nan) for m, k in pairs], np.float64)
            for n in columns.LOOKED_AT_COLUMNS
        },
    }
    repeated = places.loc[places.index.repeat(counts)].reset_index(drop=True)
    return repeated.assign(**moves)[list(columns.SAMPLES)].astype(dict(columns.SAMPLES))


def _joined(parts: Sequence[Any], dtype: type) -> NDArray[Any]:
    return np.concatenate([np.empty(0, dtype), *(np.asarray(part, dtype) for part in parts)])

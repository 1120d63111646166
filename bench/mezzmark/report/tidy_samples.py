"""The table of samples: one row a playhead move, built by whole columns.

Ten million rows are made from arrays a trial long; no row ever exists as a Python object.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from mezzmark.decide.observations import latencies_ms, proved_mask
from mezzmark.facts.records import ScrubMeasurement, Trial
from mezzmark.report.frame_schema import (
    CATEGORY,
    CELL_COLUMNS,
    MOVE_COLUMNS,
    SAMPLES,
    typed,
)
from mezzmark.store.run_store import Run


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
    return getattr(trial if name in ("round_index", "position") else trial.cell, name)


def _repeated(values: Sequence[Any], counts: NDArray[np.int64], dtype: str) -> object:
    """Each trial's value once for each of its moves."""
    if dtype != CATEGORY:
        return pd.Series(values, dtype=dtype).repeat(counts.tolist()).array
    once = pd.Categorical(values)
    return pd.Categorical.from_codes(np.repeat(once.codes, counts), dtype=once.dtype)


def _joined(parts: Sequence[Any], dtype: type) -> NDArray[Any]:
    arrays: list[NDArray[Any]] = [np.asarray(part, dtype=dtype) for part in parts]
    return np.concatenate(arrays) if arrays else np.empty(0, dtype=dtype)

"""Runs in forms that other programs read: pandas frames, CSV, Parquet, JSON, pytest-benchmark's."""

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from glob import glob
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import pandas as pd

from mezzmark import __version__
from mezzmark.decide.estimate.observed_run import MeasuredRun, trial_cost
from mezzmark.model.cell import Cell
from mezzmark.model.errors import EngineError, RunError
from mezzmark.model.fact import grouped
from mezzmark.report.export.tidy import cells_frame, csv_bytes, samples_frame, trials_frame
from mezzmark.store.run_store import MANIFEST_NAME, Run, read_run

COST_SECONDS: Final = {"scrub": 1e-3, "encode": 1.0, "fidelity": 1.0}
"""Seconds in a unit of a task's headline cost: a scrub's is in ms, an encode's in s a frame."""


def export_runs(runs: Sequence[Run], output_format: str, table: str) -> str | bytes:
    """Runs in a format; RunError for a table or a number of runs that it cannot hold."""
    if output_format == "pytest-benchmark" and len(runs) != 1:
        what = f"pytest-benchmark's format holds one run, and {len(runs)} were named"
        raise RunError(where="export", what=what, remedy="Export each run into a file of its own")
    if output_format not in ("csv", "parquet") and table != "cells":
        what = f"{output_format} has no table of {table}"
        remedy = "Leave the table out, or export as csv or parquet"
        raise RunError(where="export", what=what, remedy=remedy)
    if output_format == "csv":
        return csv_bytes(frame_of(runs, table)).decode("utf-8")
    if output_format == "parquet":
        return as_parquet(runs, table=table)
    return as_json(runs) if output_format == "json" else _as_pytest_benchmark(runs[0])


def frame_of(runs: Sequence[MeasuredRun], table: str) -> pd.DataFrame:
    """One of the three tidy tables."""
    make = {"cells": cells_frame, "trials": trials_frame, "samples": samples_frame}[table]
    return make(runs)


def as_parquet(runs: Sequence[MeasuredRun], *, table: str = "cells") -> bytes:
    """A tidy table as a Parquet file, with types and gaps as they are."""
    try:
        import pyarrow  # noqa: F401  (pandas would say less well that it is missing)
    except ImportError as problem:
        what = "Parquet needs pyarrow, which is not installed"
        remedy = 'Install it with pip install ".[parquet]" in the clone, or export as csv'
        raise EngineError(where="export", what=what, remedy=remedy) from problem
    buffer = BytesIO()
    frame_of(runs, table).to_parquet(buffer, engine="pyarrow", index=False)
    return buffer.getvalue()


def as_json(runs: Sequence[Run]) -> str:
    """Manifests and all trials with their samples, one object a run."""
    shown = [
        {
            "manifest": run.manifest.model_dump(mode="json"),
            "trials": [trial.model_dump(mode="json") for trial in run.trials],
        }
        for run in runs
    ]
    return json.dumps({"mezzmark_version": __version__, "runs": shown}) + "\n"


def _as_pytest_benchmark(run: Run) -> str:
    """The JSON that pytest-benchmark's own tools read: a benchmark a cell, a datum a trial: its
    median scrub latency or time an encoded frame, in s. EngineError without pytest-benchmark."""
    try:
        from pytest_benchmark import __version__ as format_version
        from pytest_benchmark.stats import Stats
    except ImportError as problem:
        what = "pytest-benchmark is not installed"
        remedy = 'Install it with pip install ".[pytest]" in the clone'
        raise EngineError(where="export", what=what, remedy=remedy) from problem
    seconds = grouped(
        (trial.cell, cost * COST_SECONDS[trial.cell.task])
        for trial in run.trials
        if trial.cell.task in COST_SECONDS and trial.arm != "pilot" and (cost := trial_cost(trial))
    )
    benchmarks = []
    for cell, values in seconds.items():
        stats = Stats()
        for value in values:
            stats.update(value)
        benchmarks.append(_benchmark(cell, {**stats.as_dict(), "data": values, "iterations": 1}))
    manifest, host = run.manifest, run.manifest.host
    exported = {
        "machine_info": {
            "node": host.host_label,
            "machine": host.operating_system,
            "release": host.kernel,
            "python_version": host.python,
            "cpu": {"brand_raw": host.cpu_model, "count": host.usable_core_count},
        },
        "commit_info": {"id": manifest.run_id, "dirty": False, "time": manifest.created_utc},
        "benchmarks": benchmarks,
        "datetime": manifest.created_utc,
        "version": format_version,
    }
    return json.dumps(exported, indent=2) + "\n"


def _benchmark(cell: Cell, stats: dict[str, Any]) -> dict[str, Any]:
    return {
        "group": f"{cell.task} {cell.clip}",
        "name": cell.cell_id,
        "fullname": f"mezzmark::{cell.cell_id}",
        "params": cell.model_dump(mode="json", exclude_none=True),
        "param": cell.encoding,
        "extra_info": {"unit": "s a frame" if cell.task == "encode" else "s to picture, median"},
        "options": {
            "disable_gc": True,
            "timer": "perf_counter_ns",
            "min_rounds": stats["rounds"],
            "max_time": 0.0,
            "min_time": 0.0,
            "warmup": False,
        },
        "stats": stats,
    }


RunNames = Path | str | Sequence[Path | str]
"""A run folder, a glob such as "results/uhd-*", or several of them."""


@dataclass(frozen=True, kw_only=True)
class RunFrames:
    """Runs as tidy tables, whose every column results/README.md describes, with its unit in its
    name; each is made when first asked for and then kept. `cells` has intervals at
    `confidence_level`; a row of `trials` is the sampling unit."""

    runs: tuple[Run, ...]
    confidence_level: float = 0.95

    @cached_property
    def cells(self) -> pd.DataFrame:
        """A row per run, cell and figure."""
        return cells_frame(self.runs, confidence_level=self.confidence_level)

    @cached_property
    def trials(self) -> pd.DataFrame:
        """A row per trial, failed ones too."""
        return trials_frame(self.runs)

    @cached_property
    def samples(self) -> pd.DataFrame:
        """A row per playhead move; only those with `is_proved` showed the frame asked for."""
        return samples_frame(self.runs)


def read_frames(runs: RunNames, *, confidence_level: float = 0.95) -> RunFrames:
    """Read runs for analysis. RunError for a folder that is no run, or a glob that finds none."""
    names = [runs] if isinstance(runs, Path | str) else list(runs)
    folders = [folder for name in names for folder in find_run_dirs(name)]
    if not folders:
        raise RunError(
            where="read_runs", what="no run was named", remedy="Name a run's folder or a glob."
        )
    return RunFrames(
        runs=tuple(read_run(folder) for folder in dict.fromkeys(folders)),
        confidence_level=confidence_level,
    )


def find_run_dirs(name: Path | str) -> list[Path]:
    """The folder of that name, even if it is no run, so that a mistake is told; or in order those
    that match it as a glob and are runs. RunError where there is none."""
    folder = Path(os.path.expanduser(name))
    if folder.is_dir():
        return [folder]
    found = sorted(Path(match) for match in glob(str(folder)))
    runs = [path for path in found if (path / MANIFEST_NAME).is_file()]
    if not runs:
        what = "is neither a run's folder nor a glob that finds one"
        remedy = "Give the folder that `mezzmark measure` named when it ended."
        raise RunError(where=str(name), what=what, remedy=remedy)
    return runs

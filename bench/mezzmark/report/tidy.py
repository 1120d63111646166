"""`cells.csv`: one row per cell and figure, for spreadsheets and other programs."""

from collections.abc import Sequence
from typing import Final

import pandas as pd

from mezzmark.facts.estimates import CellSummary
from mezzmark.report.view import RunView

CELL_FIELDS: Final = (
    "task",
    "clip",
    "encoding",
    "pattern",
    "policy",
    "thread_count",
    "threading",
    "decoder",
    "viewer_height_px",
    "arm",
)
COLUMNS: Final = (
    "run_id",
    "host",
    *CELL_FIELDS,
    "figure",
    "unit",
    "point",
    "low",
    "high",
    "confidence_level",
    "round_count",
    "sample_count",
    "method",
    "withheld",
    "trial_count",
    "failed_trial_count",
    "wrong_count",
    "unproved_count",
)
"""The columns in order; report_templates/README.md says what each holds."""

FLOAT_FORMAT: Final = "%.9g"
"""Nine digits: more than any clock here resolves, and the same text on every platform."""


def tidy_cells(views: Sequence[RunView]) -> pd.DataFrame:
    """The table: a row per run, cell and figure; a cell that never finished has one row whose
    figure is empty, so that it is not missing silently."""
    rows = [row for view in views for summary in view.summaries for row in _rows(view, summary)]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _rows(view: RunView, summary: CellSummary) -> list[dict[str, object]]:
    shared: dict[str, object] = {
        "run_id": view.manifest.run_id,
        "host": view.manifest.host.host_label,
        **{name: getattr(summary.cell, name) for name in CELL_FIELDS},
        "trial_count": summary.trial_count,
        "failed_trial_count": summary.failed_trial_count,
        "wrong_count": summary.wrong_count,
        "unproved_count": summary.unproved_count,
    }
    if not summary.estimates:
        return [shared | {"figure": "", "withheld": "no trial finished"}]
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


def cells_csv(views: Sequence[RunView]) -> bytes:
    """`cells.csv` as UTF-8 with line feeds; whole numbers stay whole and gaps stay empty."""
    table = tidy_cells(views)
    for name in ("thread_count", "viewer_height_px", "round_count", "sample_count"):
        table[name] = table[name].astype("Int64")
    text = table.to_csv(index=False, float_format=FLOAT_FORMAT, lineterminator="\n")
    return text.encode("utf-8")

"""Runs as tidy tables of cells, trials and moves, and tables as CSV that spreadsheets may open
without harm (RFC 4180 quoting, UTF-8, line feeds).

A spreadsheet takes a text that begins with `=`, `+`, `-`, `@`, a tab or a line break for a formula,
quoted or not, and names come from files that others made. Such a text, and one that begins with an
apostrophe, gets an apostrophe in front; take one leading apostrophe away to have it back. Parquet
and JSON are never opened as formulas and hold names as they are.

results/README.md says what each column means; `tests/contract/test_exports.py` holds both together.
A column is added at the end of its group and never renamed: programs read these tables.
"""

import csv
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from mezzmark.decide.estimate.observed_run import MeasuredRun, observe_trial
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.model.cell import AXES, Cell
from mezzmark.model.estimate import CellSummary
from mezzmark.model.players import PLAYERS, Player
from mezzmark.model.records import HostMoment, Trial
from mezzmark.model.run import Manifest
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.scrub import ScrubMeasurement, latencies_ms, proved_mask
from mezzmark.report.prose.numbers import withheld_text

TEXT, INTEGER, NUMBER, TRUTH = "string", "Int64", "float64", "boolean"
"""Types that can say "not told": a gap is never an invented 0 or an empty text."""

CATEGORY: Final = "category"
"""Text that repeats on every sample, stored once: ten million rows then need a byte or two each."""

RUN_COLUMNS: Final = {"run_id": TEXT, "host": TEXT}

CELL_COLUMNS: Final = {
    **dict.fromkeys(("task", "clip", "encoding", "pattern", "policy"), TEXT),
    "thread_count": INTEGER,
    **dict.fromkeys(("threading", "decoder", "player"), TEXT),
    **{"viewer_height_px": INTEGER, "arm": TEXT, "job_count": INTEGER, "order": TEXT},
    **{"height_px": INTEGER, "passes": INTEGER, "is_pinned": TRUTH},
    **dict.fromkeys(("service", "carrier", "link", "access"), TEXT),
    **{"request_kib": INTEGER, "cache": TEXT, "root": TEXT, "ingest_mb_per_s": INTEGER},
    **{"minutes": INTEGER, "hosts": TEXT, "host_count": INTEGER},
}
"""A cell's clip, encoding and setting, as tables have named them since the first."""

_AXES: Final = {
    **{"thread_count": "threads", "viewer_height_px": "viewer_height", "job_count": "jobs"},
    **{"order": "clip_order", "height_px": "delivery_height", "is_pinned": "pinned"},
}
"""Columns that are not called as their axis is."""


def cell_values(cell: Cell, arm: str = "", played_by: str = "") -> dict[str, object]:
    """The values of `CELL_COLUMNS`; `played_by` is who played where the cell leaves it open."""
    axes = {column: _AXES.get(column, column) for column in CELL_COLUMNS}
    name = played_by or cell.setting["player"]
    player = PLAYERS.get(name, Player(name=""))
    return {
        **{column: cell.setting[axis] for column, axis in axes.items() if axis in AXES},
        **{"task": cell.task, "clip": cell.clip, "encoding": cell.encoding, "arm": arm},
        "threading": player.threading if player.name else None,
        "decoder": player.device or "software",
        "player": name,
    }


COUNT_COLUMNS: Final = dict.fromkeys(("wrong_count", "unproved_count", "alike_count"), INTEGER)
SUMMARY_COLUMNS: Final = {"trial_count": INTEGER, "failed_trial_count": INTEGER, **COUNT_COLUMNS}

CELLS: Final[Mapping[str, str]] = {
    **RUN_COLUMNS,
    **CELL_COLUMNS,
    **dict.fromkeys(("figure", "unit"), TEXT),
    **dict.fromkeys(("point", "low", "high", "confidence_level"), NUMBER),
    **{"round_count": INTEGER, "sample_count": INTEGER},
    **{"method": TEXT, "withheld": TEXT, "capped_at": NUMBER},
    **SUMMARY_COLUMNS,
}
"""A row a run, cell and figure."""

PROCESS_COLUMNS: Final = dict.fromkeys(
    ("cpu_ns", "peak_rss_bytes", "voluntary_switches", "involuntary_switches"), INTEGER
)

_FIRST_FIGURES: Final = (
    *("p50_ms", "p95_ms", "locate_p50_ms", "decode_p50_ms", "present_p50_ms", "open_ms"),
    *("read_bytes_per_move", "throughput_fps", "makespan_s", "first_file_s", "pixel_rate_mpx_s"),
    *("idle_fraction", "decode_fraction", "cores_busy", "bitrate_bps", "file_bytes", "kernel_ms"),
)
"""The figures of the first table, in its order; later ones follow."""

_LAST_FIGURES: Final = ("wait_p50_ms", "wait_fraction", "first_mpx_s", "last_mpx_s", "heat_ratio")
"""Of older tasks, added since."""

FIGURE_COLUMNS: Final = {
    **dict.fromkeys(_FIRST_FIGURES, NUMBER),
    **{
        figure.name: NUMBER
        for spec in TASKS.values()
        if not spec.is_judged
        for figure in spec.figures
        if figure.name not in (*PROCESS_COLUMNS, *_LAST_FIGURES, "p99_ms")
    },
    **dict.fromkeys(_LAST_FIGURES, NUMBER),
}
"""What a single trial tells; a p99 is that of all trials of a cell only."""

MOMENT_COLUMNS: Final = {
    name: INTEGER if name == "throttle_count" else NUMBER for name in HostMoment.model_fields
}

TRIALS: Final[Mapping[str, str]] = {
    **RUN_COLUMNS,
    **{"round_index": INTEGER, "position": INTEGER},
    **CELL_COLUMNS,
    **{"seed": INTEGER, "started_utc": TEXT, "wall_ns": INTEGER},
    **{"outcome": TEXT, "reason": TEXT, "sample_count": INTEGER},
    **COUNT_COLUMNS,
    **FIGURE_COLUMNS,
    **PROCESS_COLUMNS,
    **{f"before_{name}": dtype for name, dtype in MOMENT_COLUMNS.items()},
    **{f"during_{name}": dtype for name, dtype in MOMENT_COLUMNS.items()},
}
"""A row a trial, failed ones too."""

MOVE_COLUMNS: Final = (
    *("clip_position", "frame_index", "locate_ns", "decode_ns", "present_ns", "overhead_ns"),
    *("decoded_frames", "read_bytes", "shown_frame"),
)

LOOKED_AT_COLUMNS: Final = {"wait_ns": INTEGER, "resident_fraction": NUMBER}
"""Of a move; a gap where nobody looked."""

PLACE_COLUMNS: Final = {
    **{"run_id": CATEGORY, "host": CATEGORY, "round_index": "int64", "position": "int64"},
    **{name: CATEGORY if dtype == TEXT else dtype for name, dtype in CELL_COLUMNS.items()},
}
"""Which trial a move belongs to."""

SAMPLES: Final[Mapping[str, str]] = {
    **PLACE_COLUMNS,
    **dict.fromkeys(("move_index", *MOVE_COLUMNS), "int64"),
    **{"latency_ms": NUMBER, "proof": CATEGORY, "is_proved": "bool"},
    **LOOKED_AT_COLUMNS,
}
"""A row a playhead move."""


def typed(rows: Sequence[Mapping[str, object]], schema: Mapping[str, str]) -> pd.DataFrame:
    """A frame with the schema's columns in its order and types; what a row lacks is a gap. Each
    column gets its type before it can pass through floats, which hold no 63-bit seed."""
    made = {key: pd.Series([row.get(key) for row in rows], dtype=of) for key, of in schema.items()}
    return pd.DataFrame(made)


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
    return typed(rows, CELLS)


def _rows(manifest: Manifest, summary: CellSummary) -> list[dict[str, object]]:
    shared: dict[str, object] = {
        "run_id": manifest.run_id,
        "host": manifest.host.host_label,
        **cell_values(summary.cell, summary.arm),
        **{name: getattr(summary, name) for name in SUMMARY_COLUMNS},
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
    return typed(rows, TRIALS)


def _place(manifest: Manifest, trial: Trial) -> dict[str, object]:
    return {
        "run_id": manifest.run_id,
        "host": manifest.host.host_label,
        "round_index": trial.round_index,
        "position": trial.position,
        **cell_values(trial.cell, trial.arm, trial.player),
    }


def _trial_row(manifest: Manifest, trial: Trial) -> dict[str, object]:
    observation = observe_trial(trial)
    row = dict(trial) | _place(manifest, trial)
    row["outcome"] = (*trial.flags, trial.outcome)[0]
    row["sample_count"] = observation.sample_count if observation else 0
    if observation:
        row |= {name: observation.figures.get(name) for name in FIGURE_COLUMNS}
    if trial.measurement and (proof := TASKS[trial.cell.task].proofs(trial.measurement)):
        row["wrong_count"] = proof.count("wrong")
        row["unproved_count"] = proof.count("unreadable") + proof.count("missing")
        row["alike_count"] = proof.count("alike")
    if trial.process is not None:
        row |= {name: getattr(trial.process, name) for name in PROCESS_COLUMNS}
    for prefix, moment in (("before", trial.host_before), ("during", trial.host_during)):
        row |= {f"{prefix}_{name}": getattr(moment, name) for name in MOMENT_COLUMNS}
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
    places = typed([place for place, _ in found], PLACE_COLUMNS)
    counts = [len(measurement.frame_index) for measurement in measured]
    pairs = list(zip(measured, counts, strict=True))
    moves: dict[str, Any] = {
        "move_index": _joined([np.arange(count) for count in counts], np.int64),
        **{n: _joined([getattr(m, n) for m in measured], np.int64) for n in MOVE_COLUMNS},
        "latency_ms": _joined([latencies_ms(m) for m in measured], np.float64),
        "proof": [proof for m in measured for proof in m.proof],
        "is_proved": _joined([proved_mask(m) for m in measured], np.bool_),
        **{
            n: _joined([getattr(m, n) or np.full(k, np.nan) for m, k in pairs], np.float64)
            for n in LOOKED_AT_COLUMNS
        },
    }
    repeated = places.loc[places.index.repeat(counts)].reset_index(drop=True)
    return repeated.assign(**moves)[list(SAMPLES)].astype(dict(SAMPLES))


def _joined(parts: Sequence[Any], dtype: type) -> NDArray[Any]:
    return np.concatenate([np.empty(0, dtype), *(np.asarray(part, dtype) for part in parts)])

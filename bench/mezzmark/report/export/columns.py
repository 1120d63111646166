"""The columns of the three tables that runs are exported as: names, types and nothing else.

results/README.md says what each column means; `tests/contract/test_exports.py` holds both together.
A column is added at the end of its group and never renamed: programs read these tables.
"""

from collections.abc import Mapping, Sequence
from typing import Final

import pandas as pd

from mezzmark.model.cell import AXES, Cell
from mezzmark.model.players import PLAYERS, Player
from mezzmark.model.records import HostMoment
from mezzmark.model.tasks import TASKS

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
    "thread_count": "threads",
    "viewer_height_px": "viewer_height",
    "job_count": "jobs",
    "order": "clip_order",
    "height_px": "delivery_height",
    "is_pinned": "pinned",
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
    "move_index": "int64",
    **dict.fromkeys(MOVE_COLUMNS, "int64"),
    "latency_ms": NUMBER,
    "proof": CATEGORY,
    "is_proved": "bool",
    **LOOKED_AT_COLUMNS,
}
"""A row a playhead move."""


def typed(rows: Sequence[Mapping[str, object]], schema: Mapping[str, str]) -> pd.DataFrame:
    """A frame with the schema's columns in its order and types; what a row lacks is a gap. Each
    column gets its type before it can pass through floats, which hold no 63-bit seed."""
    made = {key: pd.Series([row.get(key) for row in rows], dtype=of) for key, of in schema.items()}
    return pd.DataFrame(made)

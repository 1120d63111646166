"""The exported tables keep their columns and types, CSV and Parquet agree, pandas reads both."""

import io
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import mezzmark
from mezzmark.model.cell import AXES, Cell, Setting
from mezzmark.model.errors import EngineError, RunError
from mezzmark.report.export.files import RunFrames
from mezzmark.report.export.tidy import CELL_COLUMNS, CELLS, SAMPLES, TRIALS, cell_values

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "results" / "example-two-hosts" / "two-cores"


TABLES = {"cells": CELLS, "trials": TRIALS, "samples": SAMPLES}

PROMISED = {
    "cells": """
        string: run_id host task clip encoding pattern policy
        Int64: thread_count
        string: threading decoder player
        Int64: viewer_height_px
        string: arm
        Int64: job_count
        string: order
        Int64: height_px passes
        boolean: is_pinned
        string: service carrier link access
        Int64: request_kib
        string: cache root
        Int64: ingest_mb_per_s minutes
        string: hosts
        Int64: host_count
        string: figure unit
        float64: point low high confidence_level
        Int64: round_count sample_count
        string: method withheld
        float64: capped_at
        Int64: trial_count failed_trial_count wrong_count unproved_count alike_count
    """,
    "trials": """
        string: run_id host
        Int64: round_index position
        string: task clip encoding pattern policy
        Int64: thread_count
        string: threading decoder player
        Int64: viewer_height_px
        string: arm
        Int64: job_count
        string: order
        Int64: height_px passes
        boolean: is_pinned
        string: service carrier link access
        Int64: request_kib
        string: cache root
        Int64: ingest_mb_per_s minutes
        string: hosts
        Int64: host_count
        Int64: seed
        string: started_utc
        Int64: wall_ns
        string: outcome reason
        Int64: sample_count wrong_count unproved_count alike_count
        float64: p50_ms p95_ms locate_p50_ms decode_p50_ms present_p50_ms open_ms
            read_bytes_per_move throughput_fps makespan_s first_file_s pixel_rate_mpx_s
            idle_fraction decode_fraction cores_busy bitrate_bps file_bytes kernel_ms
            distance_mean_frames distance_p95_frames age_p50_ms age_p95_ms
            older_fraction ageless_fraction freeze_ms pictures_per_s to_exact_ms
            first_ms wake_late_p99_ms
            busy_fraction start_ms on_time_fraction dropped_fraction repeats least_fill stall_ms
            double_busy_fraction double_start_ms double_on_time_fraction double_dropped_fraction
            double_repeats double_least_fill double_stall_ms
            reverse_busy_fraction reverse_start_ms reverse_on_time_fraction
            reverse_dropped_fraction reverse_repeats reverse_least_fill reverse_stall_ms count
            capped_at mb_per_s read_p50_ms wait_p50_ms wait_fraction
            first_mpx_s last_mpx_s heat_ratio
        Int64: cpu_ns peak_rss_bytes voluntary_switches involuntary_switches
        float64: before_load_average_1m before_steal_fraction before_busy_fraction
            before_frequency_mhz before_cpu_pressure before_io_pressure
            before_memory_pressure
        Int64: before_throttle_count
        float64: during_load_average_1m during_steal_fraction during_busy_fraction
            during_frequency_mhz during_cpu_pressure during_io_pressure
            during_memory_pressure
        Int64: during_throttle_count
    """,
    "samples": """
        category: run_id host
        int64: round_index position
        category: task clip encoding pattern policy
        Int64: thread_count
        category: threading decoder player
        Int64: viewer_height_px
        category: arm
        Int64: job_count
        category: order
        Int64: height_px passes
        boolean: is_pinned
        category: service carrier link access
        Int64: request_kib
        category: cache root
        Int64: ingest_mb_per_s minutes
        category: hosts
        Int64: host_count
        int64: move_index clip_position frame_index locate_ns decode_ns present_ns
            overhead_ns decoded_frames read_bytes shown_frame
        float64: latency_ms
        category: proof
        bool: is_proved
        Int64: wait_ns
        float64: resident_fraction
    """,
}
"""Columns in order, runs of one type together; changed on purpose only."""


def promised(table: str) -> dict[str, str]:
    """The pinned columns with their types."""
    columns, dtype = {}, ""
    for word in PROMISED[table].split():
        if word.endswith(":"):
            dtype = word[:-1]
        else:
            columns[word] = dtype
    return columns


@pytest.fixture(scope="module")
def frames() -> RunFrames:
    return mezzmark.read_runs(EXAMPLE)


@pytest.mark.parametrize("table", TABLES)
def test_a_table_has_the_columns_and_types_that_are_promised(table: str, frames) -> None:
    """Names, order and types of every frame are those pinned here, whatever the run lacks."""
    frame = getattr(frames, table)
    found = [(name, str(dtype)) for name, dtype in frame.dtypes.items()]
    assert found == list(promised(table).items())
    assert len(frame) > 0


AXIS_VALUES = {
    "pattern": ("jump", "near"),
    "policy": ("roll", "reseek"),
    "threads": (1, 2),
    "player": ("slice", "cuda"),
    "carrier": ("threads", "processes"),
    "link": (None, "1 Gbit/s, 0.5 ms"),
    "access": ("random", "write"),
    "cache": (None, "cold"),
    "root": (None, "share"),
    "request_kib": (128, 1024),
    "service": ("latest", "follow"),
    "viewer_height": (540, 720),
    "jobs": (1, 2),
    "clip_order": ("fifo", "longest-first"),
    "delivery_height": (None, 720),
    "passes": (1, 2),
    "pinned": (False, True),
    "ingest_mb_per_s": (None, 100),
    "minutes": (None, 20),
    "hosts": (None, "only desk"),
    "host_count": (None, 3),
}


def test_every_field_of_a_cell_is_a_column() -> None:
    """Two cells that differ in anything differ in the tables too."""
    assert set(CELL_COLUMNS) == set(cell_values(Cell(task="scrub", clip="c", encoding="e")))
    for axis, values in AXIS_VALUES.items():
        told = [
            cell_values(Cell(task="scrub", clip="c", encoding="e", setting=Setting({axis: value})))
            for value in values
        ]
        assert told[0] != told[1], axis
    assert set(AXIS_VALUES) == set(AXES)


@pytest.mark.parametrize("table", TABLES)
def test_the_page_describes_every_column(table: str) -> None:
    """results/README.md has a section for each table, and it names all columns of it."""
    text = (ROOT / "results" / "README.md").read_text(encoding="utf-8")
    section = text.split(f"### Table of {table}")[1].split("\n### ")[0].split("\n## ")[0]
    assert set(TABLES[table]) - set(re.findall(r"`([a-z_0-9]+)`", section)) == set()


@pytest.mark.parametrize("table", TABLES)
def test_parquet_comes_back_as_it_was(table: str, frames) -> None:
    """pandas reads the file to the same frame, types and gaps included."""
    pytest.importorskip("pyarrow")
    content = mezzmark.export([EXAMPLE], format="parquet", table=table)
    back = pd.read_parquet(io.BytesIO(content))
    expected = getattr(frames, table)
    assert list(back.columns) == list(expected.columns)
    for name, dtype in TABLES[table].items():
        values = back[name].astype(object if dtype == "category" else dtype)
        wanted = expected[name].astype(object if dtype == "category" else dtype)
        pd.testing.assert_series_equal(values, wanted, check_dtype=dtype != "category")


@pytest.mark.parametrize("table", TABLES)
def test_csv_says_the_same(table: str, frames) -> None:
    """Read back, the CSV has the same gaps, texts and whole numbers, and nine digits else."""
    text = mezzmark.export([EXAMPLE], format="csv", table=table)
    expected = getattr(frames, table)
    back = pd.read_csv(io.StringIO(text), dtype=str, keep_default_na=False)
    assert list(back.columns) == list(expected.columns)
    for name, dtype in TABLES[table].items():
        wanted = expected[name]
        assert (back[name] == "").tolist() == (wanted.isna() | (wanted == "")).fillna(True).tolist()
        filled = back[name] != ""
        if dtype == "float64":
            found = back[name][filled].astype(float)
            np.testing.assert_allclose(found, wanted[filled], rtol=1e-8)
        else:
            assert back[name][filled].tolist() == wanted[filled].astype(str).tolist()


def test_every_move_carries_the_settings_of_its_own_trial(frames) -> None:
    """Read line by line as plain JSON, each trial's moves are the rows of its round and place, and
    a latency is the sum of its three spans."""
    samples = frames.samples
    spans = samples.locate_ns + samples.decode_ns + samples.present_ns
    np.testing.assert_array_equal(spans / 1e6, samples.latency_ms)
    rows = dict(list(samples.groupby(["round_index", "position"])))
    count = 0
    for line in (EXAMPLE / "trials.jsonl").read_text(encoding="utf-8").splitlines():
        trial = json.loads(line)
        if trial["cell"]["task"] != "scrub":
            continue
        mine = rows[trial["round_index"], trial["position"]]
        cell = trial["cell"] | trial["cell"]["setting"]
        cell |= {"thread_count": cell["threads"], "player": trial["player"] or cell["player"]}
        for name in ("clip", "encoding", "pattern", "policy", "thread_count", "player"):
            assert set(mine[name]) == {cell[name]}
        assert mine.decode_ns.tolist() == trial["measurement"]["decode_ns"]
        assert mine.proof.tolist() == trial["measurement"]["proof"]
        count += 1
    assert count == len(rows)


def test_globs_and_folders_name_runs(tmp_path: Path) -> None:
    """A glob finds runs and leaves out what is none; naming nothing that exists is an error."""
    found = mezzmark.read_runs(str(ROOT / "results" / "example-*")).runs
    assert [run.run_dir for run in found] == sorted(
        path.parent for path in (ROOT / "results").glob("example-*/manifest.json")
    )
    with pytest.raises(RunError, match="neither a run's folder nor a glob"):
        mezzmark.read_runs(str(tmp_path / "none-*"))


def test_an_export_that_cannot_be_says_why(monkeypatch) -> None:
    """JSON has no choice of table; where pyarrow is missing the extra to install is named."""
    with pytest.raises(RunError, match="json has no table of trials"):
        mezzmark.export([EXAMPLE], format="json", table="trials")
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(EngineError, match=r'pip install "\.\[parquet\]"'):
        mezzmark.export([EXAMPLE], format="parquet")


def test_the_readme_example_runs() -> None:
    """The library example in the README, on the committed run, chooses an intermediate."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = [b for b in re.findall(r"```python\n(.*?)```", readme, re.S) if "read_runs" in b]
    assert len(blocks) == 1
    lines = blocks[0].splitlines()
    measuring = [line for line in lines if line.startswith("run = mezzmark.measure(")]
    assert len(measuring) == 1  # left out here: it takes minutes
    space: dict[str, Any] = {"run": EXAMPLE}
    exec("\n".join(line for line in lines if line not in measuring), space)
    assert space["choice"].recommendation in set(space["frames"].cells.encoding)

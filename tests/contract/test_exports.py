"""The exported tables keep their columns and types, CSV and Parquet agree, pandas reads both."""

import io
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import mezzmark
from mezzmark.facts.cells import Cell
from mezzmark.facts.errors import EngineError, RunError
from mezzmark.report.frame_schema import CELL_COLUMNS, TABLES
from mezzmark.report.frames import RunFrames

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "results" / "example-long-gop-2160p"


@pytest.fixture(scope="module")
def frames() -> RunFrames:
    return mezzmark.read_runs(EXAMPLE)


@pytest.mark.parametrize("table", TABLES)
def test_a_table_has_the_columns_and_types_that_are_promised(table: str, frames) -> None:
    """Names, order and types of every frame are those of the schema, whatever the run lacks."""
    frame = getattr(frames, table)
    assert {name: str(dtype) for name, dtype in frame.dtypes.items()} == dict(TABLES[table])
    assert len(frame) > 0


def test_every_field_of_a_cell_is_a_column() -> None:
    """Two cells that differ in anything differ in the tables too."""
    assert set(CELL_COLUMNS) == set(Cell.model_fields)


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
    content = mezzmark.export([EXAMPLE], output_format="parquet", table=table)
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
    text = mezzmark.export([EXAMPLE], output_format="csv", table=table)
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


def test_samples_hold_every_move_and_add_up(frames) -> None:
    """There is a row for each move on disk, and a latency is the sum of its three spans."""
    moves = sum(
        len(t.measurement.frame_index)
        for r in frames.runs
        for t in r.trials
        if t.cell.task == "scrub" and t.measurement
    )
    samples = frames.samples
    assert len(samples) == moves
    spans = samples.locate_ns + samples.decode_ns + samples.present_ns
    np.testing.assert_array_equal(spans / 1e6, samples.latency_ms)


def test_globs_and_folders_name_runs(tmp_path: Path) -> None:
    """A glob finds runs and leaves out what is none; naming nothing that exists is an error."""
    found = mezzmark.read_runs(str(ROOT / "results" / "example-*")).runs
    assert [run.run_dir for run in found] == sorted(
        path.parent for path in (ROOT / "results").glob("example-*/manifest.json")
    )
    with pytest.raises(RunError, match="neither a run's folder nor a glob"):
        mezzmark.read_runs(str(tmp_path / "none-*"))


def test_a_format_without_tables_says_so() -> None:
    """JSON holds everything at once, so that asking it for a table is a mistake."""
    with pytest.raises(RunError, match="json has no table of trials"):
        mezzmark.export([EXAMPLE], output_format="json", table="trials")


def test_parquet_without_its_library_tells_what_to_install(monkeypatch) -> None:
    """Where pyarrow is missing the error names the extra to install."""
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(EngineError, match=r"mezzmark\[parquet\]"):
        mezzmark.export([EXAMPLE], output_format="parquet")


def test_the_readme_example_runs() -> None:
    """The library example in the README, on the committed run, chooses an intermediate."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = [b for b in re.findall(r"```python\n(.*?)```", readme, re.S) if "read_runs" in b]
    assert len(blocks) == 1
    measuring, _, rest = blocks[0].partition("\n\n")
    assert "mezzmark.measure(" in measuring
    space = {"mezzmark": mezzmark, "run": EXAMPLE}
    exec(rest, space)
    assert space["choice"].recommendation in set(space["frames"].cells.encoding)

"""pytest-benchmark is really used: cells run as its benchmarks, and its tools read our exports."""

import json
import os
import subprocess
import sys
from pathlib import Path

from mezzmark import api

SCENARIO = {
    "name": "bench",
    "seed": 5,
    "rounds": 2,
    "minimum_rounds": 2,
    "encodings": ["vc3-lb", "vc3-hd-145"],  # the second needs 1080 lines: it must be skipped
    "clips": [
        {
            "name": "lane",
            "recipe": {"width_px": 320, "height_px": 240, "duration_s": 1.0},
            "original": {"bitrate_bps": 1_000_000},
        }
    ],
    "scrub": {"patterns": ["jump"], "requests": 3, "threads": [1]},
    "encode": {"threads": [1], "frames": 4},
}

SUITE = """
from mezzmark.pytest_suite import benchmark_cells
from mezzmark.store.toml_files import build_scenario

test_lane = benchmark_cells(build_scenario({scenario!r}, source="suite"))
"""


def test_a_scenarios_cells_run_as_benchmarks(tmp_path: Path) -> None:
    """Each cell becomes a benchmark whose rounds are trials and whose data are their costs; a cell
    that cannot be made is skipped."""
    suite = tmp_path / "test_lane.py"
    suite.write_text(SUITE.format(scenario=SCENARIO), encoding="utf-8")
    results = tmp_path / "bench.json"
    (tmp_path / "pytest.ini").write_text("[pytest]\n", encoding="utf-8")
    command = [sys.executable, "-m", "pytest", str(suite), f"--benchmark-json={results}", "-q"]
    # Not the variables by which the benchmarks would take themselves for one of several processes.
    own = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    done = subprocess.run(
        [*command, "-p", "no:cacheprovider", "-p", "no:hypothesispytest"],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        env={**own, "MEZZMARK_CACHE": str(tmp_path / "cache")},
    )
    assert "2 passed, 2 skipped" in done.stdout, done.stdout + done.stderr
    benchmarks = json.loads(results.read_text(encoding="utf-8"))["benchmarks"]
    assert len(benchmarks) == 2
    for benchmark in benchmarks:
        assert benchmark["stats"]["rounds"] == 2
        assert all(0 < value < 5 for value in benchmark["stats"]["data"])


def test_pytest_benchmarks_own_tool_reads_an_export(tmp_path: Path) -> None:
    """`pytest-benchmark compare` shows a row for every cell of the exported run."""
    run_dir = Path(__file__).parents[2] / "results" / "example-uhd-ingest"
    exported = tmp_path / "export.json"
    text = api.export([run_dir], format="pytest-benchmark")
    exported.write_text(text, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "pytest_benchmark", "compare", str(exported)],
        capture_output=True,
        text=True,
        check=True,
        cwd=tmp_path,
    )
    names = [benchmark["name"] for benchmark in json.loads(text)["benchmarks"]]
    assert {name.split(" | ")[0] for name in names} >= {"scrub", "encode"}
    assert [name for name in names if name not in done.stdout] == []

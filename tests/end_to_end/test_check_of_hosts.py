"""`mezzmark fleet check` with real work: two workers of this process as two hosts, two checks."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

pytest.importorskip("distributed")

from mezzmark.cli.app import app
from mezzmark.store import run_store

SCENARIO = """
name = "tiny"
title = "tiny"
seed = 1
rounds = 3
minimum_rounds = 3
encodings = ["original", "vc3-sq"]
[[clips]]
name = "made"
recipe = { width_px = 320, height_px = 180, duration_s = 1.0 }
original = { bitrate_bps = 1_000_000 }
[scrub]
patterns = ["jump"]
requests = 4
threads = [1]
"""


@pytest.mark.slow
def test_two_checks_of_two_hosts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first begins the histories (exit code 0); the second compares every cell of each host
    with the first, whatever comes of it, and the page names both."""
    days = iter(("20260301", "20260302"))
    named = lambda out: out / f"{next(days)}T100000Z"  # noqa: E731
    monkeypatch.setattr(run_store, "new_check", named)
    (tmp_path / "tiny.toml").write_text(SCENARIO, encoding="utf-8")
    monkeypatch.setenv("MEZZMARK_CACHE", str(tmp_path / "cache"))
    out = tmp_path / "checks"
    asked = ["fleet", "check", str(tmp_path / "tiny.toml"), "--local", "2", "--out", str(out)]
    first, second = CliRunner().invoke(app, asked), CliRunner().invoke(app, asked)
    assert first.exit_code == 0, first.exception or first.output
    assert second.exit_code in (0, 10, 11), second.exception or second.output
    assert len([*out.glob("*/*/manifest.json")]) == 4
    checks = run_store.read_checks(out)
    assert [{t.round_index for t in run.trials} for run in checks.newest.values()] == [
        {0, 1, 2}
    ] * 2
    assert second.stdout.count("(2 cells)") == 2
    page = (out / "fleet.html").read_text(encoding="utf-8")
    assert all(f"<bdi>local-{n}</bdi>" in page for n in (1, 2))

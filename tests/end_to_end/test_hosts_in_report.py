"""`mezzmark report RUN RUN …`: what several runs say together stands before each run's own."""

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from fixtures.fabricated_run import HOSTILE_NAMES
from fixtures.two_sides import ENCODE, QUIET, SCRUB, Run, run_on
from mezzmark.cli.app import app
from mezzmark.model.cell import Cell
from mezzmark.model.errors import ScenarioError
from mezzmark.report.page import write_report
from mezzmark.store.run_store import TRIALS_NAME, create_run


def lay(folder: Path, run: Run) -> Path:
    """The run on disk, as the store would have it."""
    create_run(folder, run.manifest)
    lines = "".join(f"{trial.model_dump_json()}\n" for trial in run.trials)
    (folder / TRIALS_NAME).write_text(lines, encoding="utf-8")
    return folder


def two_hosts(folder: Path, *cells: Cell) -> list[Path]:
    return [
        lay(folder / "one", run_on("desk", dict.fromkeys(cells, QUIET))),
        lay(folder / "two", run_on("server", dict.fromkeys(cells, QUIET - 1), number=1)),
    ]


def test_two_hosts_stand_side_by_side_with_prices(tmp_path: Path) -> None:
    """Page, Markdown and answer begin with the comparison; every link to a part of the page has
    its aim; the price is in the table."""
    runs = two_hosts(tmp_path, SCRUB, ENCODE)
    found = write_report(runs, out_dir=tmp_path / "out", prices=["server=3000 EUR"])
    headline = found.answer.splitlines()[0]
    assert headline.startswith("server ")
    page = found.html.read_text(encoding="utf-8")
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', page)) <= set(ids)
    assert page.index('id="hosts"') < page.index('id="run1-answer"')
    assert "EUR" in page
    assert found.markdown.read_text(encoding="utf-8").startswith("# server ")
    assert any(path.name.startswith("hosts-1-scrub") for path in found.figures)


def test_the_command_takes_prices_and_tells_a_bad_one(tmp_path: Path) -> None:
    """`--price` reaches the report, and twice the same bytes come of it, comparison and figures
    included; one that cannot be read ends with an error of ours."""
    runs = [str(path) for path in two_hosts(tmp_path, ENCODE)]
    for out in ("a", "b"):
        price = ["--out", str(tmp_path / out), "--price", "desk=900 EUR"]
        found = CliRunner().invoke(app, ["report", *runs, *price])
        assert found.exit_code == 0, found.output
    pages = [(tmp_path / out / "report.html").read_bytes() for out in ("a", "b")]
    assert pages[0] == pages[1]
    assert b"EUR" in pages[0]
    bad = CliRunner().invoke(app, ["report", *runs, "--price", "desk"])
    assert isinstance(bad.exception, ScenarioError)


def test_three_runs_of_one_host_have_a_history(tmp_path: Path) -> None:
    """A host's third run adds its course over time, a row for each run by its folder."""
    runs = [lay(tmp_path / f"r{n}", run_on("desk", {ENCODE: QUIET}, number=n)) for n in range(3)]
    found = write_report(runs, out_dir=tmp_path / "out")
    page = found.html.read_text(encoding="utf-8")
    table = page[page.index('id="history1-runs"') :].split("</table>")[0]
    assert 'id="history1-runs-2"' in table
    assert all(str(run) in table for run in runs)
    assert "desk-0" not in table


def test_two_runs_of_one_host_are_before_and_after(tmp_path: Path) -> None:
    """The second a tenth slower: the page has the table of `regress` with the ratio, the earlier
    run as baseline, the command that judges, and compares no hosts; a price has no use."""
    runs = [
        lay(tmp_path / "monday", run_on("desk", {ENCODE: QUIET})),
        lay(tmp_path / "friday", run_on("desk", {ENCODE: QUIET[::-1] + 0.1}, number=1)),
    ]
    found = write_report(runs[::-1], out_dir=tmp_path / "out")
    page = found.html.read_text(encoding="utf-8")
    assert 'id="dates1"' in page
    assert 'id="hosts"' not in page
    assert f"mezzmark regress --baseline {runs[0]} --candidate {runs[1]}" in page
    row = page[page.index('id="dates1-changed-0"') :].split("</tr>")[0]
    assert "+ regressed" in row
    assert "1.105 [" in re.sub("<[^>]+>", "", row)
    mark = re.search(r'href="#dates1-changed-0"[^>]*aria-label="([^"]+)"', page)
    assert mark
    assert "regressed 1.1" in mark[1]
    with pytest.raises(ScenarioError, match="no use here"):
        write_report(runs, out_dir=tmp_path / "out", prices=["desk=5 EUR"])


def test_a_hostile_host_label_is_text(tmp_path: Path) -> None:
    """Markup, quotes, line breaks and marks in a host's label stay text in the comparison."""
    runs = [
        lay(tmp_path / f"r{n}", run_on(name, {ENCODE: QUIET - n}, number=n))
        for n, name in enumerate(HOSTILE_NAMES)
    ]
    page = write_report(runs, out_dir=tmp_path / "out").html.read_text(encoding="utf-8")
    assert page.count("<script") == 1
    assert "<img" not in page.split("<script")[0].replace("<image", "")

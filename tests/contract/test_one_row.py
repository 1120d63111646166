"""A new encoding, pattern, player, figure, metric or task is one row of a table.

Each row is written once, as source text. The first test evaluates the rows and puts them into the
tables of this process, where jobs are then done; the second edits them into a copy of the source,
runs the command line there with real workers, and counts the files that each took.
"""

import csv
import importlib
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass, replace
from io import StringIO
from pathlib import Path

import pytest

import mezzmark
from fixtures import invented_task
from mezzmark import api
from mezzmark.model import players
from mezzmark.model.catalogue import core, entries
from mezzmark.model.jobs import read_job
from mezzmark.model.preparations import ANSWER_ADAPTER
from mezzmark.model.tasks import TASKS, fidelity, patterns, scrub
from mezzmark.runner.run import run_scenario
from mezzmark.store.toml_files import read_scenario, shipped_folder
from mezzmark.worker import perform

PACKAGE = Path(mezzmark.__file__).parent


@dataclass(frozen=True, kw_only=True)
class Row:
    """A row as text, and the line of the module after which it stands."""

    module: str
    after: str
    text: str

    def value(self, module: object) -> object:
        """What the row is, in the names of its module."""
        return eval(self.text, dict(vars(module)))

    def write(self, package: Path) -> None:
        """Put the row into a copy of the package."""
        path = package / self.module
        text = path.read_text(encoding="utf-8")
        assert text.count(self.after) == 1, f"{self.module} has no line {self.after}"
        path.write_text(text.replace(self.after, f"{self.after}\n{self.text},"), encoding="utf-8")


ENCODING = Row(
    module="model/catalogue/entries.py",
    after="ENTRIES: Final = (",
    text='CatalogueEntry(name="invented-jpeg", codec="Invented", profile="coarse", '
    'encoder="mjpeg", containers=("mov",), pixel_formats=("yuvj422p",), '
    'options={"qmin": "8", "qmax": "8"})',
)
PATTERN = Row(
    module="model/tasks/patterns.py",
    after="PATTERNS: Final[dict[str, Pattern]] = {",
    text='"to-and-fro": Pattern(plan=lambda clips, settings, rng: ('
    "(0, (k % 2) * (clips[0][-1] - 1)) for k in count()))",
)
PLAYER = Row(
    module="model/players.py",
    after="    for player in (",
    text='Player(name="invented-player", threading="frame")',
)
FIGURE = Row(
    module="model/tasks/scrub.py",
    after="    figures=(",
    text='spec.Figure(name="slowest_ms", unit="ms", of=_quantile_of(0, 1.0), '
    'meaning="slowest move of a trial")',
)
METRIC = Row(
    module="model/tasks/fidelity.py",
    after="METRICS: Final[dict[str, QualityMetric]] = {",
    text='"worst-plane": QualityMetric(label="PSNR of the worst plane", '
    'filter_name="psnr", of=lambda quality: psnr_db('
    "np.reshape(quality.squared_error, (-1, 3)).max(axis=1), peak=quality.peak), "
    'figures=(_judged("worst_plane_db", "dB", "more", "PSNR of the worst plane"),))',
)
TASK = Row(module="model/tasks/__init__.py", after="NAMES: Final = (", text='"glance"')

SCENARIO = """
name = "invented"
seed = 7
rounds = 2
minimum_rounds = 2
encodings = ["original", "vc3-sq", "invented-jpeg"]

[[clips]]
name = "street"
recipe = { width_px = 320, height_px = 180, duration_s = 1.0 }

[scrub]
patterns = ["to-and-fro"]
players = ["invented-player"]
requests = 4
threads = [1]

[fidelity]
generations = 1
frames = 3
metrics = ["psnr", "worst-plane"]

[glance]
pictures = 3
"""
ENCODINGS = {"original", "vc3-sq", "invented-jpeg"}
NEEDS = [
    "scrub.to-and-fro.slowest_ms <= 60000",
    "glance.glance_ms <= 60000",
    "fidelity.worst_plane_db >= 10",
    "codec = Invented",
]
WISHES = ["less glance.glance_ms"]


def run_here(job, timeout_s):
    """Do the job in this process, by way of the JSON that a worker would be told and answer."""
    told = read_job(job.model_dump_json().encode())
    answer = perform(told, lambda message, done_fraction: None)
    yield ANSWER_ADAPTER.validate_json(answer.model_dump_json())


@pytest.fixture
def invented_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    encoding = ENCODING.value(entries)
    monkeypatch.setitem(core._BY_NAME, encoding.name, encoding)
    name, pattern = next(iter(eval(f"{{{PATTERN.text}}}", dict(vars(patterns))).items()))
    monkeypatch.setitem(patterns.PATTERNS, name, pattern)
    player = PLAYER.value(players)
    monkeypatch.setitem(players.PLAYERS, player.name, player)
    name, metric = next(iter(eval(f"{{{METRIC.text}}}", dict(vars(fidelity))).items()))
    monkeypatch.setitem(fidelity.METRICS, name, metric)
    for task, figures in (("scrub", (FIGURE.value(scrub),)), ("fidelity", metric.figures)):
        spec = TASKS[task]
        monkeypatch.setitem(TASKS, task, replace(spec, figures=(*spec.figures, *figures)))
    monkeypatch.setitem(TASKS, "glance", invented_task.GLANCE)


def check_outcome(exported: str, choice: str, page: str) -> None:
    """Every row took part: in cells and their figures, in the choice, on the page."""
    rows = list(csv.DictReader(StringIO(exported)))
    scrubs = [row for row in rows if row["task"] == "scrub"]
    assert {row["encoding"] for row in scrubs} == ENCODINGS
    assert {(row["pattern"], row["threading"]) for row in scrubs} == {("to-and-fro", "frame")}
    for encoding in ENCODINGS:
        found = {
            row["figure"]: float(row["point"])
            for row in scrubs
            if row["encoding"] == encoding and row["point"]
        }
        assert found["slowest_ms"] >= found["p50_ms"] > 0
    glances = [row for row in rows if row["figure"] == "glance_ms"]
    assert len(glances) == 3
    assert all(float(row["point"]) > 0 for row in glances)
    assert "invented-jpeg" in choice
    for words in ("invented-jpeg", "first glance", "PSNR of the worst plane", "to and fro"):
        assert words in page


def test_a_row_is_all_that_each_takes(invented_rows: None, tmp_path: Path) -> None:
    """Six made-up rows in the tables: measured, reported, chosen by and exported, with no other
    line of code knowing of them."""
    path = tmp_path / "invented.toml"
    path.write_text(SCENARIO, encoding="utf-8")
    run_dir = tmp_path / "run"
    events = run_scenario(
        read_scenario(str(path)), run_dir=run_dir, cache_dir=tmp_path / "cache", dispatch=run_here
    )
    assert len(list(events)) > 10
    page = api.report([run_dir]).html.read_text(encoding="utf-8")
    choice = api.choose([run_dir], need=NEEDS, wish=WISHES)
    check_outcome(api.export([run_dir]), str(choice), page)


ADDED = {
    "encoding": (ENCODING,),
    "pattern": (PATTERN,),
    "player": (PLAYER,),
    "figure": (FIGURE,),
    "metric": (METRIC,),
    "task": (TASK,),
}
"""What each new thing writes into the source; the task brings two modules of its own besides."""


def add_to(package: Path) -> dict[str, int]:
    """Write every row into a copy of the package; how many files each thing took."""
    counts = {}
    for thing, rows in ADDED.items():
        for row in rows:
            row.write(package)
        counts[thing] = len({row.module for row in rows})
    moved = {
        "fixtures.invented_engine": "mezzmark.engines.play.glance",
        "fixtures.invented_task": "mezzmark.model.tasks.glance",
    }
    for source, module in moved.items():
        text = Path(importlib.import_module(source).__file__).read_text(encoding="utf-8")
        for old, new in moved.items():
            text = text.replace(old, new)
        path = package.parent / f"{module.replace('.', '/')}.py"
        path.write_text(text, encoding="utf-8")
        counts["task"] += 1
    return counts


@pytest.mark.slow
def test_rows_in_the_source_run_with_real_workers(tmp_path: Path) -> None:
    """In a copy of the package each thing takes at most three files, and the command line there
    measures with worker processes, reports, chooses and exports."""
    package = tmp_path / "bench" / "mezzmark"
    shutil.copytree(PACKAGE, package, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("scenarios", "report_templates"):
        shutil.copytree(shipped_folder(name), package / "shipped" / name, dirs_exist_ok=True)
    assert add_to(package) == {
        **{"encoding": 1, "pattern": 1, "player": 1, "figure": 1, "metric": 1},
        "task": 3,
    }
    (tmp_path / "invented.toml").write_text(SCENARIO, encoding="utf-8")

    def mezzmark_there(*arguments: str) -> str:
        done = subprocess.run(
            [sys.executable, "-m", "mezzmark", *arguments],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(package.parent)},
            capture_output=True,
            encoding="utf-8",
            check=False,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    mezzmark_there("measure", "invented.toml", "--out", "run", "--cache", "cache")
    mezzmark_there("report", "run")
    needs = [text for need in NEEDS for text in ("--need", need)]
    choice = mezzmark_there("choose", "run", *needs, "--wish", WISHES[0])
    page = (tmp_path / "run" / "report" / "report.html").read_text(encoding="utf-8")
    check_outcome(mezzmark_there("export", "run"), choice, page)
    assert "invented-jpeg" in mezzmark_there("encodings")

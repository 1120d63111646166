"""What reports say of cells on roots."""

import math
from pathlib import Path

import pytest

from fixtures.fabricated_run import fabricate_run
from fixtures.two_sides import QUIET, Run, build_run
from mezzmark.decide.compare.regress import compare_runs
from mezzmark.decide.size.inputs import gather_encodings
from mezzmark.host.common import Clock
from mezzmark.model.cell import KERNEL_CLIP, STORAGE_ENCODING, Cell, Setting
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.run import Root
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.storage import StorageMeasurement
from mezzmark.report.prose.latency import setting_label
from mezzmark.report.prose.regress import doubt_lines
from mezzmark.report.tables.facts import run_facts
from mezzmark.report.view import RunView
from mezzmark.runner.roots import _files_on
from mezzmark.runner.start import describe_run
from simulation.synthetic_footage import synthetic_footage


def test_each_root_is_a_setting_of_its_own_behind_the_cache() -> None:
    """Cells on a root are other cells, named by it, and never lead the report."""
    manifest, trials = fabricate_run()
    scrubs = [trial for trial in trials if trial.cell.task == "scrub"]
    there = [
        t.model_copy(update={"cell": t.cell.but(setting=t.cell.setting.but(root="share"))})
        for t in scrubs
    ]
    view = RunView(manifest, (*there, *scrubs))
    half = len(view.rankings) // 2
    found = [ranking.setting["root"] for ranking in view.rankings]
    assert found == [None] * half + ["share"] * half
    assert "root share" in setting_label(view.rankings[half], view.rankings[0])
    ids = {summary.cell.cell_id for summary in view.summaries}
    assert sum(one.endswith(" | root share") for one in ids) == len(ids) // 2


def test_the_machine_table_names_each_root() -> None:
    """File system, device, options and free space, as far as they are told."""
    manifest, trials = fabricate_run()
    disk = Root(name="d", path="x", file_system="ext4", device="/dev/sda", free_bytes=3 * 10**9)
    named = manifest.model_copy(update={"roots": (disk, Root(name="\x1bshare", path="y"))})
    facts = run_facts(RunView(named, trials))
    assert ("root d", "ext4, /dev/sda, 3 GB free") in facts
    assert any("share" in text and "\x1b" not in text for _, text in facts)


def test_an_ingest_on_a_root_reads_originals_there_but_for_the_users_own() -> None:
    """Synthetic originals are placed for it, files of the user and encodings are not."""
    clips = (ClipSpec(name="made", recipe=Recipe()), ClipSpec(name="own", files=("own.mov",)))
    given = {"encodings": ("vc3-sq",), "roots": [{"name": "share", "path": "/x"}], "ingest": {}}
    plan = Scenario(name="n", seed=1, clips=clips, **given)
    footage = synthetic_footage(plan)
    footage.clips[1] = footage.clips[1].model_copy(update={"source": "own"})
    manifest = describe_run(plan, footage, cache_dir=Path(), clock=Clock())
    placed = _files_on("share", manifest, footage)
    assert [(one.clip, one.encoding) for one in placed] == [("made", "original")]


@pytest.mark.parametrize("axes", [{"root": "share"}, {"cache": "cold"}, {"link": "1 Gbit/s, 9 ms"}])
def test_sizing_takes_the_moves_where_the_cache_lies(axes: dict[str, str]) -> None:
    """Moves ten times as slow on a root, cold or over a link change no figure that sizing takes."""
    manifest, trials = fabricate_run()
    slow = []
    for trial in (trial for trial in trials if trial.cell.task == "scrub"):
        slower_ns = tuple(10 * span_ns for span_ns in trial.measurement.decode_ns)
        measured = trial.measurement.model_copy(update={"decode_ns": slower_ns})
        cell = trial.cell.but(setting=trial.cell.setting.but(**axes))
        slow.append(trial.model_copy(update={"cell": cell, "measurement": measured}))
    wanted = gather_encodings([Run(manifest, tuple(trials))])
    assert gather_encodings([Run(manifest, (*trials, *slow))]) == wanted
    assert gather_encodings([Run(manifest, tuple(slow))]) != wanted


def storage_run(slowdowns: dict[str | None, float], **changes: object) -> Run:
    """Raw storage read in a row on each root, so many times as slow."""
    setting = Setting(access="sequential", request_kib=1024)
    cells = {
        Cell(
            task="storage",
            clip=KERNEL_CLIP,
            encoding=STORAGE_ENCODING,
            setting=setting.but(root=root),
        ): slowdown
        for root, slowdown in slowdowns.items()
    }
    stand_in = Cell(task="encode", clip="street at dusk", encoding="VC-3 SQ")
    made = build_run({stand_in: QUIET}, kernel=QUIET, **changes)
    trials = [trial for trial in made.trials if trial.cell.task == "kernel"]
    for position, (cell, slowdown) in enumerate(cells.items()):
        for trial, log in zip((t for t in made.trials if t.cell == stand_in), QUIET, strict=True):
            wall_ns = round(1e8 * math.exp(log) * slowdown)
            measured = StorageMeasurement(
                access="sequential",
                byte_count=10**7,
                wall_ns=wall_ns,
                process_start_ns=(0,),
                process_end_ns=(wall_ns,),
            )
            given = {"cell": cell, "measurement": measured, "position": 100 + position}
            trials.append(trial.model_copy(update=given))
    return Run(made.manifest, tuple(trials))


@pytest.mark.parametrize(("slowdown", "is_told"), [(1.5, True), (1.0, False), (0.7, False)])
def test_a_slower_share_is_told_by_its_own_raw_storage(slowdown: float, is_told: bool) -> None:
    """Half as slow again: the root is named, and only that one; not where it is as fast or
    faster, nor for storage that is no root."""
    before = storage_run({None: 1.0, "share": 1.0, "disk": 1.0}, run_id="a")
    after = storage_run(
        {None: slowdown, "share": slowdown, "disk": 1.0}, run_id="b", start_minute=100
    )
    report = compare_runs([before], [after], tolerance_fraction=0.05)
    verdicts = {one.cell.setting["root"]: one.verdict for one in report.cells}
    assert (verdicts["share"] == "regressed") is is_told
    assert verdicts["disk"] == "equivalent"
    told = [line for line in doubt_lines(report) if "storage" in line]
    assert [("share" in line, "1 of 1 cell" in line) for line in told] == [(True, True)] * is_told

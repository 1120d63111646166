"""A published site: whole, linked, at addresses that stay, and made anew only where it must be."""

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import pandas as pd
import pytest
from test_report_page import Page, lay_run

import mezzmark
from fixtures.fabricated_run import EIGHT, Fabrication, fabricate_run
from mezzmark.decide.compare.matching import find_unlikeness, work_of
from mezzmark.model.errors import DestinationError, RunError
from mezzmark.report import site
from mezzmark.report.figures.drawing import Picture
from mezzmark.report.sections import context
from mezzmark.report.site import MARKER_NAME
from mezzmark.store.run_store import MANIFEST_NAME, TRIALS_NAME, lock_folder

MADE = Fabrication(encodings=EIGHT[:2], patterns=("jump",), rounds=3, requests=4)
NAMES = ("a1", "a2", "a3", "b1")
PICTURE = Picture(file_stem="", title="", caption="", alt="", page_svg="", svg=b"")


def named(name: str, seed: int = 1) -> Fabrication:
    """A run whose id begins with a name, the first letter of which is its host; b1 never ended."""
    changes = {"stop_reason": ""} if name == "b1" else {}
    return replace(MADE, name=name, host_label=f"<{name[0]}>", seed=seed, **changes)


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*.*")}


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Runs, their site, and what it was with the first two; reports without figures, for speed."""
    folder = tmp_path_factory.mktemp("site")
    runs = [lay_run(folder / name, named(name, seed)) for seed, name in enumerate(NAMES)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(context, "make_picture", lambda *_: PICTURE)
        mezzmark.publish(runs[:2], to=folder / "out")
        before = contents(folder / "out")
        mezzmark.publish(runs, to=folder / "out")
        yield runs, folder / "out", before


def test_every_link_leads_to_a_file_and_a_place(built: Any) -> None:
    """Links lead to files that are there, and to elements that are; no id stands twice."""
    pages = {p: Page(p.read_text(encoding="utf-8")) for p in built[1].rglob("*.html")}
    assert len(pages) == 2 + 1 + 2 * len(NAMES)
    for path, page in pages.items():
        assert max(page.ids.values()) == 1
        assert {"<a>", "<b>"} & set(page.words) or path.name == "report.html"
        for link in page.links:
            parts = urlsplit(link)
            target = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            assert target.is_file(), link
            assert not parts.fragment or unquote(parts.fragment) in pages[target].ids, link


def test_more_runs_leave_the_others_as_they_were(built: Any, monkeypatch: Any) -> None:
    """With two runs more the files of the first two are the same; the same runs again, or one of
    them, are not read for pages or histories; CSV and Parquet hold the rows of all. The index marks
    what is unfinished."""
    runs, folder, before = built
    after = contents(folder)
    assert all(after[name] == data for name, data in before.items() if name.startswith("runs/"))
    assert after["index.html"].count(b"Unfinished. ") == 1
    assert b'id="encode/street+at+dusk/VC-3+SQ/1t"' in after["runs/a1--a-/index.html"]
    monkeypatch.setattr(site, "read_view", None)
    monkeypatch.setattr(site.run_store, "read_run", None)
    mezzmark.publish(runs, to=folder)
    mezzmark.publish(runs[3:], to=folder)
    assert contents(folder) == after
    found = pd.read_csv(folder / "cells.csv")
    assert found.run_id.nunique() == len(NAMES)
    assert len(found) == len(pd.read_parquet(folder / "cells.parquet"))


def test_a_history_that_lacks_runs_is_left_and_told(built: Any) -> None:
    """A changed run named alone: its host's history stays, is named, and follows with all runs."""
    runs, folder, _ = built
    before = contents(folder / "history")
    (runs[0] / TRIALS_NAME).open("a", encoding="utf-8").write("\n")
    assert "<a>" in mezzmark.publish(runs[0], to=folder).answer
    assert contents(folder / "history") == before
    mezzmark.publish(runs, to=folder)
    assert contents(folder / "history") != before
    [page] = contents(folder / "history").values()
    assert {run.name for run in runs[:3]} <= set(Page(page.decode()).words)


def test_what_is_no_run_is_left_out_and_told(built: Any, tmp_path: Path) -> None:
    """A file, a run without trials and one without an id are named and left out, and the run beside
    them is published with its folder's name; nothing but such names is an error."""
    runs, _, _ = built
    (bare := tmp_path / "bare").mkdir()
    shutil.copy(runs[1] / MANIFEST_NAME, bare)
    (file := tmp_path / "README.md").touch()
    nameless = shutil.copytree(runs[1], tmp_path / "nameless")
    told = json.loads((nameless / MANIFEST_NAME).read_text(encoding="utf-8"))
    (nameless / MANIFEST_NAME).write_text(json.dumps(told | {"run_id": ""}), encoding="utf-8")
    answer = mezzmark.publish([file, runs[0], bare, nameless], to=tmp_path / "out").answer
    assert [str(p) in answer for p in (file, bare, nameless, runs[0])] == [True] * 3 + [False]
    assert [path.is_dir() for path in (tmp_path / "out/runs").iterdir()] == [True]
    page = Page((tmp_path / "out/index.html").read_text(encoding="utf-8"))
    assert runs[0].name in page.words
    with pytest.raises(RunError, match="README"):
        mezzmark.publish(file, to=tmp_path / "none")


def test_what_others_made_is_refused_and_left(tmp_path: Path) -> None:
    """A folder of other files is refused, and runs of one id that differ; nothing is written."""
    runs = [lay_run(tmp_path / f"{seed}.x", named("a1", seed)) for seed in (1, 2)]
    before = contents(runs[0])
    with pytest.raises(DestinationError, match="not empty"):
        mezzmark.publish(runs[1], to=runs[0])
    assert contents(runs[0]) == before
    with pytest.raises(RunError, match="id"):
        mezzmark.publish(runs, to=tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_one_publishes_at_a_time(tmp_path: Path) -> None:
    """A folder that somebody is publishing into is refused and left as it is."""
    run_dir = lay_run(tmp_path / "run", named("a1", 1))
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / MARKER_NAME).touch()
    with lock_folder(tmp_path / "site"):
        before = contents(tmp_path / "site")
        with pytest.raises(RunError, match="publishing into this folder"):
            mezzmark.publish(run_dir, to=tmp_path / "site")
        assert contents(tmp_path / "site") == before


@pytest.mark.parametrize(
    ("part", "fact"), [("clips", "fingerprint"), ("media", "fingerprint"), ("encodings", "codec")]
)
def test_works_are_equal_where_cells_compare(part: str, fact: str) -> None:
    """Of manifests that differ, `work_of` differs for just the cells that are refused."""
    manifest, trials = fabricate_run(MADE)
    facts = tuple(one.model_copy(update={fact: "other"}) for one in getattr(manifest, part))
    other = manifest.model_copy(update={part: facts})
    cells = {trial.cell for trial in trials}
    refused = {cell for cell in cells if find_unlikeness(cell, manifest, other)}
    assert refused == {cell for cell in cells if work_of(cell, manifest) != work_of(cell, other)}
    assert refused

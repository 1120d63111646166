"""`mezzmark choose` on the command line: words for people, JSON for programs, one-line errors."""

import importlib
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

import mezzmark
from fixtures.fabricated_run import HOSTILE_NAMES, FabricatedEncoding, Fabrication, fabricate_run
from fixtures.snapshot import assert_matches_snapshot
from mezzmark.cli.app import app
from mezzmark.model.errors import RunError, ScenarioError
from mezzmark.model.request import ChooseSettings
from mezzmark.report import notebook
from mezzmark.report.prose.choice import choice_sentences, headline
from mezzmark.store.run_store import append_trial, create_run

RESULTS = Path(__file__).parents[2] / "results"

ENCODINGS = (
    FabricatedEncoding(name="nimble", jump_ms=20, bitrate_bps=200e6),
    FabricatedEncoding(name="small", jump_ms=60, bitrate_bps=100e6),
    FabricatedEncoding(name="slow", jump_ms=400, bitrate_bps=50e6),
)


def write_run(folder: Path, made: Fabrication, choose: ChooseSettings | None = None) -> Path:
    manifest, trials = fabricate_run(made)
    scenario = manifest.scenario.model_copy(update={"choose": choose})
    create_run(folder, manifest.model_copy(update={"scenario": scenario}))
    for trial in trials:
        append_trial(folder, trial)
    return folder


@pytest.fixture(scope="module")
def run_dir(tmp_path_factory: pytest.TempPathFactory) -> Path:
    table = ChooseSettings.model_validate(
        {
            "needs": ["scrub.jump.p95_ms <= 200"],
            "wishes": ["less bitrate_bps"],
            "confidence_level": 0.9,
        }
    )
    made = Fabrication(encodings=ENCODINGS, patterns=("jump",), encode_threads=(4,), rounds=10)
    return write_run(tmp_path_factory.mktemp("run") / "run", made, table)


def said(*arguments: str) -> str:
    done = CliRunner().invoke(app, ["choose", *arguments], env={"COLUMNS": "400"})
    assert done.exit_code == 0, done.output
    return done.output


def test_a_notebook_shows_the_choice(run_dir: Path) -> None:
    """A row for each encoding, a drawing, and a need's `<=` as text; each kind of result has it."""
    html = notebook.html_of(mezzmark.choose(run_dir))
    assert all(f"<td>{encoding.name}</td>" in html for encoding in ENCODINGS)
    assert html.count("<svg") == 1
    assert ("&lt;=" in html, "<=" in html) == (True, False)
    assert all(hasattr(kind, "_repr_html_") for kind in notebook.PARTS)


def test_the_scenarios_table_counts(run_dir: Path) -> None:
    """Without options the answer is by the run's own needs and wishes."""
    found = mezzmark.choose(run_dir)
    assert (found.recommendation, found.has_default_wishes) == ("small", False)
    assert [need.text for need in found.needs] == ["scrub.jump.p95_ms <= 200"]
    assert said(str(run_dir)).startswith(headline(found))


def test_the_terminal_reads_well(run_dir: Path) -> None:
    """What is printed is what a person has accepted."""
    assert_matches_snapshot(said(str(run_dir)), "choose_terminal")


def test_the_report_answers_with_the_choice(run_dir: Path, tmp_path: Path) -> None:
    """Where needs and wishes were stated page and plain form begin with their choice and its
    numbers, and say after that which encoding is faster and why it was not chosen; without a table
    of needs and wishes there is no such section."""
    page, best = mezzmark.report([run_dir], out=tmp_path / "asked"), mezzmark.choose(run_dir)
    assert page.answer.startswith(headline(best))
    assert "nimble is faster" in page.answer
    html, markdown = (path.read_text(encoding="utf-8") for path in (page.html, page.markdown))
    for text in (html, markdown):
        assert all(part in text for part in ("Needs and wishes", headline(best), "missed"))
    assert "<dt>small: scrub latency, median</dt>" in html
    assert "<dd>45.0 GB</dd>" in html
    made = Fabrication(encodings=ENCODINGS, requests=4, rounds=3, patterns=("jump",))
    plain = mezzmark.report([write_run(tmp_path / "run", made)], out=tmp_path / "not-asked")
    assert "Needs and wishes" not in plain.html.read_text(encoding="utf-8")


def test_options_go_before_the_table(run_dir: Path) -> None:
    """A need on the command line is judged in place of the scenario's."""
    options = ("--need", "scrub.jump.p95_ms <= 60", "--wish", "less scrub.jump.p50_ms")
    told = json.loads(said(str(run_dir), *options, "--json"))
    assert (told["recommendation"], told["needs"]) == ("nimble", ["scrub.jump.p95_ms <= 60"])
    assert told["wishes"] == ["less scrub.jump.p50_ms"]


def test_json_holds_the_same_answer(run_dir: Path) -> None:
    """Programs read a numbered schema, every field of the library's answer, and its sentences."""
    told = json.loads(said(str(run_dir), "--json"))
    found = mezzmark.choose([run_dir])
    assert told["recommendation"] == found.recommendation == "small"
    assert told["confidence_level"] == 0.9
    assert [entry["encoding"] for entry in told["encodings"]] == ["nimble", "slow", "small"]
    assert (told.pop("schema"), told.pop("sentences")) == (1, list(choice_sentences(found)))
    assert told == found.model_dump(mode="json")


def test_every_field_of_the_json_is_documented(run_dir: Path) -> None:
    """results/README.md names each field of the object, of its encodings and of their needs."""
    told = json.loads(said(str(run_dir), "--json"))
    [section] = [
        part
        for part in (RESULTS / "README.md").read_text(encoding="utf-8").split("\n## ")
        if part.startswith("JSON of choose")
    ]
    entry = told["encodings"][0]
    fields = {*told, *entry, *entry["needs"][0], *told["tipping_points"][0]}
    assert {field for field in fields if f"`{field}`" not in section} == set()


def test_programs_may_name_one_run_as_they_like(run_dir: Path, tmp_path: Path) -> None:
    """A path, its text, and either in a list are one run; text is never read letter by letter."""
    expected = mezzmark.choose([run_dir])
    for named in (run_dir, str(run_dir), [str(run_dir)], (run_dir,)):
        assert mezzmark.choose(named) == expected
    assert mezzmark.export(str(run_dir)) == mezzmark.export([run_dir])
    assert mezzmark.report(str(run_dir), out=tmp_path / "page").html.is_file()
    with pytest.raises(RunError, match="on both sides"):
        mezzmark.regress(baseline=str(run_dir), candidate=run_dir)


def test_a_need_that_was_not_measured_is_not_answered(run_dir: Path) -> None:
    """Nobody is recommended, and nobody is said to meet all."""
    need = ("--need", "fidelity.delta_e_max <= 1")
    told = json.loads(said(str(run_dir), *need, "--json"))
    assert (told["recommendation"], told["by_other_needs"]) == (None, "slow")
    assert {entry["chance_all"] for entry in told["encodings"]} == {None}


def test_a_need_that_cannot_be_read_is_an_expected_error(run_dir: Path) -> None:
    """The error is a scenario error (exit code 20) that names the nearest figure."""
    done = CliRunner().invoke(app, ["choose", str(run_dir), "--need", "scrub.jmp.p95_ms <= 60"])
    assert isinstance(done.exception, ScenarioError)
    assert done.exception.exit_code == 20
    assert "scrub.jump.p95_ms" in done.exception.remedy


def test_hostile_names_do_nothing(tmp_path: Path) -> None:
    """Markup, line breaks and direction marks in names come out as visible text."""
    encodings = tuple(
        FabricatedEncoding(name=name, jump_ms=20 + 5 * index, bitrate_bps=1e8)
        for index, name in enumerate(HOSTILE_NAMES)
    )
    made = Fabrication(encodings=encodings, requests=4, rounds=3, patterns=("jump",))
    text = said(str(write_run(tmp_path / "run", made)), "--need", "scrub.jump.p95_ms <= 45")
    assert "\u202e" not in text
    assert "line⏎break⇥and tab" in text


def test_functions_stay_functions_whatever_is_imported(run_dir: Path) -> None:
    """`mezzmark.report` can be called after an export, though a subpackage has its name."""
    mezzmark.export([run_dir])
    assert importlib.import_module("mezzmark.report.page").write_report is not None
    assert all(callable(getattr(mezzmark, name)) for name in mezzmark.__all__ if name[0] != "_")

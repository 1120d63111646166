"""Whatever a clip, an encoding or a host is called, every output shows it as text."""

import csv
import io
import json
import re
from pathlib import Path
from xml.etree import ElementTree

import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from rich.console import Console

from fixtures.fabricated_fidelity import generation
from fixtures.fabricated_fidelity import trial as fidelity_trial
from fixtures.fabricated_run import FabricatedEncoding, Fabrication, fabricate_run
from mezzmark.api import choose
from mezzmark.cli.progress import shown_progress
from mezzmark.decide.compare.regress import compare_runs
from mezzmark.model.cell import Cell
from mezzmark.report.export.tidy import FORMULA_STARTS, csv_bytes, guard
from mezzmark.report.page import write_report
from mezzmark.report.prose.choice import findings, headline, tipping_sentences
from mezzmark.report.prose.numbers import shown_name, visible_text
from mezzmark.report.tables import regression
from mezzmark.report.tables.table import markdown_text
from mezzmark.runner.events import CellGivenUp, TrialStarted
from mezzmark.store.run_store import Run, append_trial, create_run

CHARACTERS = st.one_of(
    st.sampled_from(
        list("=+-@'\"<>&|[]\\`*_#$,;\t\r\n\x00\x07\x1b\x7f\x9b\u200f\u202e\u2066\u2028")
    ),
    st.characters(exclude_categories=["Cs"]),
)
NAMES = st.text(CHARACTERS, min_size=1, max_size=40)
ACTIVE = re.compile("[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")


@given(NAMES)
def test_visible_text_leaves_nothing_that_acts(name: str) -> None:
    """No control character, line break or direction mark is left, and plain text stays as it is."""
    assert not ACTIVE.search(visible_text(name))
    assert not ACTIVE.search(shown_name(name).strip("\u2068\u2069"))
    plain = "".join(c for c in name if c.isascii() and c.isprintable())
    assert visible_text(plain) == plain


@given(NAMES)
def test_a_guarded_text_is_no_formula_and_comes_back(name: str) -> None:
    """No guarded text begins as a formula does, and taking one apostrophe away restores it."""
    assert guard(name)[0] not in FORMULA_STARTS
    assert guard(name).removeprefix("'") == name


@settings(deadline=None)
@given(st.lists(NAMES, min_size=1, max_size=5))
def test_csv_brings_every_name_back(names: list[str]) -> None:
    """An RFC 4180 reader finds as many rows as names, none of them a formula, each restored."""
    frame = pd.DataFrame({"name": pd.Series(names, dtype="string"), "value": range(len(names))})
    text = csv_bytes(frame).decode("utf-8")
    rows = list(csv.reader(io.StringIO(text, newline="")))[1:]
    assert [row[0].removeprefix("'") for row in rows] == names
    assert not [row for row in rows if row[0][0] in FORMULA_STARTS]


@given(NAMES)
def test_markdown_holds_no_markup_and_one_line(name: str) -> None:
    """As a paragraph and as a heading, a CommonMark reader finds the very name, as plain text."""
    shown = " ".join(visible_text(name).split())
    for before, kind in (("", "paragraph"), ("# ", "heading")):
        tokens = MarkdownIt("commonmark").parse(before + markdown_text(shown))
        if not shown:
            continue
        assert [token.type for token in tokens] == [f"{kind}_open", "inline", f"{kind}_close"]
        parts = tokens[1].children or []
        assert {part.type for part in parts} <= {"text", "text_special"}
        assert "".join(part.content for part in parts) == shown


PLAIN_NAMES = ("ffv1", "vc3-sq", "Ö_x*")
"""Names that a sentence would change if it raised or lowered a first letter."""


def test_no_sentence_changes_a_name(tmp_path: Path) -> None:
    """Wherever a name of an encoding or a host begins a sentence, it stands as its owner wrote it:
    in the page, in its Markdown and in the choice; the other case of its first letter never."""
    runs = []
    for seed, host in enumerate(("ærø-1", "Éire")):
        encodings = tuple(
            FabricatedEncoding(name=name, jump_ms=20 + 9 * k, bitrate_bps=1e8, encode_fps=50)
            for k, name in enumerate(PLAIN_NAMES[:3])
        )
        made = Fabrication(
            encodings=encodings, patterns=("jump",), requests=6, seed=seed, host_label=host
        )
        manifest, trials = fabricate_run(made)
        fidelity = [fidelity_trial("street at dusk", n, [generation([4.0])]) for n in PLAIN_NAMES]
        create_run(tmp_path / host, manifest)
        placed = (t.model_copy(update={"position": 90 + k}) for k, t in enumerate(fidelity))
        for trial in (*trials, *placed):
            append_trial(tmp_path / host, trial)
        runs.append(tmp_path / host)
    paths = write_report(runs, out_dir=tmp_path / "report", with_figure_files=False)
    choice = choose(runs[:1])
    texts = [
        re.sub(r"<style>.*?</style>|<script>.*?</script>", "", page, flags=re.DOTALL)
        for page in (paths.html.read_text("utf-8"), paths.markdown.read_text("utf-8"))
    ]
    texts += [paths.answer, headline(choice), *findings(choice), *tipping_sentences(choice)]
    for name in (*PLAIN_NAMES[:3], "ærø-1", "Éire"):
        shown = [name, markdown_text(name), name.replace("-", "‑")]
        assert any(form in text for text in texts for form in shown)
        for form in shown:
            other = form[0].swapcase() + form[1:]
            if other != form:
                assert not [text for text in texts if other in text], other


def compared(name: str) -> regression.RegressionReport:
    """A run compared with a second one, in which clip, encoding and host have a hostile name."""
    runs = []
    for seed in (1, 2):
        made = Fabrication(
            encodings=(FabricatedEncoding(name=name, jump_ms=20, bitrate_bps=1e8, encode_fps=50),),
            clips=(name,),
            patterns=("jump",),
            encode_threads=(1,),
            rounds=4,
            seed=seed,
            host_label=name,
        )
        manifest, trials = fabricate_run(made)
        runs.append(Run(run_dir=None, manifest=manifest, trials=trials, torn_line_count=0))
    return compare_runs(runs[:1], runs[1:], tolerance_fraction=0.05)


@settings(deadline=None, max_examples=20)
@given(NAMES)
def test_every_form_of_a_comparison_stays_whole(name: str) -> None:
    """Markdown keeps its columns, JUnit stays well-formed XML, JSON brings the name back."""
    report = compared(name)
    table = [line for line in regression.as_markdown(report).split("\n") if line.startswith("|")]
    assert {len(re.findall(r"(?<!\\)\|", line.replace("\\\\", ""))) for line in table} == {7}
    ElementTree.fromstring(regression.as_junit(report))
    cells = json.loads(report.model_dump_json())["cells"]
    assert {cell["cell"]["encoding"] for cell in cells} == {name}


@settings(deadline=None, max_examples=50)
@given(NAMES | st.sampled_from(["[red]x[/red]", "[/nothing]", "\x1b[2Jgone", "[link=a]b"]))
def test_progress_shows_names_and_obeys_none(name: str) -> None:
    """On a terminal and in a log a name is text: no markup is taken, no escape sequence passed."""
    cell = Cell(task="scrub", clip="a", encoding=name)
    events = (
        TrialStarted(cell=cell, done=0, total=2, eta_s=None),
        CellGivenUp(cell=cell, reason=name),
    )
    shown = {}
    for is_terminal in (False, True):
        file = io.StringIO()
        console = Console(file=file, width=4000, color_system=None, force_terminal=is_terminal)
        with shown_progress(console) as show:
            for event in events:
                show(event)
        shown[is_terminal] = file.getvalue()
    lines = shown[False].rstrip("\n").split("\n")
    assert len(lines) == 1
    assert visible_text(name).rstrip() in lines[0]
    assert "\x1b[2Jgone" not in shown[True]
    if name.startswith("["):
        assert visible_text(name) in shown[True]

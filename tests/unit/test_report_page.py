"""The report: complete, harmless, the same every time, and readable by other programs."""

import csv
import io
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from markdown_it import MarkdownIt

from fixtures.fabricated_run import (
    EIGHT,
    HOSTILE_NAMES,
    THREE,
    FabricatedEncoding,
    Fabrication,
    fabricate_run,
)
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.model.cell import Cell, Setting
from mezzmark.model.errors import DestinationError, RunError, ScenarioError
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.streams import Level, StreamsMeasurement
from mezzmark.report.figures.drawing import Drawing, Picture
from mezzmark.report.figures.theme import theme_context
from mezzmark.report.page import ReportPaths, markdown_text, write_report
from mezzmark.report.sections import context
from mezzmark.report.sections import tasks as task_sections
from mezzmark.report.view import RunView
from mezzmark.store.run_store import TRIALS_NAME, create_run, read_run

SMALL = Fabrication(encodings=EIGHT[:2], patterns=("jump",), rounds=3, requests=8)


def lay_run(folder: Path, made: Fabrication, *, task: str = "", **changes: object) -> Path:
    """Put a fabricated run on disk as the store would; only the trials of `task` if given, each
    with these fields."""
    manifest, trials = fabricate_run(made)
    create_run(folder, manifest)
    kept = (t.model_copy(update=changes) for t in trials if task in ("", t.cell.task))
    lines = "".join(f"{trial.model_dump_json()}\n" for trial in kept)
    (folder / TRIALS_NAME).write_text(lines, encoding="utf-8")
    return folder


class Page(HTMLParser):
    """What a browser would make of the page: tags, ids, links and text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: Counter[str] = Counter()
        self.ids: Counter[str] = Counter()
        self.links: list[str] = []
        self.attributes: set[str] = set()
        self.words: list[str] = []
        self._hidden = 0
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self._hidden += tag in ("script", "style")
        for name, value in attrs:
            self.attributes.add(name)
            if name == "id":
                self.ids[value or ""] += 1
            if name in ("href", "xlink:href", "src", "srcset", "action"):
                self.links.append(value or "")

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in ("script", "style")

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.words.append(data)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> ReportPaths:
    """The report of a run whose every name tries to break it."""
    encodings = tuple(
        FabricatedEncoding(
            name=name, jump_ms=20 + 9 * k, bitrate_bps=5e7 + 1e7 * k, fails=f"reason {name}"
        )
        for k, name in enumerate(HOSTILE_NAMES)
    )
    made = Fabrication(
        encodings=(replace(THREE[0], wrong_fraction=0.2), *encodings),
        clips=HOSTILE_NAMES[:2],
        patterns=("jump",),
        rounds=3,
        requests=12,
        host_label=HOSTILE_NAMES[0],
        name=HOSTILE_NAMES[2],
    )
    return write_report([lay_run(tmp_path_factory.mktemp("hostile"), made)])


@pytest.fixture(scope="module")
def hostile_page(hostile: ReportPaths) -> Page:
    """That report as a browser reads it."""
    return Page(hostile.html.read_text(encoding="utf-8"))


def test_hostile_names_are_text_and_nothing_else(hostile_page: Page) -> None:
    """The only script is the page's own, no attribute runs anything, no direction override gets
    through, and each name's letters stand in the page as text."""
    assert hostile_page.tags["script"] == 1
    assert not [name for name in hostile_page.attributes if name.startswith("on")]
    text = "".join(hostile_page.words)
    assert "\u202e" not in text
    for expected in (
        "<script>alert('clip')</script>",
        "\"double\" & 'single' quotes",
        "line⏎break⇥and tab",
        "‹U+202E›right-to-left override‹U+202C›",
        "x" * 300,
        "$\\frac{1}{2}$ _under_ **star** | pipe `tick` [link](#a) {{ braces }}",
    ):
        assert expected in text


def test_the_page_asks_for_nothing_outside_itself(hostile_page: Page) -> None:
    """Every link stays in the page, and the style imports nothing."""
    assert hostile_page.links
    assert [link for link in hostile_page.links if not link.startswith("#")] == []
    assert not hostile_page.tags.keys() & {"link", "img", "iframe", "object", "embed", "base"}


def test_ids_are_unique_and_every_link_has_its_target(hostile_page: Page) -> None:
    """No id occurs twice, though every figure has the same ones as drawn."""
    assert [name for name, count in hostile_page.ids.items() if count > 1] == []
    assert {link[1:] for link in hostile_page.links} - hostile_page.ids.keys() == set()


def test_every_figure_is_named_for_those_who_do_not_see_it(hostile: ReportPaths) -> None:
    """Each SVG in the page is an image, or a group of links, with a label that holds numbers or
    the way to them."""
    page = hostile.html.read_text(encoding="utf-8")
    heads = re.findall(r"<svg[^>]*>", page)
    assert len(heads) == len(hostile.figures)
    assert all(
        re.search(r'role="(img|group)"', head) and re.search(r'aria-label="[^"]{40,}"', head)
        for head in heads
    )


def test_wrong_pictures_carry_a_sign_beside_the_colour(hostile: ReportPaths) -> None:
    """A wrong count is marked with a cross in the table and in the figure."""
    page = hostile.html.read_text(encoding="utf-8")
    assert re.search(r'class="number wrong[^"]*"><bdi>✕ \d+ wrong', page)
    figure = next(path for path in hostile.figures if "scrub-latency" in path.name)
    assert re.search(r"✕ \d+ wrong", figure.with_suffix(".svg").read_text(encoding="utf-8"))


def test_markdown_tables_keep_their_columns(hostile: ReportPaths) -> None:
    """A name with pipes and stars cannot add a column: each table's rows are equally long."""
    widths: list[int] = []
    tables = 0
    for line in [*hostile.markdown.read_text(encoding="utf-8").splitlines(), ""]:
        if line.startswith("|"):
            widths.append(len(re.findall(r"(?<!\\)\|", line)))
        elif widths:
            assert len(set(widths)) == 1, line
            assert len(widths) > 2
            tables += 1
            widths = []
    assert tables == 6
    text = hostile.markdown.read_text(encoding="utf-8")
    assert re.search(r"(?<!\\)<script>", text) is None
    assert "\\<script>" in text


def test_markdown_text_escapes_what_markdown_reads() -> None:
    """Stars, ticks, links and tags are escaped, and so is what would begin a list or a heading at
    the start alone; what Markdown does not read stays readable."""
    assert markdown_text("a*b|c`d\n[e](f) <g>") == r"a\*b|c\`d [e\](f) \<g>"
    assert markdown_text("# a - b + c (d)! #") == r"\# a - b + c (d)! \#"
    assert [markdown_text(text) for text in ("- a", "-5", "1. a", "1.5 ms", "> a")] == [
        r"\- a", "-5", r"1\. a", "1.5 ms", r"\> a",
    ]  # fmt: skip


def test_every_figure_is_an_image_in_markdown(hostile: ReportPaths) -> None:
    """Whatever a name holds, a Markdown reader finds one image for each figure, and no link, HTML
    or emphasis but that of our own headings and captions."""
    tokens = MarkdownIt("commonmark").enable("table").parse(hostile.markdown.read_text("utf-8"))
    parts = [part for token in tokens for part in token.children or ()]
    images = [part.attrs["src"] for part in parts if part.type == "image"]
    assert len(images) == len(set(images)) == len(hostile.figures)
    assert not {part.type for part in parts} & {"link_open", "html_inline", "code_inline"}
    assert not {token.type for token in tokens} & {"html_block", "fence", "blockquote_open"}


def test_without_figure_files_no_caption_stands_alone(tmp_path: Path) -> None:
    """No file of a figure is written, `report.md` has neither images nor the captions that stand
    below them otherwise, and the page keeps its figures and points to no file."""
    run = lay_run(tmp_path / "run", SMALL)
    full = write_report([run], out_dir=tmp_path / "full")
    bare = write_report([run], out_dir=tmp_path / "bare", with_figure_files=False)
    assert full.figures
    assert not bare.figures
    assert not (tmp_path / "bare" / "figures").exists()
    parts = re.split(r"^!\[.*\]\(figures/.*\)\n\n", full.markdown.read_text("utf-8"), flags=re.M)
    captions = [part.split("\n\n")[0] for part in parts[1:]]
    assert len(captions) == len(full.figures)
    captions = [caption for caption in captions if caption and caption.strip()[:1] not in "*#"]
    assert captions
    text = bare.markdown.read_text("utf-8")
    assert not [caption for caption in captions if caption in text]
    assert "](figures/" not in text
    page = bare.html.read_text("utf-8")
    assert page.count("<figure") == full.html.read_text("utf-8").count("<figure") > 0
    assert "figures/" not in page


def test_svg_files_are_well_formed_and_stand_alone(hostile: ReportPaths) -> None:
    """Each SVG parses as XML, refers to nothing outside and carries a dark theme."""
    for path in hostile.figures:
        if path.suffix == ".svg":
            text = path.read_text(encoding="utf-8")
            root = ET.fromstring(text)
            links = [v for e in root.iter() for k, v in e.attrib.items() if k.endswith("href")]
            assert all(link.startswith("#") for link in links)
            assert "prefers-color-scheme: dark" in text
            assert "<a " not in text
            assert "<dc:date>" not in text


def test_names_that_look_like_the_figures_own_code_are_left_alone(tmp_path: Path) -> None:
    """A name that holds one of the palette's colours or an id is drawn to the letter."""
    name = 'id="axes_1" #0072b2'
    odd = FabricatedEncoding(name=name, jump_ms=9, bitrate_bps=1e8)
    made = replace(SMALL, encodings=(odd,))
    paths = write_report([lay_run(tmp_path, made, task="encode")])
    (svg,) = paths.figures
    labels = {element.text for element in ET.parse(svg).getroot().iter() if element.text}
    assert name in labels
    assert paths.html.read_text(encoding="utf-8").count(f">{name}</text>") == 1


def test_csv_holds_every_estimate_and_names_as_written(hostile: ReportPaths) -> None:
    """cells.csv read back by another reader equals the summaries, names to the letter."""
    run = read_run(hostile.html.parent.parent)
    rows = list(csv.DictReader(io.StringIO(hostile.cells_csv.read_text(encoding="utf-8"))))
    expected = {
        (s.cell.clip, s.cell.encoding, s.cell.task, str(s.cell.setting["threads"]), figure): e
        for s in summarise_cells(run.trials)
        for figure, e in s.estimates.items()
    }
    found = {(r["clip"], r["encoding"], r["task"], r["thread_count"], r["figure"]): r for r in rows}
    assert found.keys() == expected.keys()
    for key, estimate in expected.items():
        assert float(found[key]["point"]) == pytest.approx(estimate.point, rel=1e-8)
        assert (found[key]["low"] == "") == (estimate.low is None)
        assert int(found[key]["round_count"]) == estimate.round_count


def all_bytes(folder: Path) -> dict[str, bytes]:
    """Every file under a folder."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_same_run_gives_the_same_bytes(tmp_path: Path) -> None:
    """A second report, made by another process with another hash seed, is byte-identical."""
    run_dir = lay_run(tmp_path / "run", SMALL)
    with np.printoptions(legacy="1.13"):  # as a library of the same process may have set it
        write_report([run_dir], out_dir=tmp_path / "one")
    code = (
        "import sys; from pathlib import Path; from mezzmark.report.page import write_report; "
        "write_report([Path(sys.argv[1])], out_dir=Path(sys.argv[2]))"
    )
    subprocess.run(
        [sys.executable, "-c", code, str(run_dir), str(tmp_path / "two")],
        check=True,
        env=os.environ | {"PYTHONHASHSEED": "4711", "TZ": "Asia/Tokyo"},
    )
    one = all_bytes(tmp_path / "one")
    assert one == all_bytes(tmp_path / "two")
    assert {"report.html", "report.md", "cells.csv"} < one.keys()


def test_a_report_leaves_the_run_and_matplotlib_as_they_were(tmp_path: Path) -> None:
    """The run's files keep their bytes; settings of the user's own neither leak in nor change."""
    run_dir = lay_run(tmp_path / "run", SMALL, task="encode")
    before = all_bytes(run_dir)
    write_report([run_dir], out_dir=tmp_path / "plain")
    with mpl.rc_context({"font.size": 31, "axes.linewidth": 9, "svg.fonttype": "path"}):
        write_report([run_dir], out_dir=tmp_path / "odd")
        assert mpl.rcParams["font.size"] == 31
    assert all_bytes(tmp_path / "plain") == all_bytes(tmp_path / "odd")
    assert all_bytes(run_dir) == before


def test_several_runs_share_a_page_without_sharing_ids(tmp_path: Path) -> None:
    """Two runs stand one after the other, each with its own ids and figure files."""
    runs = [
        lay_run(tmp_path / name, replace(SMALL, seed=k, host_label=name), task="encode")
        for k, name in enumerate(("a", "b"))
    ]
    paths = write_report(runs)
    page = Page(paths.html.read_text(encoding="utf-8"))
    assert page.tags["h1"] == 3  # the runs side by side, then each
    assert [name for name, count in page.ids.items() if count > 1] == []
    assert len({path.name for path in paths.figures}) == len(paths.figures)
    assert paths.html.parent == runs[0] / "comparison"


def test_a_page_of_another_hand_is_kept(tmp_path: Path) -> None:
    """A report.html that mezzmark did not write keeps its bytes, and nothing is laid beside it; a
    report of ours is replaced, one by a template of the user's own too."""
    run_dir = lay_run(tmp_path / "run", SMALL, task="encode")
    keep = tmp_path / "keep"
    keep.mkdir()
    (keep / "report.html").write_text("my own page")
    with pytest.raises(DestinationError, match="not written by mezzmark"):
        write_report([run_dir], out_dir=keep)
    assert all_bytes(keep) == {"report.html": b"my own page"}
    own = tmp_path / "own"
    own.mkdir()
    (own / "report.html.j2").write_text("<html><head></head>{{ title }}</html>")
    for template in (None, own, None):
        page = write_report([run_dir], template=template).html.read_text(encoding="utf-8")
        assert page.count('name="generator"') == 1


def test_own_templates_replace_ours_and_their_mistakes_are_told(tmp_path: Path) -> None:
    """A user's report.md.j2 is used, the page stays ours; an unknown name is one clear error with
    file and line; a folder that is not there is another."""
    run_dir = lay_run(tmp_path / "run", SMALL, task="encode")
    own = tmp_path / "own"
    own.mkdir()
    (own / "report.md.j2").write_text("{% for run in runs %}{{ run.answer.headline }}{% endfor %}")
    paths = write_report([run_dir], template=own)
    assert paths.markdown.read_text(encoding="utf-8").startswith("Cannot say yet")
    assert paths.html.read_text(encoding="utf-8").startswith("<!doctype html>")
    (own / "report.md.j2").write_text("line one\n{{ run.nothing }}")
    with pytest.raises(ScenarioError, match=r"report\.md\.j2.*'run' is undefined"):
        write_report([run_dir], template=own)
    (own / "report.md.j2").write_text("line one\n{% if %}")
    with pytest.raises(ScenarioError, match=r"report\.md\.j2, line 2"):
        write_report([run_dir], template=own)
    with pytest.raises(ScenarioError, match="not a folder of templates"):
        write_report([run_dir], template=tmp_path / "nowhere")


def test_a_run_without_trials_and_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    """Nothing measured is a RunError; a file where the folder should be is a DestinationError."""
    manifest, _ = fabricate_run(SMALL)
    create_run(tmp_path / "empty", manifest)
    with pytest.raises(RunError, match="nothing to report"):
        write_report([tmp_path / "empty"])
    with pytest.raises(RunError, match="no run was named"):
        write_report([])
    run_dir = lay_run(tmp_path / "run", SMALL, task="encode")
    (tmp_path / "file").write_text("here first")
    with pytest.raises(DestinationError, match="cannot be written"):
        write_report([run_dir], out_dir=tmp_path / "file")
    assert (tmp_path / "file").read_text() == "here first"


def test_a_run_in_which_nothing_finished_still_reports(tmp_path: Path) -> None:
    """All trials failed: the page says so, lists every failure and draws no figure."""
    run_dir = lay_run(tmp_path, replace(SMALL, rounds=1), outcome="timed_out", measurement=None)
    paths = write_report([run_dir])
    page = paths.html.read_text(encoding="utf-8")
    assert "nothing finished, so there is no answer" in page
    assert page.count("<bdi>timed out</bdi>") == len(read_run(run_dir).trials)
    assert paths.figures == ()


def under(trial: Trial, **axes: object) -> Trial:
    """The same trial in another setting."""
    return trial.model_copy(update={"cell": trial.cell.but(setting=trial.cell.setting.but(**axes))})


def quick(trial: Trial, count: int) -> Trial:
    """The same moves, the first ones of no time at all."""
    spans = ("locate_ns", "decode_ns", "present_ns")
    cut = {name: (0,) * count + getattr(trial.measurement, name)[count:] for name in spans}
    return trial.model_copy(update={"measurement": trial.measurement.model_copy(update=cut)})


def as_pilot(trial: Trial) -> Trial:
    """An encode said to try players for the best one; any other trial as it is."""
    if trial.cell.task != "encode":
        return trial
    return under(trial, player="best").model_copy(update={"arm": "pilot"})


def many(encoding: str, clips: str) -> list[Trial]:
    """Three rounds of streams, of which one is served."""
    levels = (Level(1, 75, 0, 0), Level(2, 150, 80, 40))
    measured = StreamsMeasurement(duration_s=3, levels=levels, proof=("right",))
    _, [first, *_] = fabricate_run(SMALL)
    cells = [Cell(task="streams", clip=c, encoding=encoding, setting=Setting()) for c in clips]
    change = {"measurement": measured, "position": 900}
    return [
        first.model_copy(update={**change, "cell": cell, "round_index": index})
        for cell in cells
        for index in range(3)
    ]


def without_bytes(manifest: Manifest) -> Manifest:
    """Originals of which only that they hold nothing is known."""
    empty = {"original": manifest.clips[0].original.model_copy(update={"file_bytes": 0})}
    return manifest.model_copy(
        update={
            "clips": tuple(clip.model_copy(update=empty) for clip in manifest.clips),
            "media": tuple(one for one in manifest.media if one.encoding != "original"),
        }
    )


def scrubs(trials: Sequence[Trial], **axes: object) -> list[Trial]:
    """Those of scrubbing, in another setting."""
    return [under(trial, **axes) for trial in trials if trial.cell.task == "scrub"]


ODD: dict[str, tuple[int, Callable[[Manifest, Sequence[Trial]], tuple[Manifest, list[Trial]]]]] = {
    "no round of scrubbing has both clips": (
        0,
        lambda m, ts: (
            m,
            [
                t
                for t in ts
                if t.cell.task == "encode" or (t.cell.clip == "a") == (t.round_index == 0)
            ],
        ),
    ),
    "few rounds of encodings that the manifest lacks": (
        1,
        lambda m, ts: (
            m.model_copy(update={"encodings": ()}),
            [t for t in ts if t.round_index < 3],
        ),
    ),
    "an unknown way of moving": (1, lambda m, ts: (m, scrubs(ts, pattern="zigzag"))),
    "no way of moving": (1, lambda m, ts: (m, scrubs(ts, pattern=None))),
    "a move of no time": (1, lambda m, ts: (m, [quick(t, 1) for t in scrubs(ts)])),
    "moves of no time": (0, lambda m, ts: (m, [quick(t, 6) for t in scrubs(ts)])),
    "originals of no bytes": (1, lambda m, ts: (without_bytes(m), list(ts))),
    "streams of an encoding that lacks a clip": (
        0,
        lambda m, _: (m, [*many("original", "ab"), *many("VC-3 SQ", "a")]),
    ),
    "a pilot that encodes": (1, lambda m, ts: (m, list(map(as_pilot, ts)))),
    "roots of one spelling": (
        4,
        lambda m, ts: (
            m,
            [t for root in ("Raid", "raid", "東京", "大阪") for t in scrubs(ts, root=root)],
        ),
    ),
}
"""Of each how many figures of scrub latency it has, and what makes it of a plain run."""


@pytest.mark.parametrize("odd", ODD)
def test_an_odd_run_has_a_page(odd: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a run lacks, or says of itself that no machine does, is left out or shown plainly: every
    figure can be drawn, each under a name of its own, and no number is said that is none."""

    def drawn(stem: str, draw: Callable[[], Drawing]) -> Picture:
        with theme_context():
            text = draw().text
        return Picture(file_stem=stem, title=text.title, caption="", alt="", page_svg="", svg=b"")

    for module in (context, task_sections):
        monkeypatch.setattr(module, "make_picture", drawn)
    clips, patterns = ("a", "b"), ("jump",)
    made = Fabrication(clips=clips, patterns=patterns, encode_threads=(1,), rounds=5, requests=6)
    manifest, trials = fabricate_run(made)
    count, change = ODD[odd]
    manifest, changed = change(manifest, trials)
    page = context.run_context(RunView(manifest, tuple(changed)))
    stems = [picture.file_stem for picture in page.pictures]
    assert max(Counter(stems).values(), default=1) == 1
    assert sum("scrub-latency" in stem for stem in stems) == count
    assert ("streams" in stems) is odd.startswith("streams")
    said = " ".join((page.answer.headline, *page.answer.findings))
    assert not re.search(r"\b(nan|inf|None)\b", said)
    assert "Scrub latency was not measured" not in said

"""The report's throughput section, from planted trials."""

import re
from collections.abc import Sequence

import numpy as np
import pytest

from fixtures.fabricated_run import FabricatedEncoding, Fabrication, fabricate_run
from fixtures.fabricated_tasks import fabricate_every_task
from fixtures.fabricated_throughput import (
    delivery_trial,
    grid_trial,
    ingest_trial,
    long_ingest_trial,
)
from fixtures.figure_marks import marks, texts
from mezzmark.decide.size.sizing import size_encodings
from mezzmark.decide.throughput.grid import fit_grid
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.records import Trial
from mezzmark.model.shop import Camera, Shop, list_assumptions
from mezzmark.report.figures.drawing import Picture
from mezzmark.report.figures.machine import _law, draw_scaling
from mezzmark.report.figures.theme import theme_context
from mezzmark.report.sections.parts import Section, filled_sections
from mezzmark.report.sections.tasks import throughput_section
from mezzmark.report.tables.size import sizing_details
from mezzmark.report.tables.table import DASH
from mezzmark.report.tables.tasks import decode_table
from mezzmark.report.view import RunView
from mezzmark.statistics.scaling import fit_scaling

NAME = "<b>VC-3</b> & $x$"
FIRST, SECOND = "z, measured first", "a, measured second"


def _planted_trials() -> list[Trial]:
    """Four rounds of a grid of 30 fps per job, less a tenth for each further job; of an ingest and
    of deliveries."""
    rng = np.random.default_rng(1)
    return [
        *(
            grid_trial(
                NAME, jobs, r, 30 * jobs / (1 + 0.1 * (jobs - 1)) * np.exp(rng.normal(0, 0.01))
            )
            for jobs in (1, 2, 4)
            for r in range(4)
        ),
        *(ingest_trial(NAME, r) for r in range(4)),
        *(delivery_trial(NAME, passes, r) for passes in (1, 2) for r in range(4)),
    ]


def _view(extra: Sequence[Trial]) -> RunView:
    """A run of scrub and encode trials, and of `extra` ones."""
    encodings = (
        FabricatedEncoding(name="original", jump_ms=300, bitrate_bps=5e7, encode_fps=0),
        FabricatedEncoding(name=NAME, jump_ms=20, bitrate_bps=1e8),
    )
    manifest, trials = fabricate_run(
        Fabrication(encodings=encodings, patterns=("jump",), rounds=4, requests=6)
    )
    return RunView(manifest, (*trials, *extra), prefix="run2-")


@pytest.fixture(scope="module")
def section() -> Section:
    return throughput_section(_view(_planted_trials()))


def test_every_task_has_its_table_and_its_figure(section: Section) -> None:
    """Grid, scaling, ingest, decode and delivery each have a table; the first three a figure too,
    whose ids and files carry the run's prefix."""
    assert [table.table_id for table in section.tables] == [
        "run2-grid",
        "run2-scaling",
        "run2-ingest",
        "run2-heat",
        "run2-decode",
        "run2-delivery",
    ]
    assert [picture.file_stem.split("-1-")[0] for picture in section.pictures] == [
        "run2-grid",
        "run2-scaling",
        "run2-ingest",
    ]
    assert all(len(table.columns) == len(row) for table in section.tables for row in table.rows)


def test_ingests_over_a_link_have_rows_of_their_own_and_never_lead() -> None:
    """The table then names the link and the share of waiting; the figure is of files as they lie,
    though slower."""
    link = "10 Gbit/s, 0.5 ms"
    here, there = ([ingest_trial(NAME, r) for r in range(4)] for _ in "ab")
    cell = there[0].cell.but(setting=there[0].cell.setting.but(link=link))
    for r, trial in enumerate(there):
        faster = {"end_ns": (2 * NS_PER_S + r,), "encoded_ns": (NS_PER_S,), "wait_ns": (NS_PER_S,)}
        measured = trial.measurement.model_copy(update=faster)
        there[r] = trial.model_copy(update={"cell": cell, "measurement": measured})
    section = throughput_section(_view([*there, *here]))
    (table,) = (one for one in section.tables if one.table_id == "run2-ingest")
    heads = [column.head for column in table.columns]
    rows = [dict(zip(heads, row, strict=True)) for row in table.rows]
    assert [row["link"].text for row in rows] == [link, DASH]
    assert [row["storage"].point for row in rows] == ["0.2500", DASH]
    (picture,) = _pictures(section, "ingest")
    assert table.links[here[0].cell] in picture.page_svg
    assert table.links[cell] not in picture.page_svg


def test_names_are_text_in_figures(section: Section) -> None:
    """An encoding's name is never markup, in SVG text and labels alike."""
    for picture in section.pictures:
        assert "<b>" not in picture.page_svg
        assert "&lt;b&gt;" in picture.page_svg


def _pictures(section: Section, kind: str) -> list[Picture]:
    return [p for p in section.pictures if p.file_stem.startswith(f"run2-{kind}-")]


def _picture(section: Section, kind: str) -> Picture:
    return _pictures(section, kind)[0]


def test_every_cell_dot_and_bar_leads_to_its_encodings_row() -> None:
    """With two encodings, each ingested in two ways, each split, core count and clip of either has
    one mark, and it leads to that encoding's row."""
    trials = [
        trial
        for name, fps in ((FIRST, 40), (SECOND, 30))
        for r in range(4)
        for trial in (
            *(grid_trial(name, jobs, r, (fps + r) * jobs**0.9) for jobs in (1, 2, 4)),
            grid_trial(name, 1, r, (fps + r) * 1.5, threads=2),
            ingest_trial(name, r),
            ingest_trial(name, r, order="longest-first", late_s=2),
        )
    ]
    found = throughput_section(_view(trials))
    row_of = {
        anchor: row[0].text
        for table in found.tables
        for anchor, row in zip(table.anchors, table.rows, strict=True)
    }
    for kind, count in (("grid", 4), ("scaling", 3), ("ingest", 1)):
        pictures = _pictures(found, kind)
        assert len(pictures) == 2
        for picture in pictures:
            name = FIRST if FIRST in picture.title else SECOND
            linked = marks(picture.page_svg)
            assert len(linked) == count
            for anchor, words in linked:
                assert anchor.startswith(f"run2-{kind}-")
                assert row_of[anchor] == name
                assert words.startswith(f"{name}, ")


def test_marks_of_the_grid_say_what_was_planted(section: Section) -> None:
    """Four jobs of 30 / 1.3 fps make 92 fps, 77 % a thread, and are the best; one job is what the
    others are held against. Speeds carry interval and rounds."""
    words = [words for _, words in marks(_picture(section, "grid").page_svg)]
    one, _, four = words
    assert re.fullmatch(
        re.escape(f"{NAME}, encode speed of 4 jobs × 1 thread: ")
        + r"9[123](\.\d)? fps \[[\d.]+, [\d.]+\]; 95 % interval; 4 rounds; "
        r"per thread 7[678](\.\d)? % \[[\d.]+, [\d.]+\] of 1 job × 1 thread; the best split",
        four,
    )
    assert one.endswith("; 4 rounds; this speed counts as 100 %")
    dots = [words for _, words in marks(_picture(section, "scaling").page_svg)]
    assert [re.sub(r"^.* on |:.*(; split:)", r"\1", words) for words in dots] == [
        "1 thread in all; split: 1 job × 1 thread",
        "2 threads in all; split: 2 jobs × 1 thread",
        "4 threads in all; split: 4 jobs × 1 thread",
    ]
    assert all("95 % interval; 4 rounds" in words for words in dots)


def test_the_bar_of_a_clip_says_how_its_last_round_went(section: Section) -> None:
    """The last of four rounds took 2.0 s to encode and ended at 3.3 s; the folder took 3.15 s on
    average, with an interval over the rounds."""
    ((_, words),) = marks(_picture(section, "ingest").page_svg)
    assert words.startswith(
        f"{NAME}, street at dusk: 2.00 s to encode it, 1.30 s to read it back; "
        "from 0.00 s to 3.30 s of the last round, one round has no interval; "
        "worker 2 of 2, 2 jobs × 1 thread, fifo; the whole folder: 3.1"
    )
    assert words.endswith("]; 95 % interval; 4 rounds")


def _words_in(svg: str) -> str:
    """All that can be read in a figure, line after line."""
    return " ".join(texts(svg))


def test_a_grid_says_what_it_lacks(section: Section) -> None:
    """Two rounds are too few for intervals, and a split that was not measured is a blank: the
    figure says both, and neither where nothing is missing."""
    trials = [
        grid_trial(NAME, jobs, r, 30.0 + r, threads=threads)
        for jobs, threads in ((1, 1), (1, 2), (2, 1))
        for r in range(2)
    ]
    found = throughput_section(_view(trials))
    words = _words_in(_picture(found, "grid").page_svg)
    assert "2 rounds, too few for intervals. Framed: the best. Blank: not measured." in words
    law = _words_in(_picture(found, "scaling").page_svg)
    assert "Line: the fitted scaling law, without an interval for want of rounds, to twice" in law
    assert "band: the fitted" in _words_in(_picture(section, "scaling").page_svg)
    whole = _words_in(_picture(section, "grid").page_svg)
    assert "4 rounds, 95 % intervals over rounds. Framed: the best." in whole
    assert "Blank" not in whole


def test_a_mark_lies_over_the_texts_of_its_cell(section: Section) -> None:
    """Cells and bars take the pointer even where it is on their text: the mark is drawn later."""
    for kind, text in (("grid", ">100 %<"), ("ingest", ">street at dusk<")):
        svg = _picture(section, kind).page_svg
        assert svg.index('class="mark"') > svg.index(text)


def test_a_name_is_shortened_where_its_bar_is_short() -> None:
    """A clip that takes a quarter of the time loses the middle of its long name, one that takes a
    hundredth has no name in the figure; their marks have it in full."""
    seconds = {"street at dusk in the rain": 25, "harbour, early": 1, "market in the afternoon": 74}
    trials = [long_ingest_trial(NAME, r, seconds) for r in range(2)]
    found = throughput_section(_view(trials))
    picture = _picture(found, "ingest")
    words = _words_in(picture.page_svg)
    assert re.search(r"street \w*…\w+", words)
    assert "harbour" not in words
    assert "market in the afternoon" in words
    said = [words for _, words in marks(picture.page_svg)]
    assert all(f", {name}: " in text for name, text in zip(seconds, said, strict=True))


@pytest.mark.parametrize(("law_fps", "rounds"), [(30, 4), (30, 2), (1, 4)])
def test_the_scaling_figure_holds_every_bar_and_the_whole_line(law_fps: int, rounds: int) -> None:
    """Neither the fitted line nor a measured interval ends at the upper edge of the picture: with a
    band, without one, and where the line lies far below the bars."""
    trials = [trial for trial in _planted_trials() if trial.round_index < rounds]
    view = _view(trials)
    (findings,) = view.grid
    grid = [((0, t.round_index), t) for t in trials if t.cell.task == "grid"]
    fit = fit_grid(NAME, grid, view.manifest.clips)
    assert fit is not None
    with theme_context():
        drawing = draw_scaling(findings, fit, fps_per_unit=law_fps / fit.gamma, anchor="row")
    axes = drawing.axes
    top_fps = axes.get_ylim()[1]
    speeds = [split.figures["throughput_fps"] for split in findings.splits]
    assert all((speed.high is None) == (rounds == 2) for speed in speeds)
    assert all((speed.high or speed.point) < top_fps for speed in speeds)
    perfect, law = axes.lines[:2]
    assert max(law.get_ydata()) < top_fps
    assert perfect.get_ydata()[3] < top_fps
    assert max(law.get_xdata()) == 8 < axes.get_xlim()[1]  # twice the four cores that were measured


def test_a_law_over_very_many_cores_has_as_many_points_as_a_figure_can_show() -> None:
    """Of five cores every one is drawn; of 10,000 million a few hundred, over the whole length."""
    counts = np.array([1, 2, 5])
    fit = fit_scaling(counts.tolist(), np.array([10.0 * counts] * 4), law="amdahl")
    for last, most in ((5, 20), (10**10, 400)):
        cores = _law(fit, last, 1.0)["cores"].to_numpy()
        assert cores[0] == 1 < last < cores[-1]
        assert len(set(cores)) == len(cores) <= most
        assert np.ptp(np.diff(cores)) <= 1
    assert set(range(1, 6)) <= set(_law(fit, 5, 1.0)["cores"])


def test_the_tables_say_what_was_planted(section: Section) -> None:
    """The best split is four jobs; two passes take twice as long as one; a quarter of the export
    is decoding; three cores' worth of data do not bound a peak."""
    text = {
        table.table_id: [[entry.text for entry in row] for row in table.rows]
        for table in section.tables
    }
    assert text["run2-grid"][0][1] == "4 jobs × 1 thread"
    assert text["run2-delivery"][1][5].startswith("2")
    assert any("0.25" in cell for cell in text["run2-delivery"][0])
    assert "do not bound" in text["run2-scaling"][0][4]


def test_the_same_run_draws_the_same_bytes(section: Section) -> None:
    """Figures depend on the run only, their predictions included."""
    again = throughput_section(_view(_planted_trials()))
    assert [p.svg for p in again.pictures] == [p.svg for p in section.pictures]
    assert again.tables == section.tables


def test_without_throughput_tasks_there_is_no_section() -> None:
    """A run of scrub and encode trials has none."""
    assert filled_sections(throughput_section(_view([]))) == ()


def test_decoding_of_clips_of_several_rates_is_against_real_time_once() -> None:
    """Where all clips are of one rate a column beside the speed has it; where not, that is it."""
    manifest, trials = fabricate_every_task()
    [clip] = manifest.clips
    faster = clip.original.model_copy(update={"frame_rate": 50.0})
    second = clip.model_copy(update={"clip": "harbour", "original": faster})
    decodes = (trial for trial in trials if trial.cell.task == "decode")
    there = [t.model_copy(update={"cell": t.cell.but(clip="harbour")}) for t in decodes]
    both = manifest.model_copy(update={"clips": (clip, second)})
    for run, unit, is_beside in (
        (RunView(manifest, trials), " fps", True),
        (RunView(both, (*trials, *there)), " × real time", False),
    ):
        table = decode_table(run)
        heads = [column.head for column in table.columns]
        assert [row[heads.index("speed")].point.endswith(unit) for row in table.rows] == [True] * 2
        assert ("against real time" in heads) is is_beside


def test_a_queue_without_end_is_put_into_words() -> None:
    """Where the ingest machine cannot keep up the table says so in place of a number, and how long
    a day's footage takes."""
    camera = Camera(name="a", count=900, bitrate_bps=50_000_000, hours_per_day=10)
    shop = Shop(name="s", cameras=(camera,), editors=2, core_counts=(8,))
    result = size_encodings(
        [_view(_planted_trials())], shop, rng=np.random.default_rng(1), draw_count=400
    )
    answer = sizing_details(result)[0]
    rows = {c.head: entry.text for c, entry in zip(answer.columns, answer.rows[1], strict=True)}
    assert rows["mean wait from a card's arrival to footage ready"] == "never ready"
    assert rows["share of 24 h that ingest takes"].startswith("cannot keep up: ")
    assert rows["share of 24 h that ingest takes"].endswith(" days")


def test_sizing_is_three_tables() -> None:
    """One row per encoding and one column per figure that any of them has; a row per encoding and
    other machine, far ones with their warning; every assumption has a row."""
    view = _view(_planted_trials())
    camera = Camera(name="a", bitrate_bps=50_000_000, hours_per_day=2)
    shop = Shop(name="s", cameras=(camera,), editors=2, core_counts=(8, 64))
    result = size_encodings([view], shop, rng=np.random.default_rng(1), draw_count=400)
    answer, machines, assumptions = sizing_details(result)
    assert [row[1].text for row in machines.rows] == ["8", "64"]
    assert machines.rows[0][4].text == DASH != machines.rows[1][4].text
    assert [row[0].text for row in answer.rows] == ["original", NAME]
    assert all(len(row) == len(answer.columns) for row in answer.rows)
    assert len(assumptions.rows) == len(list_assumptions(shop))

"""The report's first page names the footage, marks each figure's leaders and explains its bars."""

from collections.abc import Iterator
from dataclasses import replace

import pytest
from matplotlib.colors import to_rgba

from fixtures.fabricated_fidelity import generation, trial
from fixtures.fabricated_run import THREE, FabricatedEncoding, Fabrication, Spread, fabricate_run
from fixtures.fabricated_throughput import grid_trial
from mezzmark import api
from mezzmark.decide.estimate.ranking import Ranking
from mezzmark.model.run import ClipManifest
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.fidelity import METRICS
from mezzmark.report.figures.drawing import Drawing
from mezzmark.report.figures.scrub import draw_latency
from mezzmark.report.figures.theme import LIGHT, theme_context
from mezzmark.report.prose.answer import run_answer
from mezzmark.report.prose.cautions import UNFINISHED, unknown_text
from mezzmark.report.prose.figures import role_words
from mezzmark.report.prose.footage import footage_words
from mezzmark.report.prose.method import method_sentences, run_basis
from mezzmark.report.sections import context
from mezzmark.report.sections.context import run_context
from mezzmark.report.tables.picture import quality_table
from mezzmark.report.tables.run import ranking_table
from mezzmark.report.view import RunView

CALM = Spread(sample=0.1, trial=0.005, round=0.02)

LONG_GROUPS = FabricatedEncoding(name="long groups", jump_ms=18, bitrate_bps=1e8, is_intra=False)
"""Jumps take 18 ms, other moves 0.6 of that: behind VC-3 SQ (14 ms) in the one, before it in the
others."""


@pytest.fixture(scope="module")
def turned() -> RunView:
    """A run whose leader of jumps and leader of short moves differ."""
    made = Fabrication(encodings=(*THREE[:2], LONG_GROUPS), spread=CALM, rounds=8)
    return RunView(*fabricate_run(made))


def _ranking(view: RunView, pattern: str) -> Ranking:
    return next(r for r in view.rankings if r.setting["pattern"] == pattern)


def _drawn(view: RunView, ranking: Ranking) -> Drawing:
    cells = {entry.encoding: "cell-0" for entry in ranking.entries}
    with theme_context():
        return draw_latency(view, ranking, names=cells, cells=cells)


def _filled(view: RunView, ranking: Ranking) -> set[str]:
    """Encodings whose median is drawn as a full mark in the leaders' colour."""
    drawing = _drawn(view, ranking)
    (dots,) = (found for found in drawing.axes.collections if any(found.get_urls()))
    blue = to_rgba(LIGHT["leader"])
    words = [drawing.links[int(url[1:])][1] for url in dots.get_urls()]
    filled = [tuple(face) == blue for face in dots.get_facecolors()]
    assert sum("median" in text for text in words) == len(ranking.entries)
    return {text.split(", ")[0] for text, is_full in zip(words, filled, strict=True) if is_full}


@pytest.mark.parametrize(("pattern", "leader"), [("jump", "VC-3 SQ"), ("near", "long groups")])
def test_each_figure_fills_the_leaders_of_its_own_ranking(
    turned: RunView, pattern: str, leader: str
) -> None:
    """The leader of jumps is hollow where short moves are shown, and the other way round; the
    table's sign follows."""
    ranking = _ranking(turned, pattern)
    assert _filled(turned, ranking) == {leader}
    rows = ranking_table(turned, ranking).rows
    assert {row[0].text for row in rows if row[0].sign == "leader"} == {leader}


def test_legend_and_caption_say_what_the_colours_mean(turned: RunView) -> None:
    """Both name the leaders and the original, since both are drawn."""
    ranking = _ranking(turned, "jump")
    (key,) = _drawn(turned, ranking).figure.legends
    labels = [text.get_text() for text in key.get_texts()]
    assert labels[-2:] == ["may be the fastest", "original"]
    assert role_words({"leader", "original"}, turned.choice) == (
        "Blue and filled: those that may be the fastest. Orange diamond: the original."
    )


def test_without_an_original_nobody_speaks_of_one() -> None:
    """A colour that is not drawn is not explained."""
    view = RunView(*fabricate_run(Fabrication(encodings=THREE[1:], spread=CALM, rounds=8)))
    assert "original" not in _drawn(view, view.rankings[0]).text.caption


def _subtitle(view: RunView) -> str:
    return _drawn(view, view.rankings[0]).text.subtitle


def test_bars_are_spoken_of_where_there_are_any() -> None:
    """Two rounds draw no bar and say so; eight have them for medians and not for p95; forty rounds
    of 24 moves have them for both."""

    def subtitle(rounds: int) -> str:
        made = Fabrication(spread=CALM, rounds=rounds, patterns=("jump",))
        return _subtitle(RunView(*fabricate_run(made)))

    assert "No bars: too few rounds for intervals." in subtitle(2)
    assert "p95 has none: too few moves" in subtitle(8)
    assert "Bars: 95 % intervals over rounds." in subtitle(40)


def test_a_table_says_once_why_p95_has_no_interval() -> None:
    """Eight rounds of 24 moves are 192 of the 400 needed, 17 rounds: nine more, told in the note
    and in no row."""
    view = RunView(*fabricate_run(Fabrication(spread=CALM, rounds=8)))
    table = ranking_table(view, view.rankings[0])
    assert table.note.count("p95 has no interval: needs 9 more rounds") == 1
    assert "other rows" not in table.note
    many = RunView(*fabricate_run(Fabrication(spread=CALM, rounds=40)))
    table = ranking_table(many, many.rankings[0])
    assert "no interval" not in table.note
    assert all("[" in row[2].text for row in table.rows)


def _clips(names: tuple[str, ...]) -> Iterator[ClipManifest]:
    manifest, _ = fabricate_run(Fabrication(clips=names, rounds=1))
    for clip in manifest.clips:
        original = clip.original.model_copy(
            update={"path": f"/cards/a/{clip.clip}.MP4", "width_px": 640, "height_px": 272}
        )
        yield clip.model_copy(update={"source": "own", "original": original})


def test_own_footage_goes_by_its_file_names() -> None:
    """Name, size, codec, rate; of five clips three and a count; folders are left out."""
    assert footage_words(tuple(_clips(("C0001",)))) == "C0001.MP4, 640×272, AVC, 24 fps"
    text = footage_words(tuple(_clips(("C1", "C2", "C3", "C4", "C5"))))
    assert text.endswith("; C3.MP4, 640×272, AVC, 24 fps; and 2 more clips")
    assert "/" not in text


def test_synthetic_footage_is_called_so() -> None:
    """A recipe's clip goes by its name in the scenario, and stands on the page of its run."""
    view = RunView(*fabricate_run(Fabrication(rounds=3)))
    run = run_context(view)
    assert run.footage_words == "street at dusk, 1920×1080, AVC, 24 fps, synthetic"


def test_the_demo_is_a_scenario_with_what_was_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Footage and rounds are handed on to the measurement of the shipped scenario."""
    told: list[object] = []
    monkeypatch.setattr(api, "measure", lambda name, **given: told.append((name, given)))
    api.demo(footage="C0001.MP4", rounds=3)
    [(name, given)] = told
    assert (name, given["footage"], given["rounds"]) == ("first-look", "C0001.MP4", 3)


def test_a_run_that_was_interrupted_says_so() -> None:
    """Without a reason to stop in its manifest a run was cut short, or goes on."""

    def ending(reason: str) -> str:
        view = RunView(*fabricate_run(replace(Fabrication(rounds=3), stop_reason=reason)))
        (text,) = [text for text in method_sentences(view) if "Stopped because: " in text]
        return text.partition("Stopped because: ")[2]

    assert ending("all 10 rounds are done") == "all 10 rounds are done."
    assert ending("").startswith("it was stopped before its end")
    for reason, is_marked in (("all 10 rounds are done", False), ("", True)):
        view = RunView(*fabricate_run(replace(Fabrication(rounds=3), stop_reason=reason)))
        assert (UNFINISHED in run_answer(view).cautions) is is_marked
        assert ("unfinished" in run_basis(view)) is is_marked


def test_trials_that_this_version_does_not_know_are_the_first_caution() -> None:
    """What a newer file holds is left out, counted and named before all other doubts."""
    manifest, trials = fabricate_run(Fabrication(rounds=3))
    view = RunView(manifest, tuple(trials), unknown={"task mosaic": 2, "axis speed": 1})
    assert run_answer(view).cautions[0] == unknown_text(view.unknown)
    assert unknown_text(view.unknown).startswith("3 trials left out")
    assert "axis speed and task mosaic" in unknown_text(view.unknown)


def test_a_task_without_a_section_gets_a_table_of_its_figures(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A column for each axis and figure of the task table, a row for each cell, and a heading."""
    monkeypatch.setattr(context, "SHOWN", context.SHOWN - {"grid"})
    manifest, trials = fabricate_run(Fabrication(rounds=3))
    grid = [grid_trial("VC-3 SQ", jobs, 0, 30.0) for jobs in (1, 2)]
    sections = run_context(RunView(manifest, (*trials, *grid))).sections
    (table,) = next(section for section in sections if section.anchor == "grid").tables
    heads = [column.head for column in table.columns]
    assert {figure.name for figure in TASKS["grid"].figures} <= set(heads)
    assert [row[heads.index("jobs")].text for row in table.rows] == ["1", "2"]


def test_a_new_picture_metric_is_a_column(monkeypatch: pytest.MonkeyPatch) -> None:
    """A row more in the table of metrics is a column more in the table of picture quality."""
    manifest, trials = fabricate_run(Fabrication(rounds=3))
    judged = trial("street at dusk", "VC-3 SQ", [generation([1.0])])
    view = RunView(manifest, (*trials, judged))
    before = [column.head for column in quality_table(view).columns]
    monkeypatch.setitem(METRICS, "newer", replace(METRICS["ssim"], label="Newer"))
    after = [column.head for column in quality_table(view).columns]
    assert [head for head in after if head not in before] == ["Newer"]

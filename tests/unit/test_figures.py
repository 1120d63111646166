"""The figures' common grammar: marks, axes, reference lines, and what a reader is told."""

import math
import re
import warnings
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.colors import to_hex
from test_hosts_and_history import run_on

from fixtures.fabricated_run import Fabrication, fabricate_run
from fixtures.figure_marks import marks, texts
from fixtures.two_sides import ENCODE, ENCODE_WIDE, QUIET, SCRUB
from fixtures.whole_run import machine_trials, with_needs
from mezzmark.decide.compare.history import trace_history
from mezzmark.report.figures.drawing import (
    Drawing,
    Mark,
    Picture,
    at,
    draw_marks,
    make_picture,
    new_drawing,
)
from mezzmark.report.figures.points import PlaneAxis, Point, draw_points
from mezzmark.report.figures.rows import draw_lines
from mezzmark.report.figures.runs import draw_history
from mezzmark.report.figures.theme import (
    COLOURS,
    LIGHT,
    padded,
    ratio_limits,
    set_log_axis,
    theme_context,
)
from mezzmark.report.prose.figures import FigureText
from mezzmark.report.prose.history import percent_text
from mezzmark.report.prose.terms import frame_budgets
from mezzmark.report.sections.comparison import build_comparison
from mezzmark.report.sections.context import run_context
from mezzmark.report.view import RunView

TEXT = FigureText(title="A title", subtitle="A subtitle.", caption="", alt="An alternative.")


def blank() -> Drawing:
    """A drawing with empty axes."""
    drawing = new_drawing(TEXT, body_in=2)
    drawing.figure.add_subplot()
    return drawing


@pytest.fixture(scope="module")
def pictures() -> list[Picture]:
    """One run of every task, two hosts side by side, and one host over eight runs with a step;
    drawn with warnings as errors."""
    costs = {SCRUB: QUIET, ENCODE: QUIET, ENCODE_WIDE: QUIET}
    hosts = [run_on("desk", costs), run_on("server", dict.fromkeys(costs, QUIET - 1), number=1)]
    days = [
        run_on("desk", {SCRUB: QUIET + 0.3 * (day > 3), ENCODE: QUIET}, number=day)
        for day in range(8)
    ]
    manifest, trials = with_needs(Fabrication(rounds=4, requests=8))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        run = run_context(RunView(manifest, (*trials, *machine_trials())))
        found = list(run.pictures)
        plain = RunView(*fabricate_run(Fabrication(rounds=5, requests=8, patterns=("jump",))))
        found += run_context(plain).pictures[-1:]  # size, which a choice's plane takes the place of
        for runs in (hosts, days):
            names = [str(number) for number in range(len(runs))]
            for part in build_comparison(runs, names, prices=()):
                found += part.pictures
    return found


def test_no_library_has_anything_to_say(pictures: list[Picture]) -> None:
    """Every kind of figure is drawn, and no warning of a library reaches the user."""
    stems = {picture.file_stem.partition("-")[0] for picture in pictures}
    assert stems >= {"scrub", "where", "encode", "size", "choice", "grid", "scaling", "ingest"}
    assert stems >= {"quality", "generations", "hosts", "history1"}


def test_every_mark_is_told_and_every_figure_has_words(pictures: list[Picture]) -> None:
    """Each figure has a title and an alternative with a number or the way to it; each
    mark leads somewhere, and its words hold a number and its rounds."""
    for picture in pictures:
        assert picture.title in "".join(picture.page_svg.unescape())
        assert re.search(r"\d|table|shares", picture.alt)
        found = marks(picture.page_svg)
        assert found
        assert all(
            anchor and "round" in words and re.search(r"\d", words) for anchor, words in found
        )


def test_colours_are_the_pages_variables(pictures: list[Picture]) -> None:
    """No colour of the palette is written without its variable, so that dark and print can change
    it; the files define them all."""
    for picture in pictures:
        styles = re.sub(r"var\(--fig-\w+, #\w{6}\)", "", picture.page_svg)
        assert not [light for light in LIGHT.values() if light in styles]
        assert all(f"--fig-{name}:" in picture.svg.decode() for name in COLOURS)


def _bars(drawing: Drawing) -> list[Sequence[Sequence[float]]]:
    return [
        segment.tolist()
        for found in drawing.axes.collections
        if isinstance(found, LineCollection)
        for segment in found.get_segments()
    ]


def test_bars_end_where_the_interval_does() -> None:
    """Each bar goes from the given low to the given high, level or upright; a mark without an
    interval has none."""
    drawing = blank()
    given = [
        Mark(x=(5, 4, 7), y=at(1), colour="leader", link=None),
        Mark(x=(6, 2, 9), y=at(1), colour="leader", link=None),
        Mark(x=at(3), y=(2, 1.5, 2.25), colour="other", link=None),
        Mark(x=at(8), y=at(2), colour="other", link=None),
    ]
    with theme_context():
        draw_marks(drawing, given)
    assert sorted(_bars(drawing)) == [
        [[2, 1], [9, 1]],
        [[3, 1.5], [3, 2.25]],
        [[4, 1], [7, 1]],
    ]


def test_marks_keep_their_place_colour_and_link() -> None:
    """Marks are drawn in the given order, each at its point, in its colour, filled or hollow; a
    mark alone has its link too."""
    for names in (["a"], ["a", "b", "c"]):
        colours = dict(zip("abc", ("original", "leader", "other"), strict=True))
        with theme_context():
            drawing = blank()
            draw_marks(
                drawing,
                [
                    Mark(
                        x=at(place),
                        y=at(9 - place),
                        colour=colours[name],
                        link=(name, f"mark {name}, 3 rounds"),
                        fill=float(name != "c"),
                    )
                    for place, name in enumerate(names)
                ],
            )
        _, dots = (c for c in drawing.axes.collections if isinstance(c, PathCollection))
        assert dots.get_offsets().tolist() == [[k, 9 - k] for k in range(len(names))]
        assert [to_hex(edge) for edge in dots.get_edgecolors()] == [
            LIGHT[colours[n]] for n in names
        ]
        assert [face[3] for face in dots.get_facecolors()] == [float(n != "c") for n in names]
        svg = make_picture("stem", lambda drawing=drawing: drawing).page_svg
        assert marks(svg) == [(name, f"mark {name}, 3 rounds") for name in names]


@pytest.mark.parametrize(
    ("low", "high", "shown"),
    [
        (3, 3000, [5, 10, 20, 50, 100, 200, 500, 1000, 2000]),
        (0.3, 7, [0.5, 1, 2, 5]),
        (21, 44, [25, 30, 35, 40]),
        (0.985, 1.016, [0.99, 1, 1.01]),
    ],
)
def test_ticks_are_round_numbers(low: float, high: float, shown: list[float]) -> None:
    """1, 2 and 5 on a log axis; even steps where it spans little, with 1 among ratios."""
    with theme_context():
        axes = blank().axes
        set_log_axis(axes, "x", (low, high), label="x")
        ticks = [tick for tick in axes.get_xticks() if low <= tick <= high]
    assert ticks == pytest.approx(shown)


def test_an_axis_without_a_positive_value_holds_one() -> None:
    """So do rates of links that let nothing through."""
    assert padded([0.0, 0.0], room=2) == (0.5, 2)
    assert padded([0.0, 10.0, 40.0], room=2) == (5, 80)


def test_an_axis_of_ratios_holds_one() -> None:
    """However far from 1 the ratios lie, or near: noise of 0.1 % does not fill the axis."""
    for values in ([3.0, 4.0], [0.2, 0.3], [0.999, 1.001], [math.nan, 2.0]):
        low, high = ratio_limits(values)
        assert low < min(1, np.nanmin(values)) <= max(1, np.nanmax(values)) < high
        assert high / low > 1.03


def test_no_reference_line_crosses_anothers_label() -> None:
    """Labels to the right stand the higher the more their line is to the left, labels to the left
    the other way round; all have levels of their own."""
    lines = {
        1.1: "first",
        1.2: "second",
        9.0: "long enough to go left",
        9.5: "another that goes left",
    }
    with theme_context():
        axes = blank().axes
        set_log_axis(axes, "x", (1, 10), label="x")
        draw_lines(axes, lines)
    height = {text.get_text().strip(): (text.xyann[1], text.get_ha()) for text in axes.texts}
    assert [height[label][1] for label in lines.values()] == ["left", "left", "right", "right"]
    levels = [height[label][0] for label in lines.values()]
    assert levels[0] > levels[1] > levels[3] > levels[2]


def test_a_label_to_the_left_takes_the_line_that_it_reaches_over_along() -> None:
    """The second label has no room on the right, and to the left it would be crossed by the first
    line if that stood higher: both labels go left, the first one's lower."""
    lines = {4.8: "first", 7.5: "0.1 s: feels immediate, and more"}
    with theme_context():
        axes = blank().axes
        set_log_axis(axes, "x", (1, 10), label="x")
        draw_lines(axes, lines)
    first, second = axes.texts
    assert (first.get_ha(), second.get_ha()) == ("right", "right")
    assert first.get_text().strip() == "first"
    assert first.xyann[1] < second.xyann[1]


def test_no_name_of_a_point_stands_on_a_reference_line() -> None:
    """Of points just beside a line that have all room, each is named off the line."""
    marks = [Mark(x=at(10.0**n), y=at(99.0), colour="other", link=None) for n in range(4)]
    points = [Point(name=f"name {n}", mark=mark) for n, mark in enumerate(marks)]
    axis = PlaneAxis(label="x", better="less", room=1.5)
    with theme_context():
        lined = replace(axis, lines={100.0: "0.1 s"}, room=10)
        axes = draw_points(TEXT, points, axis, lined).axes
        names = [t.get_window_extent() for t in axes.texts if t.get_text().startswith("name")]
        line_px = axes.transData.transform((10, 100))[1]
    assert len(names) == 4
    assert not [box for box in names if box.y0 <= line_px <= box.y1]


def test_a_step_is_labelled_in_its_panel() -> None:
    """Eight runs of which the last four take longer: a panel per task with a mark for each run, and
    the size of the one step beside its line."""
    days = [run_on("desk", {SCRUB: QUIET + 0.3 * (day > 3)}, number=day) for day in range(8)]
    history = trace_history(days)
    anchors = [f"run-{day}" for day in range(8)]
    svg = make_picture("levels", lambda: draw_history(history, anchors=anchors)).page_svg
    assert [anchor for anchor, _ in marks(svg)] == anchors * len(history.tasks)
    (step,) = (step for line in history.tasks for step in line.steps)
    assert texts(svg).count(percent_text(step.cost_ratio)) == 1


def test_a_history_whose_cells_were_never_alike_is_drawn() -> None:
    """Levels of a task without any cell that three runs measured alike."""
    history = trace_history([run_on("desk", {SCRUB: QUIET}, number=day) for day in range(3)])
    bare = history.model_copy(update={"cells": ()})
    svg = make_picture("levels", lambda: draw_history(bare, anchors=["a", "b", "c"])).page_svg
    assert [anchor for anchor, _ in marks(svg)] == ["a", "b", "c"] * len(history.tasks)


def at_three_rates() -> RunView:
    """A run of clips at 50, 25 and 30 fps."""
    made = Fabrication(clips=("dusk", "noon", "dawn"), rounds=4, requests=8, patterns=("jump",))
    manifest, trials = fabricate_run(made)
    clips = [
        clip.model_copy(update={"original": clip.original.model_copy(update={"frame_rate": rate})})
        for clip, rate in zip(manifest.clips, (50.0, 25.0, 30.0), strict=True)
    ]
    return RunView(manifest.model_copy(update={"clips": tuple(clips)}), trials)


def test_of_three_frame_rates_the_lowest_and_the_highest_have_a_line() -> None:
    """A wait is shorter than one frame only where it is so at the highest rate: 20 ms at 50 fps.
    Encoding is set against each clip's own rate, on one line that names both."""
    view = at_three_rates()
    assert sorted(frame_budgets(view.manifest)) == [20.0, 40.0]
    [picture] = (p for p in run_context(view).pictures if p.file_stem == "encode-speed")
    [line] = (text.strip() for text in texts(picture.page_svg) if "real time: " in text)
    assert line == "real time: 25 fps to 50 fps"

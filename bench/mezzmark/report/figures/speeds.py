"""What encoding costs by thread count, and cells of a host against another's and its own before."""

from collections.abc import Mapping, Sequence
from math import log
from statistics import fmean
from typing import Any, Final

import pandas as pd
import seaborn.objects as so

from mezzmark.decide.compare.hosts import CellRatio, Standing, TaskRatio
from mezzmark.decide.compare.verdicts import CellVerdict, RegressionReport, Verdict
from mezzmark.decide.estimate.over_clips import as_shown_speed
from mezzmark.model.cell import Cell
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import grouped
from mezzmark.report.figures import theme
from mezzmark.report.figures.drawing import Drawing, Mark, at, ends
from mezzmark.report.figures.rows import Row, finish_rows, new_rows, row_grid
from mezzmark.report.prose import figures as prose
from mezzmark.report.prose import hosts
from mezzmark.report.prose.numbers import bare_ratio, count_text, shown_name, visible_text
from mezzmark.report.prose.terms import clip_rates, rate_text
from mezzmark.report.view import Role, RunView


def draw_encode(
    view: RunView, *, anchors: Mapping[str, str], cells: Mapping[tuple[str, int], str]
) -> Drawing:
    """One row per encoding, a mark per thread count. `cells` are by encoding and thread count."""
    speeds = {
        name: {n: as_shown_speed(f["throughput_fps"], view.manifest) for n, f in by.items()}
        for name, by in view.encodes.items()
    }
    best = {name: max(by.items(), key=lambda s: (s[1].point, -s[0])) for name, by in speeds.items()}
    best = dict(sorted(best.items(), key=lambda item: (-item[1][1].point, item[0])))
    threads = sorted({count for by_threads in speeds.values() for count in by_threads})
    shapes = {count: theme.SHAPES[place % len(theme.SHAPES)] for place, count in enumerate(threads)}
    rows = [
        Row(
            name=name,
            text=prose.encode_row_text(*found, has_one_count=len(threads) == 1),
            role=view.role(name),
            anchor=anchors[name],
        )
        for name, found in best.items()
    ]
    grid = row_grid(rows)
    hollow = {"markerfacecolor": theme.LIGHT["paper"]}
    key = [theme.key_entry(count_text(n, "thread"), shapes[n], **hollow) for n in threads[:-1]]
    key += [theme.key_entry(count_text(n, "thread"), shapes[n]) for n in threads[-1:]]
    marks = [
        Mark(
            x=ends(speed),
            y=at(grid.baseline_in(row)),
            colour=view.role(name),
            link=(cells[name, count], prose.encode_words(name, count, speed)),
            marker=shapes[count],
            fill=float(count == threads[-1]),
        )
        for row, name in enumerate(best)
        for count, speed in sorted(speeds[name].items())
    ]
    every = [speed for by_threads in speeds.values() for speed in by_threads.values()]
    fastest = {name: speed for name, (_, speed) in best.items()}
    clips = {o.cell.clip for o in view.observations if o.cell.task == "encode"}
    text = prose.encode_text(every, fastest, clip_count=len(clips))
    axis, lines = _speed_axis(view, every)
    drawing = new_rows(text, grid, key=key, line_count=len(lines))
    _join(drawing, marks)
    limits = theme.padded([*(end for mark in marks for end in mark.x), *lines], room=1.2)
    finish_rows(drawing, grid, rows, marks, limits, label=axis, lines=lines)
    return drawing


def _speed_axis(view: RunView, speeds: Sequence[Estimate]) -> tuple[str, dict[float, str]]:
    """Its label, and the lines where encoding keeps up with the footage."""
    lines = {rate: rate_text(rate) for rate in clip_rates(view.manifest)}
    label = prose.SPEED_LABEL
    if any(speed.unit != "fps" for speed in speeds):  # one line for each clip's own rate
        lines = {1.0: " to ".join(lines.values())} if lines else {}
        label = prose.REAL_TIME_LABEL
    return label, {x: prose.REAL_TIME_LINE.format(text) for x, text in lines.items()}


def _join(drawing: Drawing, marks: Sequence[Mark]) -> None:
    """A line through the marks of each row."""
    places = [(mark.x[0], mark.y[0], mark.colour) for mark in marks]
    joined = pd.DataFrame(places, columns=["x", "y", "role"])
    line = so.Paths(alpha=0.5, linewidth=1)
    drawn = theme.plot(joined, x="x", y="y", color="role", group="y").add(line, legend=False)
    drawn.on(drawing.axes).plot()


SURE: tuple[Standing, ...] = ("faster", "slower")

Group = list[tuple[CellRatio, Estimate, str]]
"""The cells of one encoding, each with its ratio and what tells it from the others."""


def draw_comparison(
    names: tuple[str, str],
    task: TaskRatio,
    ratios: Sequence[CellRatio],
    *,
    anchors: Mapping[Cell, str],
) -> Drawing:
    """One task on a host against the reference (`names`: of the host, of the reference). A row for
    the mean, then one per encoding, the greatest ratio on top; a lane for each cell."""
    settings = hosts.setting_labels(ratios)
    shapes = dict.fromkeys(settings, theme.SHAPES[0])
    shapes |= zip(shapes, theme.SHAPES, strict=False) if len(shapes) <= len(theme.SHAPES) else ()
    groups = grouped(
        (ratio.cell.encoding, (ratio, ratio.speedup_ratio, setting))
        for ratio, setting in zip(ratios, settings, strict=True)
        if ratio.speedup_ratio is not None
    )

    def place(item: tuple[str, Group]) -> tuple[float, str]:
        return -fmean(log(speedup.point) for _, speedup, _ in item[1]), item[0]

    groups = dict(sorted(groups.items(), key=place))
    mean, first = task.speedup_ratio, anchors[ratios[0].cell]
    rows = [Row(name=prose.ALL_CELLS, text=bare_ratio(mean), role="leader", anchor=first)]
    rows += [
        Row(
            name=name,
            text=hosts.range_text([speedup for _, speedup, _ in group]),
            role=_role(name),
            anchor=anchors[group[0][0].cell],
            lane_count=len(group),
        )
        for name, group in groups.items()
    ]
    grid = row_grid(rows)
    y, fill = at(grid.baseline_in(0)), float(task.standing in SURE)
    marks = [Mark(x=ends(mean), y=y, colour="leader", link=None, fill=fill)]
    for row, group in enumerate(groups.values(), start=1):
        places = [grid.baseline_in(row, n) for n in range(len(group))]
        marks += _ratio_marks(group, places, shapes, anchors)
    text = hosts.comparison_text(names, task, ratios)
    has_shapes = len(shapes) <= len(theme.SHAPES)
    signs = shapes if has_shapes else {prose.ONE_MARK_A_CELL: theme.SHAPES[0]}
    key = [theme.key_entry(label, shape, linewidth=3) for label, shape in signs.items()]
    drawing = new_rows(text, grid, key=key, line_count=1)
    limits = theme.ratio_limits([end for mark in marks for end in mark.x])
    axis = prose.TIMES_LABEL.format(shown_name(names[1], limit=30))
    lines = {1.0: prose.EQUAL_LABEL}
    finish_rows(drawing, grid, rows, marks, limits, label=axis, lines=lines)
    return drawing


def _ratio_marks(
    group: Group, lanes: Sequence[float], shapes: Mapping[str, str], anchors: Mapping[Cell, str]
) -> list[Mark]:
    """Those of one encoding's cells, each in a lane of its own."""
    return [
        Mark(
            x=ends(speedup),
            y=at(lane),
            colour=_role(ratio.cell.encoding),
            link=(anchors[ratio.cell], hosts.comparison_words(ratio, setting, speedup)),
            marker=shapes[setting],
            fill=float(ratio.standing in SURE),
        )
        for lane, (ratio, speedup, setting) in zip(lanes, group, strict=True)
    ]


DECIDED: Final[dict[Verdict, str]] = {"improved": "leader", "regressed": "wrong"}
"""Colours of what is proved and matters; everything else is of one colour."""

OPEN: Final = ("inconclusive", "slower")  # what is not proved either way


def draw_regression(report: RegressionReport, *, anchors: Mapping[Cell, str]) -> Drawing:
    """The cost of each cell after against before, changed ones first; the tolerance is shaded."""
    found = [(cell, ratio) for cell in report.cells if (ratio := cell.cost_ratio)]
    changed = ("regressed", "slower", "improved")
    found.sort(key=lambda one: (one[0].verdict not in changed, -one[1].point))
    names = prose.cell_names(cell.cell for cell, _ in found)
    rows = [
        Row(
            name=name,
            text=prose.verdict_text(cell),
            warning="costs more" if cell.verdict == "regressed" else "",
            role="leader" if cell.verdict == "improved" else "other",
            anchor=anchors[cell.cell],
        )
        for (cell, _), name in zip(found, names, strict=True)
    ]
    grid = row_grid(rows)
    lanes = [grid.baseline_in(number) for number in range(len(rows))]
    pairs = zip(lanes, found, strict=True)
    marks = [cost_mark(one, lane, anchors[one[0].cell]) for lane, one in pairs]
    drawing = new_rows(prose.ratios_text(report), grid, key=(), line_count=1)
    edge = 1 + report.tolerance_fraction
    drawing.axes.barh(lanes, edge - 1 / edge, grid.lane_in, 1 / edge, **theme.SHADED)
    limits = theme.ratio_limits([1 / edge, edge, *(end for mark in marks for end in mark.x)])
    lines = {1.0: prose.UNCHANGED_LABEL}
    finish_rows(drawing, grid, rows, marks, limits, label=prose.COST_LABEL, lines=lines)
    return drawing


def cost_mark(
    found: tuple[CellVerdict, Estimate], y: float, anchor: str, *, whose: str = "", **look: Any
) -> Mark:
    """A cell's cost after against before, hollow if unproved; `whose` begins what is read out."""
    cell, ratio = found
    name = visible_text(cell.cell.cell_id)
    return Mark(
        x=ends(ratio),
        y=at(y),
        colour=DECIDED.get(cell.verdict, "muted"),
        link=(anchor, f"{whose}{name}: {prose.verdict_text(cell)}"),
        fill=float(cell.verdict not in OPEN),
        **look,
    )


def _role(encoding: str) -> Role:
    return "original" if encoding == ORIGINAL else "other"

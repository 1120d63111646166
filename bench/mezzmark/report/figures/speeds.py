"""What encoding costs by thread count, and how much faster one host is than another."""

from collections.abc import Mapping, Sequence
from statistics import fmean

import numpy as np
import pandas as pd
import seaborn.objects as so

from mezzmark.decide.compare.host_comparison import CellRatio, Standing, TaskRatio
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.report.figures.rows import (
    Row,
    RowMark,
    draw_lines,
    draw_marks,
    label_rows,
    new_rows,
    row_grid,
    shown_lines,
)
from mezzmark.report.figures.theme import (
    SHAPES,
    Drawing,
    ends,
    key_entry,
    padded,
    plot,
    ratio_limits,
    set_log_axis,
)
from mezzmark.report.prose.best_host import bare_ratio
from mezzmark.report.prose.figures import ALL_CELLS, EQUAL_LABEL, ONE_MARK_A_CELL, SPEED_LABEL
from mezzmark.report.prose.hosts import (
    comparison_label,
    comparison_text,
    comparison_words,
    range_text,
    setting_labels,
)
from mezzmark.report.prose.numbers import count_text
from mezzmark.report.prose.run_figures import (
    encode_row_text,
    encode_text,
    encode_words,
    real_time_label,
)
from mezzmark.report.prose.terms import clip_rates
from mezzmark.report.view import RunView, encode_speeds


def draw_encode(
    view: RunView, *, anchors: Mapping[str, str], cells: Mapping[tuple[str, int], str]
) -> Drawing:
    """One row per encoding, its best speed on top; one mark per thread count, joined by a line.

    Names link to `anchors`; marks to `cells`, by encoding and thread count.
    """
    speeds = encode_speeds(view)
    best = {name: max(by.items(), key=lambda s: (s[1].point, -s[0])) for name, by in speeds.items()}
    names = sorted(speeds, key=lambda name: (-best[name][1].point, name))
    threads = sorted({count for by_threads in speeds.values() for count in by_threads})
    shapes = {count: SHAPES[place % len(SHAPES)] for place, count in enumerate(threads)}
    rows = [
        Row(
            name=name,
            text=encode_row_text(*best[name], has_one_count=len(threads) == 1),
            role=view.role(name),
            anchor=anchors[name],
        )
        for name in names
    ]
    marks = [
        RowMark(
            row=row,
            estimate=speed,
            role=view.role(name),
            link=(cells[name, count], encode_words(name, count, speed)),
            marker=shapes[count],
            is_filled=count == threads[-1],
        )
        for row, name in enumerate(names)
        for count, speed in sorted(speeds[name].items())
    ]
    lines = {rate: real_time_label(rate) for rate in clip_rates(view.manifest)[:2]}
    values = [value for mark in marks for value in ends(mark.estimate)]
    limits = padded([*values, *lines], room=1.2)
    key = [
        key_entry(
            count_text(count, "thread"), shape, fill="full" if count == threads[-1] else "none"
        )
        for count, shape in shapes.items()
    ]
    grid = row_grid(rows)
    text = encode_text(view, {name: best[name][1] for name in names})
    drawing = new_rows(text, grid, key=key, line_count=len(lines))
    frame = pd.DataFrame(
        {"x": mark.estimate.point, "y": grid.baseline_in(mark.row), "role": mark.role}
        for mark in marks
    )
    joined = so.Paths(alpha=0.5, linewidth=1)
    drawn = plot(frame, x="x", y="y", color="role", group="y").add(joined, legend=False)
    drawn.on(drawing.axes).plot()
    draw_marks(drawing, grid, marks)
    set_log_axis(drawing.axes, "x", limits, label=SPEED_LABEL)
    label_rows(drawing, grid, rows)
    draw_lines(drawing.axes, shown_lines(lines, limits))
    return drawing


SURE: tuple[Standing, ...] = ("faster", "slower")


def draw_comparison(
    names: tuple[str, str],
    task: TaskRatio,
    ratios: Sequence[CellRatio],
    *,
    anchors: Mapping[str, str],
    confidence_level: float,
) -> Drawing:
    """One task on a host against the reference (`names`: of the host, of the reference). One row
    per encoding, the greatest mean ratio on top, under a row for the mean of all; a lane for each
    cell, with one shape of mark per setting. Marks link to `anchors`, by the cell's id."""
    labels = setting_labels(ratios)
    settings = list(dict.fromkeys(labels))
    is_told_apart = len(settings) <= len(SHAPES)
    shapes = {s: SHAPES[place] if is_told_apart else "o" for place, s in enumerate(settings)}
    groups: dict[str, list[tuple[CellRatio, Estimate, str]]] = {}
    for ratio, label in zip(ratios, labels, strict=True):
        if ratio.speedup_ratio is not None:
            groups.setdefault(ratio.cell.encoding, []).append((ratio, ratio.speedup_ratio, label))
    groups = dict(sorted(groups.items(), key=lambda item: (-_mean_log(item[1]), item[0])))
    mean = task.speedup_ratio
    rows = [
        Row(
            name=ALL_CELLS,
            text=bare_ratio(mean),
            role="leader",
            anchor=anchors[ratios[0].cell.cell_id],
        ),
        *(
            Row(
                name=name,
                text=range_text([speedup for _, speedup, _ in group]),
                role="original" if name == ORIGINAL else "other",
                anchor=anchors[group[0][0].cell.cell_id],
                lane_count=len(group),
            )
            for name, group in groups.items()
        ),
    ]
    marks = [
        RowMark(row=0, estimate=mean, role="leader", link=None, is_filled=task.standing in SURE),
        *(
            RowMark(
                row=row,
                lane=lane,
                estimate=speedup,
                role="original" if name == ORIGINAL else "other",
                link=(anchors[ratio.cell.cell_id], comparison_words(ratio, label, speedup)),
                marker=shapes[label],
                is_filled=ratio.standing in SURE,
            )
            for row, (name, group) in enumerate(groups.items(), start=1)
            for lane, (ratio, speedup, label) in enumerate(group)
        ),
    ]
    key = [key_entry(label, shape, line_pt=3) for label, shape in shapes.items()]
    if not is_told_apart:
        key = [key_entry(ONE_MARK_A_CELL, "o", line_pt=3)]
    limits = ratio_limits([value for mark in marks for value in ends(mark.estimate)])
    grid = row_grid(rows)
    text = comparison_text(names, task, ratios, confidence_level=confidence_level)
    drawing = new_rows(text, grid, key=key, line_count=1)
    draw_marks(drawing, grid, marks)
    set_log_axis(drawing.axes, "x", limits, label=comparison_label(names[1]))
    label_rows(drawing, grid, rows)
    draw_lines(drawing.axes, {1.0: EQUAL_LABEL})
    return drawing


def _mean_log(group: Sequence[tuple[CellRatio, Estimate, str]]) -> float:
    return fmean(float(np.log(speedup.point)) for _, speedup, _ in group)

"""Two hosts side by side: per encoding the ratio of each common cell, with its interval."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from mezzmark.decide.compare.hosts import CellRatio, Standing, TaskRatio
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.estimate import Estimate
from mezzmark.model.tasks import TASKS
from mezzmark.report.figures.marks import mark_url
from mezzmark.report.figures.rows import (
    ReferenceLine,
    Row,
    draw_lines,
    legend_below,
    row_axes,
    stripe,
)
from mezzmark.report.figures.theme import Shape, colour, set_ratio_axis
from mezzmark.report.prose.hosts import has_many_clips, setting_label
from mezzmark.report.prose.numbers import bare_ratio, count_text, number_text, shown_name
from mezzmark.report.view import Role

SETTING_MARKS = ("o", "s", "D", "^", "v", "P", "X", "h")
"""One mark per setting; with more settings than marks all cells share the first."""

SPREAD = 0.24
"""How far, in rows, the marks of one encoding lie from its middle at most."""

ALL_CELLS = "mean over cells"
SURE: tuple[Standing, ...] = ("faster", "slower")


@dataclass(frozen=True, slots=True, kw_only=True)
class HostPanel:
    """What one figure shows: a task of one host against the reference. `anchors` lead from a cell
    to its row in the table."""

    reference: str
    other: str
    task: TaskRatio
    ratios: tuple[CellRatio, ...]
    anchors: Mapping[str, str]
    confidence_level: float


def draw_comparison(panel: HostPanel, shape: Shape) -> Figure:
    """One row per encoding, the greatest mean ratio on top, under a row for the mean of all."""
    groups = _by_encoding(panel.ratios)
    rows = [
        Row(
            encoding=ALL_CELLS,
            text=bare_ratio(panel.task.speedup_ratio),
            role="lead",
            anchor=panel.anchors[panel.ratios[0].cell.cell_id],
        ),
        *(
            Row(
                encoding=name,
                text=_row_text(ratios),
                role="original" if name == ORIGINAL else "rest",
                anchor=panel.anchors[ratios[0].cell.cell_id],
            )
            for name, ratios in groups.items()
        ),
    ]
    line = ReferenceLine(value=1.0, label="1: equally fast", short="1: equally fast")
    figure, axes = row_axes(
        shape,
        title=_title(panel),
        subtitle=_subtitle(panel),
        rows=rows,
        lines=[line],
        legend_lines=math.ceil(len(_legend_names(panel)) / _legend_columns(panel, shape)),
    )
    values = [
        value
        for estimate in (panel.task.speedup_ratio, *_estimates(panel.ratios))
        for value in (estimate.point, estimate.low, estimate.high)
        if value
    ]
    reference = shown_name(panel.reference, limit=30 if shape == "wide" else 18)
    label = f"times as fast as {reference} (log scale)"
    set_ratio_axis(axes, "x", values, label=label, most=12 if shape == "wide" else 6)
    stripe(axes, len(rows))
    _draw_mark(axes, 0, panel.task.speedup_ratio, "lead", "o", panel.task.standing, "", "")
    for index, ratios in enumerate(groups.values(), start=1):
        _draw_row(axes, index, ratios, panel)
    draw_lines(axes, [line], shape)
    _legend(axes, panel, shape)
    return figure


def _title(panel: HostPanel) -> str:
    name = TASKS[panel.task.task].label
    return (
        f"{name[:1].upper()}{name[1:]}: {shown_name(panel.other)} against "
        f"{shown_name(panel.reference)}"
    )


def _subtitle(panel: HostPanel) -> str:
    rounds = [estimate.round_count for estimate in _estimates(panel.ratios)]
    span = count_text(min(rounds), "round")
    if min(rounds) != max(rounds):
        span = f"{min(rounds)} to {max(rounds)} rounds"
    return (
        f"{count_text(len(panel.ratios), 'common cell')}, {_settings_text(panel)}{span} a "
        f"cell. Bars: {100 * panel.confidence_level:g} % intervals over rounds, each for its own "
        "cell. Filled: a difference that is sure over all cells shown."
    )


def _settings_text(panel: HostPanel) -> str:
    """That both hosts had equal jobs and threads, where that is so."""
    if all(ratio.cell == ratio.other_cell for ratio in panel.ratios):
        return "equal jobs and threads on both, "
    return ""


def _by_encoding(ratios: Sequence[CellRatio]) -> dict[str, list[CellRatio]]:
    groups: dict[str, list[CellRatio]] = {}
    for ratio in ratios:
        groups.setdefault(ratio.cell.encoding, []).append(ratio)
    return dict(sorted(groups.items(), key=lambda item: (-_mean(item[1]), item[0])))


def _mean(ratios: Sequence[CellRatio]) -> float:
    logs = [math.log(estimate.point) for estimate in _estimates(ratios)]
    return sum(logs) / len(logs)


def _estimates(ratios: Sequence[CellRatio]) -> list[Estimate]:
    return [ratio.speedup_ratio for ratio in ratios if ratio.speedup_ratio is not None]


def _row_text(ratios: Sequence[CellRatio]) -> str:
    estimates = _estimates(ratios)
    if len(estimates) == 1:
        return bare_ratio(estimates[0])
    points = [estimate.point for estimate in estimates]
    low, high = number_text(min(points)), number_text(max(points))
    return low if low == high else f"{low} to {high}"


def setting_names(ratios: Sequence[CellRatio]) -> list[str]:
    """The settings among the cells, in table order."""
    with_clip = has_many_clips(ratios)
    return list(dict.fromkeys(setting_label(ratio, with_clip=with_clip) for ratio in ratios))


def _draw_row(axes: Axes, y: float, ratios: Sequence[CellRatio], panel: HostPanel) -> None:
    names = setting_names(panel.ratios)
    with_clip = has_many_clips(panel.ratios)
    for place, ratio in enumerate(ratios):
        if ratio.speedup_ratio is None:
            continue
        offset = 0.0 if len(ratios) == 1 else SPREAD * (2 * place / (len(ratios) - 1) - 1)
        name = setting_label(ratio, with_clip=with_clip)
        order = names.index(name) if len(names) <= len(SETTING_MARKS) else 0
        words = (
            f"{shown_name(ratio.cell.encoding)}, {name}: {bare_ratio(ratio.speedup_ratio)} times "
            f"as fast; {ratio.standing}; {count_text(ratio.speedup_ratio.round_count, 'round')}"
        )
        _draw_mark(
            axes,
            y + offset,
            ratio.speedup_ratio,
            "original" if ratio.cell.encoding == ORIGINAL else "rest",
            SETTING_MARKS[order],
            ratio.standing,
            panel.anchors[ratio.cell.cell_id],
            words,
        )


def _draw_mark(
    axes: Axes,
    y: float,
    estimate: Estimate,
    role: Role,
    mark: str,
    standing: Standing,
    anchor: str,
    words: str,
) -> None:
    shade = colour(role)
    if estimate.low is not None and estimate.high is not None:
        axes.plot([estimate.low, estimate.high], [y, y], color=shade, linewidth=1.8, zorder=3)
    axes.plot(
        [estimate.point],
        [y],
        marker=mark,
        markersize=6 if role == "lead" else 5,
        markerfacecolor=shade if standing in SURE else colour("paper"),
        markeredgecolor=shade,
        markeredgewidth=1.3,
        linestyle="none",
        zorder=4,
        url=mark_url(anchor, words) if words else None,
    )


def _legend_names(panel: HostPanel) -> list[str]:
    names = setting_names(panel.ratios)
    if len(names) > len(SETTING_MARKS):
        return ["one mark per cell; the table names its setting"]
    return names


def _legend_columns(panel: HostPanel, shape: Shape) -> int:
    longest = max(len(name) for name in _legend_names(panel))
    room = 120 if shape == "wide" else 50
    return max(1, min(4, room // (longest + 6)))


def _legend(axes: Axes, panel: HostPanel, shape: Shape) -> None:
    shade = colour("muted")
    handles = [
        Line2D([], [], marker=mark, color=shade, linewidth=1.8, markersize=5, label=name)
        for mark, name in zip(SETTING_MARKS, _legend_names(panel), strict=False)
    ]
    legend_below(axes, handles, shape=shape, columns=_legend_columns(panel, shape))

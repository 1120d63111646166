"""Size against speed: bit rate and median time to picture of every encoding, labelled in place."""

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from mezzmark.decide.answer import INSTANT_MS
from mezzmark.decide.ranking import Ranked, Ranking
from mezzmark.decide.wording import shown_name
from mezzmark.report.look import (
    CHARACTER_IN,
    FONT_PT,
    MARKS,
    WIDTH_IN,
    Margins,
    Shape,
    colour,
    figure_of,
    new_axes,
    padded,
    set_log_axis,
)
from mezzmark.report.view import RunView
from mezzmark.report.words import interval_words, setting_words, trial_words

NAMES_UP_TO = 12
"""With more encodings the points carry numbers, and a key gives the names."""

KEY_LINE_IN = 0.165
INSTANT_LABEL = {"wide": "0.1 s: up to here it feels immediate", "narrow": "0.1 s"}
LABEL_LIMIT = {"wide": 26, "narrow": 20}


@dataclass(frozen=True, slots=True)
class _Box:
    """A rectangle in figure points that a label or a mark takes up."""

    x: float
    y: float
    width: float
    height: float

    def meets(self, other: "_Box") -> bool:
        return (
            self.x < other.x + other.width
            and other.x < self.x + self.width
            and self.y < other.y + other.height
            and other.y < self.y + self.height
        )


def draw_size(view: RunView, ranking: Ranking, shape: Shape) -> Figure:
    """Bit rate across, time to picture upwards; down and to the left is smaller and faster."""
    entries = [entry for entry in ranking.entries if entry.encoding in view.bitrates_bps]
    is_keyed = len(entries) > (NAMES_UP_TO if shape == "wide" else NAMES_UP_TO // 2)
    key = _key_lines(entries, shape) if is_keyed else []
    body = 4.6 if shape == "wide" else 3.4
    key_in = KEY_LINE_IN * (len(key) + 1)
    if shape == "wide":
        body = max(body, key_in)
        margins = Margins(left=0.75, right=3.35 if key else 0.3, top=0.1, bottom=0.55)
    else:
        margins = Margins(left=0.6, right=0.15, top=0.1, bottom=0.55 + (key_in if key else 0))
    figure, axes = new_axes(
        shape,
        title="Size against time to picture",
        subtitle=(
            f"Median time to picture {setting_words(ranking.setting)}. "
            f"{trial_words(view, ranking)}. Bars: {interval_words(view)}; "
            "the bit rate is that of the files and has no spread."
        ),
        body_in=body,
        margins=margins,
    )
    _set_axes(axes, entries, view, shape)
    for entry in entries:
        _draw_point(axes, entry, view)
    labels = [
        str(index + 1) if is_keyed else shown_name(entry.encoding, limit=LABEL_LIMIT[shape])
        for index, entry in enumerate(entries)
    ]
    _place_labels(axes, entries, labels, view)
    _draw_key(axes, key, shape, margins)
    return figure


def _set_axes(axes: Axes, entries: list[Ranked], view: RunView, shape: Shape) -> None:
    estimates = [entry.estimates["p50_ms"] for entry in entries]
    y_values = [v for e in estimates for v in (e.point, e.low, e.high) if v]
    low, high = padded([*y_values, INSTANT_MS], factor=1.3)
    most = 10 if shape == "wide" else 6
    set_log_axis(axes, "y", low=low, high=high, label="median, ms (log scale)", most=most)
    rates = [view.bitrates_bps[entry.encoding] / 1e6 for entry in entries]
    low, high = padded(rates, factor=1.5)
    set_log_axis(axes, "x", low=low, high=high, label="bit rate, Mbit/s (log scale)", most=most)
    axes.axhline(INSTANT_MS, color=colour("line"), linewidth=1.1, linestyle=(0, (4, 2.5)), zorder=1)
    axes.annotate(
        INSTANT_LABEL[shape],
        xy=(1, INSTANT_MS),
        xycoords=axes.get_yaxis_transform(),
        xytext=(-2, 2),
        textcoords="offset points",
        ha="right",
        va="bottom",
        color=colour("line"),
        fontsize=FONT_PT - 0.5,
    )
    axes.text(
        0.012,
        0.02,
        "◣ smaller and faster",
        transform=axes.transAxes,
        color=colour("muted"),
        fontsize=FONT_PT - 0.5,
    )


def _draw_point(axes: Axes, entry: Ranked, view: RunView) -> None:
    role = view.role(entry.encoding)
    estimate, shade = entry.estimates["p50_ms"], colour(role)
    x = view.bitrates_bps[entry.encoding] / 1e6
    if estimate.low is not None and estimate.high is not None:
        axes.plot([x, x], [estimate.low, estimate.high], color=shade, linewidth=2, zorder=3)
    axes.plot(
        [x],
        [estimate.point],
        marker=MARKS[role],
        markersize=7,
        markerfacecolor=colour("paper") if role == "rest" else shade,
        markeredgecolor=shade,
        markeredgewidth=1.4,
        linestyle="none",
        zorder=4,
    )


def _place_labels(axes: Axes, entries: list[Ranked], labels: list[str], view: RunView) -> None:
    """Each label at the first of many places around its point that meets no mark, no other label
    and no edge; where none is free, at the place farthest out, with a line to its point."""
    figure = figure_of(axes)
    to_points = 72 / figure.dpi
    centres = [
        axes.transData.transform(
            (view.bitrates_bps[entry.encoding] / 1e6, entry.estimates["p50_ms"].point)
        )
        * to_points
        for entry in entries
    ]
    taken = [_Box(float(c[0]) - 5, float(c[1]) - 5, 10, 10) for c in centres]
    taken += [_bar_box(axes, entry, view, to_points) for entry in entries]
    frame = axes.get_window_extent()
    edge = _Box(
        frame.x0 * to_points,
        frame.y0 * to_points,
        frame.width * to_points,
        frame.height * to_points,
    )
    for entry, label, centre in zip(entries, labels, centres, strict=True):
        box, is_near = _free_place(label, (float(centre[0]), float(centre[1])), taken, edge)
        taken.append(box)
        role = view.role(entry.encoding)
        axes.annotate(
            label,
            xy=(float(centre[0]), float(centre[1])),
            xycoords="figure points",
            xytext=(box.x + box.width / 2, box.y + box.height / 2),
            textcoords="figure points",
            ha="center",
            va="center",
            fontsize=FONT_PT - 0.5,
            weight="normal" if role == "rest" else "bold",
            color=colour("ink" if role == "rest" else role),
            arrowprops=None
            if is_near
            else {"arrowstyle": "-", "color": colour("grid"), "linewidth": 0.8, "shrinkB": 5},
            zorder=6,
        )


def _bar_box(axes: Axes, entry: Ranked, view: RunView, to_points: float) -> _Box:
    """What an interval's bar takes up."""
    estimate = entry.estimates["p50_ms"]
    x = view.bitrates_bps[entry.encoding] / 1e6
    ends = (estimate.low or estimate.point, estimate.high or estimate.point)
    low, high = (axes.transData.transform((x, end)) * to_points for end in ends)
    return _Box(float(low[0]) - 1, float(low[1]), 2, float(high[1] - low[1]))


def _free_place(
    label: str, centre: tuple[float, float], taken: list[_Box], edge: _Box
) -> tuple[_Box, bool]:
    width = CHARACTER_IN * 72 * len(label) * 1.04 + 3
    height = FONT_PT * 1.25
    box = _Box(centre[0], centre[1], width, height)
    for reach in (8.0, 14.0, 24.0, 36.0, 52.0):
        for angle in (0, 180, 60, -60, 120, -120, 90, -90):
            along, up = np.cos(np.radians(angle)), np.sin(np.radians(angle))
            x = centre[0] + reach * along + (along - 1) / 2 * width
            y = centre[1] + reach * up - height / 2
            box = _Box(float(x), float(y), width, height)
            inside = (
                edge.x <= box.x
                and box.x + width <= edge.x + edge.width
                and edge.y <= box.y
                and box.y + height <= edge.y + edge.height
            )
            if inside and not any(box.meets(other) for other in taken):
                return box, reach < 20
    return box, False


def _key_lines(entries: list[Ranked], shape: Shape) -> list[str]:
    limit = 38 if shape == "wide" else 46
    return [
        f"{index + 1}  {shown_name(entry.encoding, limit=limit)}"
        for index, entry in enumerate(entries)
    ]


def _draw_key(axes: Axes, key: list[str], shape: Shape, margins: Margins) -> None:
    figure = figure_of(axes)
    width, height = figure.get_figwidth(), figure.get_figheight()
    place = axes.get_position()
    if shape == "wide":
        x, top = WIDTH_IN[shape] - margins.right + 0.25, place.y1 * height
    else:
        x, top = 0.1, place.y0 * height - 0.6
    for index, line in enumerate(key):
        figure.text(
            x / width,
            (top - KEY_LINE_IN * index) / height,
            line,
            va="top",
            fontsize=FONT_PT - 1,
            color=colour("ink"),
        )

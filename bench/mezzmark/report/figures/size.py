"""Size against speed: bit rate and median time to picture of every encoding, labelled in place."""

from collections.abc import Mapping

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text

from mezzmark.decide.estimate.ranking import Ranked, Ranking
from mezzmark.report.figures.labels import (
    KEY_LIMIT,
    NAME_LIMIT,
    NAMES_UP_TO,
    PointLabel,
    draw_key,
    label_points,
    scatter_frame,
)
from mezzmark.report.figures.marks import mark_url, mark_words
from mezzmark.report.figures.theme import (
    FONT_PT,
    MARKS,
    Shape,
    colour,
    new_axes,
    padded,
    set_log_axis,
)
from mezzmark.report.prose.latency import INSTANT_MS
from mezzmark.report.prose.numbers import number_text, shown_name
from mezzmark.report.prose.terms import bar_words, setting_words, trial_words
from mezzmark.report.view import RunView

INSTANT_LABEL = {"wide": "0.1 s: up to here it feels immediate", "narrow": "0.1 s"}


def draw_size(view: RunView, ranking: Ranking, shape: Shape, *, cells: Mapping[str, str]) -> Figure:
    """Bit rate across, time to picture upwards; down and to the left is smaller and faster. Marks
    link to `cells`, the anchor of each encoding."""
    entries = [entry for entry in ranking.entries if entry.encoding in view.bitrates_bps]
    is_keyed = len(entries) > NAMES_UP_TO[shape]
    body, margins = scatter_frame(shape, len(entries) if is_keyed else 0)
    figure, axes = new_axes(
        shape,
        title="Size against time to picture",
        subtitle=(
            f"Median time to picture {setting_words(ranking.setting)}. "
            f"{trial_words(view, ranking)}. "
            f"{bar_words(entry.estimates['p50_ms'] for entry in entries)} "
            "The bit rate is that of the files and has no spread."
        ),
        body_in=body,
        margins=margins,
    )
    texts = _set_axes(axes, entries, view, shape)
    for entry in entries:
        _draw_point(axes, entry, view, cells)
    label_points(
        axes,
        [_label(index, entry, view, shape, is_keyed) for index, entry in enumerate(entries)],
        others=texts,
    )
    if is_keyed:
        limit = KEY_LIMIT[shape]
        names = [shown_name(entry.encoding, limit=limit) for entry in entries]
        draw_key(axes, [f"{index + 1}  {name}" for index, name in enumerate(names)], shape)
    return figure


def _label(index: int, entry: Ranked, view: RunView, shape: Shape, is_keyed: bool) -> PointLabel:
    role, estimate = view.role(entry.encoding), entry.estimates["p50_ms"]
    interval = None
    if estimate.low is not None and estimate.high is not None:
        interval = (estimate.low, estimate.high)
    return PointLabel(
        text=str(index + 1) if is_keyed else shown_name(entry.encoding, limit=NAME_LIMIT[shape]),
        x=view.bitrates_bps[entry.encoding] / 1e6,
        y=estimate.point,
        y_interval=interval,
        shade="ink" if role == "rest" else role,
        is_bold=role != "rest",
    )


def _set_axes(axes: Axes, entries: list[Ranked], view: RunView, shape: Shape) -> list[Text]:
    """Both axes, and the texts that already stand between them."""
    estimates = [entry.estimates["p50_ms"] for entry in entries]
    y_values = [v for e in estimates for v in (e.point, e.low, e.high) if v]
    low, high = padded([*y_values, INSTANT_MS], factor=1.3)
    most = 10 if shape == "wide" else 6
    set_log_axis(axes, "y", low=low, high=high, label="median, ms (log scale)", most=most)
    rates = [view.bitrates_bps[entry.encoding] / 1e6 for entry in entries]
    low, high = padded(rates, factor=1.5)
    set_log_axis(axes, "x", low=low, high=high, label="bit rate, Mbit/s (log scale)", most=most)
    axes.axhline(INSTANT_MS, color=colour("line"), linewidth=1.1, linestyle=(0, (4, 2.5)), zorder=1)
    line = axes.annotate(
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
    corner = axes.text(
        0.012,
        0.02,
        "◣ smaller and faster",
        transform=axes.transAxes,
        color=colour("muted"),
        fontsize=FONT_PT - 0.5,
    )
    return [line, corner]


def _draw_point(axes: Axes, entry: Ranked, view: RunView, cells: Mapping[str, str]) -> None:
    role = view.role(entry.encoding)
    estimate, shade = entry.estimates["p50_ms"], colour(role)
    x = view.bitrates_bps[entry.encoding] / 1e6
    if estimate.low is not None and estimate.high is not None:
        axes.plot([x, x], [estimate.low, estimate.high], color=shade, linewidth=2, zorder=3)
    words = mark_words(entry.encoding, "median time to picture", estimate, samples="move")
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
        url=mark_url(cells[entry.encoding], f"{words}; bit rate {number_text(x)} Mbit/s"),
    )

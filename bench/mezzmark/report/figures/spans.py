"""Where the waiting goes: locate, decode and present as shares of all proved waiting."""

from collections.abc import Mapping

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from mezzmark.decide.estimate.ranking import Ranked, Ranking
from mezzmark.report.figures.marks import mark_url
from mezzmark.report.figures.rows import Row, legend_below, row_axes
from mezzmark.report.figures.theme import Shape, colour
from mezzmark.report.prose.numbers import count_text, estimate_text, shown_name
from mezzmark.report.prose.terms import setting_words, trial_words
from mezzmark.report.view import RunView, scrub_trials, span_shares

SPAN_HATCHES = {"locate": "////", "decode": "", "present": "\\\\\\\\"}
"""A second sign beside colour."""

BAR_HEIGHT: dict[Shape, float] = {"wide": 0.5, "narrow": 0.42}
"""Of a row."""


SPAN_LABELS = {
    "locate": "locate (seek)",
    "decode": "decode",
    "present": "present (scale, colour)",
}


def draw_spans(
    view: RunView, ranking: Ranking, shape: Shape, *, anchor: str, cells: Mapping[str, str]
) -> Figure:
    """One bar per encoding from 0 to 100 %, in the order of the latency figure."""
    trials = scrub_trials(view, ranking.setting)
    rows = [
        Row(
            encoding=entry.encoding,
            text=f"of {estimate_text(entry.estimates['p50_ms'])}",
            role=view.role(entry.encoding, ranking),
            anchor=f"{anchor}-{index}",
        )
        for index, entry in enumerate(ranking.entries)
    ]
    figure, axes = row_axes(
        shape,
        title="Where the waiting goes",
        subtitle=(
            f"Share of all time waited {setting_words(ranking.setting)}. "
            f"{trial_words(view, ranking)}. Sums of measured time, so they carry no interval; "
            "at the row's end the median time to picture."
        ),
        rows=rows,
    )
    axes.set_xlim(0, 100)
    axes.set_xlabel("share of waiting, %", color=colour("ink"))
    for index, entry in enumerate(ranking.entries):
        shares = span_shares(trials.get(entry.encoding, []))
        url = mark_url(cells[entry.encoding], _words(entry, shares))
        _draw_bar(axes, index, shares, shape, url)
    _legend(axes, shape)
    return figure


def _words(entry: Ranked, shares: Mapping[str, float]) -> str:
    parts = ", ".join(f"{name} {share * 100:.0f} %" for name, share in shares.items())
    moves = count_text(entry.estimates["p50_ms"].sample_count, "move")
    rounds = count_text(entry.estimates["p50_ms"].round_count, "round")
    return f"{shown_name(entry.encoding)}, waiting: {parts}; {rounds}, {moves}"


def _draw_bar(axes: Axes, index: int, shares: Mapping[str, float], shape: Shape, url: str) -> None:
    """One encoding's shares end to end; the longest one carries the link."""
    start = 0.0
    longest = max(shares, key=lambda name: shares[name])
    for name, share in shares.items():
        axes.barh(
            index + (0.08 if shape == "narrow" else 0),
            share * 100,
            left=start,
            height=BAR_HEIGHT[shape],
            color=colour(name),
            hatch=SPAN_HATCHES[name],
            edgecolor=colour("paper"),
            linewidth=0.6,
            zorder=2,
            url=url if name == longest else None,
        )
        start += share * 100


def _legend(axes: Axes, shape: Shape) -> None:
    handles = [
        Patch(
            facecolor=colour(name),
            hatch=SPAN_HATCHES[name],
            edgecolor=colour("paper"),
            label=label,
        )
        for name, label in SPAN_LABELS.items()
    ]
    legend_below(axes, handles, shape=shape, columns=3)

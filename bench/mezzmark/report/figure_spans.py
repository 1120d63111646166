"""Where the waiting goes: locate, decode and present as shares of all proved waiting."""

from matplotlib.figure import Figure
from matplotlib.patches import Patch

from mezzmark.decide.ranking import Ranking
from mezzmark.decide.wording import estimate_text
from mezzmark.report.look import Shape, colour
from mezzmark.report.rows import Row, legend_below, row_axes
from mezzmark.report.view import RunView, scrub_trials, span_shares
from mezzmark.report.words import setting_words, trial_words

SPAN_HATCHES = {"locate": "////", "decode": "", "present": "\\\\\\\\"}
"""A second sign beside colour."""

BAR_HEIGHT = 0.5


def draw_spans(view: RunView, ranking: Ranking, shape: Shape, *, anchor: str) -> Figure:
    """One bar per encoding from 0 to 100 %, in the order of the latency figure."""
    trials = scrub_trials(view, ranking.setting)
    rows = [
        Row(
            encoding=entry.encoding,
            text=f"of {estimate_text(entry.estimates['p50_ms'])}",
            role=view.role(entry.encoding),
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
    height = BAR_HEIGHT if shape == "wide" else 0.42
    for index, entry in enumerate(ranking.entries):
        start = 0.0
        for name, share in span_shares(trials.get(entry.encoding, [])).items():
            axes.barh(
                index + (0.08 if shape == "narrow" else 0),
                share * 100,
                left=start,
                height=height,
                color=colour(name),
                hatch=SPAN_HATCHES[name],
                edgecolor=colour("paper"),
                linewidth=0.6,
                zorder=2,
            )
            start += share * 100
    handles = [
        Patch(
            facecolor=colour(name),
            hatch=SPAN_HATCHES[name],
            edgecolor=colour("paper"),
            label=label,
        )
        for name, label in (
            ("locate", "locate (seek)"),
            ("decode", "decode"),
            ("present", "present (scale, colour)"),
        )
    ]
    legend_below(axes, handles, shape=shape, columns=3)
    return figure

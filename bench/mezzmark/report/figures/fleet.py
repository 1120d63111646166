"""Hosts × cells of a check: a lane for each cell under one another, a band for each host."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from matplotlib.lines import Line2D

from mezzmark.decide.compare.fleet import FleetCheck, HostCheck
from mezzmark.decide.compare.verdicts import CellVerdict
from mezzmark.model.estimate import Estimate
from mezzmark.report.figures import theme
from mezzmark.report.figures.marks import Drawing, Mark, at, draw_marks, ends, new_drawing
from mezzmark.report.figures.rows import LINE_LABEL_IN, draw_lines
from mezzmark.report.figures.speeds import DECIDED
from mezzmark.report.prose import fleet as prose
from mezzmark.report.prose.numbers import shown_name
from mezzmark.report.prose.run_figures import RATIO_LABEL, UNCHANGED_LABEL, verdict_text

HOSTS_A_FIGURE: Final = 10
"""More would be too small to be read on a printed page."""

NAMES_IN: Final = 1.35
"""Room for the hosts' names; those of more characters are shown with their middle left out."""

LANE_IN, LEAST_BAND_IN, GAP_IN = 0.1, 0.36, 0.1
"""Height of a lane, of a band at least (name and verdict stand in two lines), between bands."""

MOST_LANES: Final = 12
"""Of a host with more cells those that got slowest are drawn; the tables have all."""

Shown = tuple[HostCheck, list[tuple[CellVerdict, Estimate]]]


def shown_hosts(check: FleetCheck) -> list[Shown]:
    """Hosts that have any ratio, each with the cells that are drawn, in table order."""
    found = []
    for host in check.hosts:
        cells = host.report.cells if host.report else ()
        pairs = [(cell, ratio) for cell in cells if (ratio := cell.cost_ratio)]
        kept = sorted(pairs, key=lambda pair: -pair[1].point)[:MOST_LANES]
        if pairs:
            found.append((host, [pair for pair in pairs if pair in kept]))
    return found


def draw_fleet(
    check: FleetCheck,
    hosts: Sequence[Shown],
    *,
    of_all: Sequence[Shown],
    anchors: Mapping[tuple[str, object], str],
    place: tuple[int, int],
) -> Drawing:
    """The hosts of one figure of several, `place` being its number and theirs; all have the axis
    and key of `of_all`. Marks link to `anchors`, by host and cell."""
    tops, height_in = _bands(hosts)
    kinds = dict.fromkeys(prose.kind_text(cell.cell) for _, cells in of_all for cell, _ in cells)
    shapes = {kind: theme.SHAPES[n % len(theme.SHAPES)] for n, kind in enumerate(kinds)}
    drawing = new_drawing(
        prose.fleet_figure_text(check, [host for host, _ in hosts], *place),
        body_in=height_in,
        key=_key(shapes, of_all),
        left_in=NAMES_IN,
        top_in=0.06 + LINE_LABEL_IN,
    )
    axes = drawing.figure.add_subplot()
    edge = 1 + check.tolerance_fraction
    axes.axvspan(1 / edge, edge, color=theme.LIGHT["grid"], alpha=0.55, linewidth=0, zorder=0)
    marks = [
        Mark(
            x=ends(ratio),
            y=at(top_in + LANE_IN * (lane + 0.5)),
            colour=DECIDED.get(cell.verdict, "muted"),
            link=(
                anchors[host.host, cell.cell],
                prose.cell_words(host, cell.cell.cell_id, verdict_text(cell)),
            ),
            marker=shapes[prose.kind_text(cell.cell)],
            fill=float(cell.verdict not in ("inconclusive", "slower")),
            size_pt=5,
            bar_pt=2.2,
        )
        for top_in, (host, cells) in zip(tops, hosts, strict=True)
        for lane, (cell, ratio) in enumerate(cells)
    ]
    draw_marks(drawing, marks)
    limits = [end for _, cells in of_all for _, ratio in cells for end in ends(ratio)]
    theme.set_log_axis(axes, "x", theme.ratio_limits([1 / edge, edge, *limits]), label=RATIO_LABEL)
    axes.set(ylim=(height_in, 0), yticks=[], ylabel="")
    for top_in, (host, _) in zip(tops, hosts, strict=True):
        _name(drawing, host, top_in, anchors[host.host, None])
    draw_lines(axes, {1.0: UNCHANGED_LABEL})
    return drawing


def _bands(hosts: Sequence[Shown]) -> tuple[list[float], float]:
    """Where each host's lanes begin, in inches from the top, and where the last band ends."""
    tops, end_in = [], GAP_IN / 2
    for _, cells in hosts:
        tops.append(end_in)
        end_in += max(LEAST_BAND_IN, LANE_IN * len(cells)) + GAP_IN
    return tops, end_in - GAP_IN / 2


def _key(shapes: Mapping[str, str], hosts: Sequence[Shown]) -> list[Line2D]:
    """The shapes of cells, as far as there is one for each, then what colours mean that are
    drawn."""
    entries = []
    if len(shapes) <= len(theme.SHAPES):
        entries = [theme.key_entry(kind, shape) for kind, shape in shapes.items()]
    drawn = {cell.verdict for _, cells in hosts for cell, _ in cells}
    entries += [
        theme.key_entry(prose.FIGURE_KEYS[verdict], "o", colour=colour, linewidth=3)
        for verdict, colour in DECIDED.items()
        if verdict in drawn
    ]
    if not drawn.isdisjoint(("inconclusive", "slower")):
        hollow = {"markerfacecolor": theme.LIGHT["paper"]}
        entries.append(theme.key_entry(prose.FIGURE_KEYS["open"], "o", **hollow))
    return entries


def _name(drawing: Drawing, host: HostCheck, top_in: float, anchor: str) -> None:
    """Name and verdict left of the lanes, and a hairline above."""
    axes = drawing.axes
    colour = DECIDED.get(host.verdict, "ink") if host.verdict else "ink"
    room = theme.characters(NAMES_IN - theme.MARGIN_IN - 0.05, theme.SMALL_PT)
    left = -(NAMES_IN - theme.MARGIN_IN) / (theme.WIDTH_IN - NAMES_IN - theme.MARGIN_IN)
    look: dict[str, Any] = {
        "transform": axes.get_yaxis_transform(),
        "va": "top",
        "fontsize": theme.SMALL_PT,
        "clip_on": False,
    }
    name = shown_name(host.label, limit=room)
    axes.text(
        left,
        top_in,
        name,
        color=theme.LIGHT[colour],
        weight="bold",
        url=drawing.url(anchor),
        **look,
    )
    axes.text(left, top_in + 0.17, prose.standing_text(host), color=theme.LIGHT["muted"], **look)
    axes.plot(
        [left, 1],
        [top_in - GAP_IN / 2] * 2,
        transform=axes.get_yaxis_transform(),
        color=theme.LIGHT["grid"],
        linewidth=0.7,
        clip_on=False,
        zorder=0,
    )

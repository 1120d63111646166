"""Figures of a plane: size and speed, links, quality, the goals of a choice."""

from collections.abc import Mapping, Sequence
from itertools import pairwise, product
from typing import Any, Final

import numpy as np

from mezzmark.decide.choose.choice import Choice, ChoicePlane, ChoicePoint, pareto_points
from mezzmark.decide.estimate.ranking import INSTANT_MS, Ranking
from mezzmark.decide.picture.fidelity import EncodingFidelity
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.figures import FigureName
from mezzmark.report.figures import theme
from mezzmark.report.figures.drawing import Drawing, Mark, at, draw_marks, ends, new_drawing
from mezzmark.report.figures.points import BODY_IN, Place, PlaneAxis, Point, draw_points
from mezzmark.report.prose import figures as prose
from mezzmark.report.prose.numbers import number_text, shown_name, shown_unit, shown_value
from mezzmark.report.prose.picture import generation_words, quality_text
from mezzmark.report.view import LinkFamily, Role, RunView


def draw_size(view: RunView, ranking: Ranking, *, cells: Mapping[str, str]) -> Drawing:
    """Bit rate across, scrub latency upwards. Marks link to `cells`, by encoding."""
    entries = [entry for entry in ranking.entries if entry.encoding in view.bitrates_bps]
    points = []
    for entry in entries:
        role, estimate = view.role(entry.encoding), entry.estimates["p50_ms"]
        rate_mbps = view.bitrates_bps[entry.encoding] / 1e6
        words = prose.with_rate(prose.latency_words(entry.encoding, "p50_ms", estimate), rate_mbps)
        look, link = theme.role_look(role), (cells[entry.encoding], words)
        mark = Mark(x=at(rate_mbps), y=ends(estimate), link=link, bar_pt=2, **look)
        shade = "ink" if role == "other" else role
        points.append(Point(name=entry.encoding, mark=mark, shade=shade))
    roles = [view.role(entry.encoding) for entry in entries]
    instant = {INSTANT_MS: prose.INSTANT_LABEL}
    return draw_points(
        prose.size_text(ranking, entries),
        points,
        PlaneAxis(label=prose.RATE_LABEL, better="less", room=1.5),
        PlaneAxis(label=prose.MEDIAN_LABEL, better="less", room=1.3, lines=instant),
        key=theme.role_key(roles, prose.leader_label(view.choice)),
    )


def draw_links(view: RunView, family: LinkFamily, cells: Sequence[Mapping[str, str]]) -> Drawing:
    """Over the rate of the link each encoding's median and, hollow, how much of it waits for
    storage. Marks link to `cells`, of each link by encoding."""
    first = family[0][1]
    roles = {entry.encoding: view.role(entry.encoding, first) for entry in first.entries}
    names = sorted(roles, key=lambda name: roles[name] == "other")
    shapes = dict(zip(names, theme.SHAPES, strict=False))
    shapes |= {ORIGINAL: theme.MARKERS["original"]} if ORIGINAL in shapes else {}
    key = [theme.key_entry(shown_name(n), s, colour=roles[n]) for n, s in shapes.items()]
    drawing = new_drawing(prose.links_text(family), body_in=BODY_IN, key=key, left_in=0.8)
    axes, marks = drawing.figure.add_subplot(), list[Mark]()
    for name, (figure, what) in product(shapes, prose.LINK_KEYS.items()):
        line = [
            Mark(
                x=at(link.rate_bps / 1e9),
                y=ends(estimate),
                colour=roles[name],
                link=(anchors[name], prose.mark_words(name, what, estimate)),
                marker=shapes[name],
                fill=float(figure == "p50_ms"),
                bar_pt=2,
            )
            for (link, ranking), anchors in zip(family, cells, strict=True)
            if (entry := ranking.find(name)) and (estimate := entry.estimates.get(figure))
            if estimate.point > 0
        ]
        places = [mark.x[0] for mark in line], [mark.y[0] for mark in line]
        axes.plot(*places, color=theme.LIGHT[roles[name]], alpha=0.5, linewidth=1)
        marks += line
    draw_marks(drawing, marks)
    limits = [theme.padded([e for m in marks for e in getattr(m, way)], room=1.3) for way in "xy"]
    theme.set_log_axis(axes, "x", limits[0], label=prose.LINK_LABEL)
    theme.set_log_axis(axes, "y", limits[1], label=prose.MS_LABEL)
    return drawing


def draw_quality(judged: Sequence[EncodingFidelity], *, anchors: Mapping[str, str]) -> Drawing:
    """PSNR of generation 1 against bit rate. Marks link to `anchors`, by encoding."""
    points = []
    for entry in judged:
        if "psnr" not in entry.estimates or entry.is_bit_exact:
            continue
        psnr, rate_mbps = entry.estimates["psnr"], entry.bitrate_bps / 1e6
        words = generation_words(entry, 0)
        link = (anchors[entry.encoding], prose.with_rate(words, rate_mbps))
        look: dict[str, Any] = {"colour": "other", "fill": 0, "bar_pt": 2}
        mark = Mark(x=at(rate_mbps), y=ends(psnr), link=link, **look)
        points.append(Point(name=entry.encoding, mark=mark))
    room_db = max(0.06 * float(np.ptp([point.mark.y[0] for point in points])), 0.5)
    return draw_points(
        quality_text(judged),
        points,
        PlaneAxis(label=prose.RATE_LABEL, better="less", room=1.5),
        PlaneAxis(label=prose.PSNR_LABEL, better="more", room=room_db, is_log=False),
    )


CHOSEN_PT: Final = 11.0  # size of the recommendation's mark

FILLS: Final = {"meets": 1.0, "open": 0.35, "ruled out": 0.0, "not judged": 1.0}

SIGNS: Final[dict[str, tuple[str, str, dict[str, Any]]]] = {
    "recommended": ("*", "leader", {"markersize": CHOSEN_PT}),
    "front": ("o", "leader", {}),
    "meets": ("o", "other", {}),
    "open": ("o", "other", {"alpha": FILLS["open"]}),
    "ruled out": ("o", "other", {"markerfacecolor": theme.LIGHT["paper"]}),
    "not judged": ("x", "other", {}),
    "original": (theme.MARKERS["original"], "original", {}),
}
"""Marker, colour and style of each entry of a choice's key."""


def draw_choice(choice: Choice, plane: ChoicePlane, *, anchors: Mapping[str, str]) -> Drawing:
    """Each encoding in the plane of two goals; marks link to `anchors`, the choice table's rows."""
    front = pareto_points(plane)
    key = []
    for sign, label in prose.choice_key(choice, plane.points).items():
        marker, colour, style = SIGNS[sign]
        key.append(theme.key_entry(label, marker, colour=colour, **style))
    return draw_points(
        prose.choice_text(choice, plane, [point.judged.encoding for point in front]),
        [_choice_point(point, plane, choice, anchors) for point in plane.points],
        _goal_axis(plane.x_goal, plane.x_limits, room=1.5),
        _goal_axis(plane.y_goal, plane.y_limits, room=1.3),
        key=key,
        path=_front_steps(plane, front),
    )


def _goal_axis(goal: FigureName, limits: Sequence[float], *, room: float) -> PlaneAxis:
    shown = [shown_value(limit, goal.unit) for limit in limits]
    meets, unit = "≤" if goal.better == "less" else "≥", shown_unit(goal.unit)
    lines = {limit: prose.NEED_LINE.format(meets, number_text(limit), unit) for limit in shown}
    label = prose.GOAL_LABEL.format(goal.label, unit)
    return PlaneAxis(label=label, better=goal.better, room=room, lines=lines)


def _choice_point(
    point: ChoicePoint, plane: ChoicePlane, choice: Choice, anchors: Mapping[str, str]
) -> Point:
    entry = point.judged
    is_chosen = entry.encoding == choice.recommendation
    role: Role = "other"
    if entry.encoding == ORIGINAL:
        role = "original"
    elif is_chosen or entry.front in ("on it", "may be on it"):
        role = "leader"
    marker = "x" if entry.status == "not judged" else theme.MARKERS[role]
    mark = Mark(
        x=ends(point.x, factor=shown_value(1.0, plane.x_goal.unit)),
        y=ends(point.y, factor=shown_value(1.0, plane.y_goal.unit)),
        colour=role,
        link=(anchors[entry.encoding], prose.choice_words(point, plane, choice)),
        marker="*" if is_chosen else marker,
        fill=FILLS[entry.status],
        size_pt=CHOSEN_PT if is_chosen else 7.0,
        bar_pt=2,
    )
    shade = role if is_chosen or role == "original" else "ink"
    return Point(name=entry.encoding, mark=mark, shade=shade)


def _front_steps(plane: ChoicePlane, front: Sequence[ChoicePoint]) -> list[Place]:
    """The Pareto set joined by steps, in shown units: up to the next point nobody offers more."""
    points = [
        (shown_value(p.x.point, plane.x_goal.unit), shown_value(p.y.point, plane.y_goal.unit))
        for p in front
    ]
    steps = points[:1]
    for before, after in pairwise(points):
        is_along_first = plane.x_goal.better == "less"
        steps += [(after[0], before[1]) if is_along_first else (before[0], after[1]), after]
    return steps

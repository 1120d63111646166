"""Names beside the points of a scatter figure: in place while few, else numbers with a key."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.text import Text

from mezzmark.report.figures.theme import (
    CHARACTER_IN,
    FONT_PT,
    WIDTH_IN,
    Margins,
    Shape,
    colour,
    figure_of,
)

NAMES_UP_TO: Final[dict[Shape, int]] = {"wide": 12, "narrow": 6}
"""With more points they carry numbers, and a key gives the names."""

NAME_LIMIT: Final[dict[Shape, int]] = {"wide": 26, "narrow": 20}
KEY_LIMIT: Final[dict[Shape, int]] = {"wide": 38, "narrow": 46}
KEY_LINE_IN: Final = 0.165
KEY_WIDTH_IN: Final = 3.35
MARK_PT: Final = 5
"""Half the side of the square that a mark takes up."""

NEAR_PT: Final = 20
"""A label farther from its point than this gets a line to it."""

_REACHES_PT: Final = (8.0, 14.0, 24.0, 36.0, 52.0, 70.0, 92.0)
_ANGLES: Final = (0, 180, 60, -60, 120, -120, 90, -90, 30, -30, 150, -150)


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in figure points that a label or a mark takes up."""

    x: float
    y: float
    width: float
    height: float

    def overlap(self, other: "Box") -> float:
        """The area that both take up, in square points."""
        across = min(self.x + self.width, other.x + other.width) - max(self.x, other.x)
        up = min(self.y + self.height, other.y + other.height) - max(self.y, other.y)
        return max(across, 0.0) * max(up, 0.0)

    def holds(self, other: "Box") -> bool:
        """Whether `other` lies wholly inside."""
        return (
            self.x <= other.x
            and other.x + other.width <= self.x + self.width
            and self.y <= other.y
            and other.y + other.height <= self.y + self.height
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PointLabel:
    """A point in data units with its label; the bars of its intervals are drawn already."""

    text: str
    x: float
    y: float
    x_interval: tuple[float, float] | None = None
    y_interval: tuple[float, float] | None = None
    shade: str = "ink"
    is_bold: bool = False


def label_points(
    axes: Axes,
    labels: Sequence[PointLabel],
    *,
    others: Sequence[Text] = (),
    lines: Sequence[tuple[float, float]] = (),
) -> None:
    """Each label at the first of many places around its point that meets no mark, no bar, no other
    label, none of the texts `others`, no step of the path `lines` (data units) and no edge; else
    where it covers least."""
    to_points = 72 / figure_of(axes).dpi
    centres = [_at(axes, label.x, label.y, to_points) for label in labels]
    taken = [Box(x - MARK_PT, y - MARK_PT, 2 * MARK_PT, 2 * MARK_PT) for x, y in centres]
    for label in labels:
        taken += _bars(axes, label, to_points)
    taken += [_extent(text, to_points) for text in others]
    corners = [_at(axes, x, y, to_points) for x, y in lines]
    taken += [_step(before, after) for before, after in pairwise(corners)]
    frame = axes.get_window_extent()
    edge = Box(*(side * to_points for side in (frame.x0, frame.y0, frame.width, frame.height)))
    for label, centre in zip(labels, centres, strict=True):
        box, is_near = _best_place(label, centre, taken, edge)
        taken.append(box)
        axes.annotate(
            label.text,
            xy=centre,
            xycoords="figure points",
            xytext=(box.x + box.width / 2, box.y + box.height / 2),
            textcoords="figure points",
            ha="center",
            va="center",
            fontsize=FONT_PT - 0.5,
            weight="bold" if label.is_bold else "normal",
            color=colour(label.shade),
            arrowprops=None
            if is_near
            else {"arrowstyle": "-", "color": colour("muted"), "linewidth": 0.5, "shrinkB": 5},
            zorder=6,
        )


def _at(axes: Axes, x: float, y: float, to_points: float) -> tuple[float, float]:
    place = axes.transData.transform((x, y)) * to_points
    return float(place[0]), float(place[1])


def _step(before: tuple[float, float], after: tuple[float, float]) -> Box:
    """A level or upright stroke as a box."""
    (x0, x1), (y0, y1) = (sorted(pair) for pair in zip(before, after, strict=True))
    return Box(x0 - 1, y0 - 1, x1 - x0 + 2, y1 - y0 + 2)


def _extent(text: Text, to_points: float) -> Box:
    box = text.get_window_extent()
    return Box(*(side * to_points for side in (box.x0, box.y0, box.width, box.height)))


def _bars(axes: Axes, label: PointLabel, to_points: float) -> list[Box]:
    """What the bars of the intervals take up."""
    boxes = []
    if label.y_interval:
        x, low = _at(axes, label.x, label.y_interval[0], to_points)
        high = _at(axes, label.x, label.y_interval[1], to_points)[1]
        boxes.append(Box(x - 1, low, 2, high - low))
    if label.x_interval:
        low, y = _at(axes, label.x_interval[0], label.y, to_points)
        high = _at(axes, label.x_interval[1], label.y, to_points)[0]
        boxes.append(Box(low, y - 1, high - low, 2))
    return boxes


def _best_place(
    label: PointLabel, centre: tuple[float, float], taken: Sequence[Box], edge: Box
) -> tuple[Box, bool]:
    """The box and whether it lies near its point."""
    width = CHARACTER_IN * 72 * len(label.text) * (1.14 if label.is_bold else 1.04) + 3
    height = FONT_PT * 1.25
    best: tuple[float, Box, bool] | None = None
    for reach in _REACHES_PT:
        for angle in _ANGLES:
            along, up = np.cos(np.radians(angle)), np.sin(np.radians(angle))
            x = centre[0] + reach * along + (along - 1) / 2 * width
            y = centre[1] + reach * up - height / 2
            box = Box(float(x), float(y), width, height)
            if not edge.holds(box):
                continue
            covered = sum(box.overlap(other) for other in taken)
            if covered == 0:
                return box, reach < NEAR_PT
            if best is None or covered < best[0]:
                best = covered, box, reach < NEAR_PT
    if best is not None:
        return best[1], best[2]
    return Box(centre[0] + MARK_PT, centre[1] + MARK_PT, width, height), True


def draw_key(axes: Axes, lines: Sequence[str], shape: Shape, *, below_in: float = 0.6) -> None:
    """What the numbers stand for: beside the axes on a desk, `below_in` under them on a phone."""
    figure = figure_of(axes)
    width, height = figure.get_figwidth(), figure.get_figheight()
    place = axes.get_position()
    if shape == "wide":
        x, top = WIDTH_IN[shape] - KEY_WIDTH_IN + 0.25, place.y1 * height
    else:
        x, top = 0.1, place.y0 * height - below_in
    for index, line in enumerate(lines):
        figure.text(
            x / width,
            (top - KEY_LINE_IN * index) / height,
            line,
            va="top",
            fontsize=FONT_PT - 1,
            color=colour("ink"),
        )


def scatter_frame(shape: Shape, key_count: int, *, below_in: float = 0.55) -> tuple[float, Margins]:
    """Height of the axes and room around them, with room for a key of so many lines."""
    key_in = KEY_LINE_IN * (key_count + 1) if key_count else 0.0
    if shape == "wide":
        right = KEY_WIDTH_IN if key_count else 0.3
        return max(4.6, key_in), Margins(left=0.75, right=right, top=0.1, bottom=below_in)
    return 3.4, Margins(left=0.78, right=0.15, top=0.1, bottom=below_in + key_in)

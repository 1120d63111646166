"""What the choice's figure joins, and where labels of reference lines may stand."""

from itertools import pairwise

import pytest

from mezzmark.decide.choose.choice import JudgedEncoding, Status
from mezzmark.model.estimate import Estimate
from mezzmark.model.figures import FigureName, parse_figure
from mezzmark.report.figures.choice_points import ChoicePlane, ChoicePoint, pareto_points
from mezzmark.report.figures.rows import LABEL_GAP_IN, place_labels

WAIT = parse_figure("scrub.jump.p50_ms", where="test")
RATE = parse_figure("bitrate_bps", where="test")
SPEED = parse_figure("encode.throughput_fps", where="test")


def point(name: str, x: float, y: float, status: Status = "meets") -> ChoicePoint:
    def estimate(value: float) -> Estimate:
        return Estimate(
            point=value,
            low=None,
            high=None,
            confidence_level=0.95,
            unit="ms",
            round_count=3,
            sample_count=3,
            method="",
        )

    judged = JudgedEncoding(encoding=name, status=status)
    return ChoicePoint(judged=judged, x=estimate(x), y=estimate(y))


def front(x_goal: FigureName, y_goal: FigureName, *points: ChoicePoint) -> str:
    plane = ChoicePlane(
        x_goal=x_goal, y_goal=y_goal, points=points, missing=(), x_limits=(), y_limits=()
    )
    return "".join(p.judged.encoding for p in pareto_points(plane))


def test_the_line_joins_those_that_nobody_beats() -> None:
    """Four points by hand: b is beaten by a, d is not by anyone; where more is better across, the
    other way round. Equal points stay both; a ruled-out one beats nobody."""
    points = (point("a", 1, 5), point("b", 2, 6), point("c", 3, 3), point("d", 9, 1))
    assert front(RATE, WAIT, *points) == "acd"
    assert front(SPEED, WAIT, *points) == "d"
    assert front(RATE, WAIT, point("a", 1, 5), point("b", 1, 5)) == "ab"
    assert front(RATE, WAIT, point("x", 1, 1, "ruled out"), point("b", 2, 6)) == "b"


@pytest.mark.parametrize("gap_in", [0.3, 0.6, 0.9, 1.5, 2.2])
@pytest.mark.parametrize("first_in", [0.3, 0.9, 1.8])
def test_a_label_touches_neither_line_nor_label(first_in: float, gap_in: float) -> None:
    """On a phone's width two labels of 0.9 inches always find a place: inside the figure, clear of
    each other, and of the line that rises to the other's level."""
    x_in, width, figure_in = (first_in, first_in + gap_in), 0.9, 4.1
    spots = place_labels(x_in, (width, width), figure_in=figure_in)
    assert spots is not None
    extents = []
    for (_, side), x in zip(spots, x_in, strict=True):
        left = x - LABEL_GAP_IN - width if side == "left" else x + LABEL_GAP_IN
        assert 0 <= left <= figure_in - width
        extents.append((left, left + width))
    for (mine, other), (a, b), x in (
        (spots, extents, x_in[1]),
        (spots[::-1], extents[::-1], x_in[0]),
    ):
        if other[0] >= mine[0]:
            assert not a[0] < x < a[1]
        if other[0] == mine[0]:
            assert all(end <= start for (_, end), (start, _) in pairwise(sorted((a, b))))


def test_no_place_is_said_so() -> None:
    """A label wider than the figure has no place at all."""
    assert place_labels((1.0,), (5.0,), figure_in=4.1) is None

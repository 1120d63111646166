"""What the choice's figure joins."""

from fixtures.made_sizing import made
from mezzmark.decide.choose.choice import (
    ChoicePlane,
    ChoicePoint,
    JudgedEncoding,
    Status,
    pareto_points,
)
from mezzmark.model.figures import FigureName, parse_figure

WAIT = parse_figure("scrub.jump.p50_ms", where="test")
RATE = parse_figure("bitrate_bps", where="test")
SPEED = parse_figure("encode.throughput_fps", where="test")


def point(name: str, x: float, y: float, status: Status = "meets") -> ChoicePoint:
    judged = JudgedEncoding(encoding=name, status=status)
    return ChoicePoint(judged=judged, x=made(x, None, None, "ms"), y=made(y, None, None, "ms"))


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
